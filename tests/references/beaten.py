"""Every plan against the rules of the trade in `tests.references.baselines`.

python -m tests.references.beaten    plans shops of all sizes and names those that a rule plans better
"""

from __future__ import annotations

from layout.judge.plan import inspect_plan
from layout.plan.planner import plan
from layout.plan.search.search import ROUNDS
from tests.references import planning, planning_cp_sat
from tests.references.baselines import best_of_the_rules
from tests.references.shops import Plate, Shop, Unit, a_shop, backlog_of, lateness_and_loads, shop_of


def is_equalled_or_beaten(shop: Shop, *, rounds: int = ROUNDS) -> bool:
    """Whether the planner's plan has no more lateness, then no more loads, than the better of the rules."""
    backlog = backlog_of(shop)
    made = plan(backlog, rounds=rounds)
    assert inspect_plan(backlog, made) == ()
    return (made.score.lateness, made.score.loads) <= lateness_and_loads(shop, best_of_the_rules(shop))


def small_shops() -> list[Shop]:
    """The shops of the instances with proven optima."""
    return [_shop_of(planning.instance_of(record)) for record in planning.stored()]


def _shop_of(instance: planning.Instance) -> Shop:
    plates = {name: Plate(slots, slots, 2) for name, slots in instance.slots.items()}
    units = tuple(Unit(names, False, *rest) for names, *rest in instance.jobs)
    spans = ((0, planning.OPEN_S),)
    return Shop(1, plates, units, spans, 0, instance.plate_change_s, instance.process_change_s)


def middle_shops() -> list[Shop]:
    """The shops that CP-SAT looked at."""
    return [shop_of(record) for record in planning_cp_sat.stored()]


def large_shops() -> list[Shop]:
    """In the largest hardly anything can be in time."""
    counts = [60, 100, 150, 200, 300, 500, 1000, 1500]
    return [a_shop(100 + number, count) for number, count in enumerate(counts)]


def main() -> None:
    for name, shops in (("small", small_shops()), ("middle", middle_shops()), ("large", large_shops())):
        worse = [number for number, shop in enumerate(shops) if not is_equalled_or_beaten(shop)]
        print(f"{name}: {len(shops) - len(worse)} of {len(shops)}, worse: {worse}", flush=True)


if __name__ == "__main__":
    main()
