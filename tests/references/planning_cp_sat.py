"""Backlogs of 12 to 40 units and what OR-Tools CP-SAT found for them.

    python -m tests.references.planning_cp_sat write    solves all of them anew (needs the extra `optimum`)
    python -m tests.references.planning_cp_sat check    plans them and compares with what was found

The model says the same as `tests.references.shops`, nothing left out: at every station a row of loads, each
with its plate, its units, its span of open hours, changes of plate and process in their order, seating while
the load before burns. Objective: weighted lateness, then loads. CP-SAT starts from the better of the rules in
`tests.references.baselines` as a hint, has two workers, and stops when it has proved its result or when its
workers have used 40 seconds of processor time together, 20 seconds of two cores (counted so because a shared
machine gives less than the wall clock says), at the latest after ten minutes. What it found is timed again by
the clock of `shops` and looked at by the judge of plans before it is stored.
"""

from __future__ import annotations

import json
import sys
import threading
import time
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from layout.judge.plan import inspect_plan
from layout.plan.planner import plan
from tests.references.baselines import best_of_the_rules
from tests.references.shops import (
    Chosen,
    Shop,
    a_shop,
    backlog_of,
    lateness_and_loads,
    plan_of,
    record_of,
    shop_of,
)

FILE = Path(__file__).parent / "data" / "plans_cp_sat.json"
COUNT = 60
PROCESSOR_S, LATEST_S, WORKERS = 40.0, 600.0, 2


def shop_of_size(number: int) -> Shop:
    """The shop of that number, from 12 units for the first to 40 for the last."""
    return a_shop(number, 12 + number * 28 // (COUNT - 1))


def solved(shop: Shop) -> tuple[list[Chosen], bool, float]:
    """The loads that CP-SAT found, whether it proved them, and the processor seconds it took."""
    from ortools.sat.python import cp_model

    model = cp_model.CpModel()
    hint = best_of_the_rules(shop)
    places = min(len(shop.units), 2 * len(hint))
    spans = 2 + sum(unit.seconds for unit in shop.units) * 4 // shop.span_s + places
    last = spans * shop.span_s
    units, plates = range(len(shop.units)), sorted(shop.plates)
    rows = [[load for load in hint if load.station == s] for s in range(shop.stations)]
    here: dict[tuple[int, int, int], Any] = {}  # unit, station, place in its row
    on: dict[tuple[int, int, str], Any] = {}
    seated: dict[tuple[int, int], Any] = {}
    lateness = [model.new_int_var(0, spans + 1, "") for _ in units]
    late = [model.new_bool_var("") for _ in units]
    for u in units:
        model.add(lateness[u] >= late[u])
    for s in range(shop.stations):
        before: Any = None
        for k in range(places):
            hinted = rows[s][k] if k < len(rows[s]) else None
            for u in units:
                here[u, s, k] = model.new_bool_var("")
                model.add_hint(here[u, s, k], hinted is not None and u in hinted.units)
            for plate in plates:
                on[s, k, plate] = model.new_bool_var("")
                model.add_hint(on[s, k, plate], hinted is not None and hinted.plate == plate)
            used = sum(on[s, k, plate] for plate in plates)
            model.add(used <= 1)
            count = sum(here[u, s, k] for u in units)
            model.add(count >= used)
            for plate in plates:
                takes = [u for u in units if plate in shop.units[u].plates]
                size = shop.plates[plate]
                model.add(sum(here[u, s, k] for u in takes) <= size.slots).only_enforce_if(on[s, k, plate])
                narrow = [here[u, s, k] for u in takes if shop.units[u].narrow]
                model.add(sum(narrow) <= size.narrow).only_enforce_if(on[s, k, plate])
            for u in units:
                model.add(here[u, s, k] <= sum(on[s, k, plate] for plate in shop.units[u].plates))
            # Processes: whether each is in the load, and which (0 or 1) is at hand after it.
            a, b = (model.new_bool_var("") for _ in "ab")
            for some, name in ((a, "a"), (b, "b")):
                mine = [here[u, s, k] for u in units if shop.units[u].process == name]
                model.add_max_equality(some, mine or [0])
            at_hand = model.new_bool_var("")
            model.add(at_hand == 0).only_enforce_if(a, ~b)
            model.add(at_hand == 1).only_enforce_if(b, ~a)
            step, change = model.new_bool_var(""), model.new_bool_var("")
            if before is None:
                model.add(at_hand == 1).only_enforce_if(a, b)
                model.add(step == 1).only_enforce_if(a, b)
            else:
                model.add(at_hand == 1 - before["at_hand"]).only_enforce_if(a, b)
                model.add(step == 1).only_enforce_if(a, before["at_hand"])
                model.add(step == 1).only_enforce_if(b, ~before["at_hand"])
                for plate in plates:
                    model.add(change >= on[s, k, plate] - on[s, k - 1, plate])
                model.add(used <= before["used"])
            # Time, in open seconds.
            prepares, begins, ends = (model.new_int_var(0, last, "") for _ in range(3))
            span = model.new_int_var(0, spans - 1, "")
            burn = sum(here[u, s, k] * shop.units[u].seconds for u in units)
            burn += change * shop.plate_change_s + step * shop.process_change_s
            model.add(ends == begins + burn)
            model.add(begins >= prepares + count * shop.load_s)
            model.add(begins >= span * shop.span_s)
            model.add(ends <= (span + 1) * shop.span_s)
            if before is not None:
                model.add(begins >= before["ends"])
                model.add(prepares >= before["begins"])
                for plate in plates:
                    if shop.plates[plate].copies == 1:
                        both = (on[s, k, plate], on[s, k - 1, plate])
                        model.add(prepares >= before["ends"]).only_enforce_if(*both)
            day = model.new_int_var(0, spans, "")
            model.add_division_equality(day, span, len(shop.spans))
            for u in units:
                unit = shop.units[u]
                model.add(ends <= shop.open_s(unit.due)).only_enforce_if(here[u, s, k], ~late[u])
                model.add(lateness[u] >= day + 1 - shop.due_day(unit)).only_enforce_if(here[u, s, k])
            before = {"at_hand": at_hand, "used": used, "begins": begins, "ends": ends}
            seated[s, k] = prepares
    for u in units:
        model.add_exactly_one(here[u, s, k] for s in range(shop.stations) for k in range(places))
    weighted = sum(shop.units[u].weight * lateness[u] for u in units)
    model.minimize(weighted * (shop.stations * places + 1) + sum(on.values()))
    solver, proved, took_s = _run(model)
    loads = []
    for s, k in sorted(seated, key=lambda place: solver.value(seated[place])):  # as they take their copies
        inside = tuple(u for u in units if solver.value(here[u, s, k]))
        plate = next((p for p in plates if solver.value(on[s, k, p])), None)
        if inside and plate is not None:
            loads.append(Chosen(s, plate, inside))
    found = lateness_and_loads(shop, loads)
    said = round(solver.objective_value)
    assert found[0] * (shop.stations * places + 1) + found[1] <= said, "the clock does not agree"
    return loads, proved, took_s


def _run(model: Any) -> tuple[Any, bool, float]:
    """The solver after its run, whether it proved its result, and the processor seconds it took."""
    from ortools.sat.python import cp_model

    solver = cp_model.CpSolver()
    solver.parameters.num_workers = WORKERS
    solver.parameters.max_time_in_seconds = LATEST_S
    began, over = time.process_time(), threading.Event()

    def stop_when_used_up() -> None:
        while not over.wait(0.2):
            if time.process_time() - began > PROCESSOR_S:
                solver.stop_search()

    watch = threading.Thread(target=stop_when_used_up, daemon=True)
    watch.start()
    status = solver.solve(model)
    over.set()
    watch.join()
    assert status in (cp_model.OPTIMAL, cp_model.FEASIBLE), solver.status_name(status)
    return solver, status == cp_model.OPTIMAL, time.process_time() - began


def solved_record(number: int) -> dict[str, Any]:
    """The shop of that number with what CP-SAT found for it."""
    shop = shop_of_size(number)
    loads, proved, took_s = solved(shop)
    wrong = inspect_plan(backlog_of(shop), plan_of(shop, loads))
    assert wrong == (), wrong
    lateness, count = lateness_and_loads(shop, loads)
    found = {
        "lateness": lateness,
        "loads": count,
        "proved": proved,
        "processor_s": round(took_s, 1),
        "decided": [[load.station, load.plate, load.units] for load in loads],
    }
    return {**record_of(shop), "cp_sat": found}


def write() -> None:
    rows = []
    for number in range(COUNT):
        rows.append(json.dumps(solved_record(number)))
        print(f"{number + 1} of {COUNT} solved", flush=True)
    about = "generated backlogs and what OR-Tools CP-SAT found (tests/references/planning_cp_sat.py)"
    FILE.write_text(
        f'{{"about": {json.dumps(about)}, "instances": [\n' + ",\n".join(rows) + "\n]}\n", encoding="utf-8"
    )


def stored() -> list[dict[str, Any]]:
    """The shops with what CP-SAT found, as written last."""
    found: list[dict[str, Any]] = json.loads(FILE.read_text(encoding="utf-8"))["instances"]
    return found


def compared(records: Sequence[Mapping[str, Any]]) -> tuple[int, list[int]]:
    """How many plans are better than what CP-SAT found, and which are worse (the place in `records`)."""
    better, worse = 0, []
    for number, record in enumerate(records):
        shop = shop_of(record)
        backlog = backlog_of(shop)
        made = plan(backlog)
        assert inspect_plan(backlog, made) == (), f"instance {number}"
        mine, its = (
            (made.score.lateness, made.score.loads),
            (record["cp_sat"]["lateness"], record["cp_sat"]["loads"]),
        )
        assert not (record["cp_sat"]["proved"] and mine < its), f"instance {number} beats what was proved"
        assert made.bound.lateness <= its[0], f"instance {number}: no bound"
        better += mine < its
        worse += [number] if mine > its else []
    return better, worse


def main() -> None:
    if sys.argv[1:] == ["write"]:
        write()
        return
    records = stored()
    better, worse = compared(records)
    equal = len(records) - better - len(worse)
    print(f"{better} of {len(records)} better than what CP-SAT found, {equal} equal, worse: {worse}")


if __name__ == "__main__":
    main()
