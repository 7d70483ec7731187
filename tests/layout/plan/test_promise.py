"""What can be promised from a plan."""

from __future__ import annotations

from dataclasses import replace
from random import Random

import pytest

from layout.loading.backlog import Kind
from layout.loading.values import Option
from layout.plan.planner import plan
from layout.plan.promise import end_of_day, safe_end_of_new, safe_ends
from layout.shop.hours import DAY_S
from tests.planning import (
    HOUR_S,
    OFFICE,
    a_backlog,
    a_busy_backlog,
    a_job,
    a_kind,
    a_plan_plate,
    a_plan_station,
)


def test_a_moment_at_midnight_ends_its_own_day() -> None:
    assert end_of_day(DAY_S) == DAY_S
    assert end_of_day(DAY_S + 1) == 2 * DAY_S


def test_a_safe_end_leaves_room_for_loads_that_take_longer() -> None:
    # Done at 16:56 as estimated: three loads of nearly two hours may well take more than four minutes longer.
    kind = a_kind(slots="A")
    jobs = [a_job(f"{n}", kind, seconds=119 * 60) for n in range(4)]
    backlog = a_backlog(
        *jobs, plates=(a_plan_plate(slots="A"),), stations=(a_plan_station(hours=OFFICE),), now=8 * HOUR_S
    )
    made = plan(backlog)

    safe = safe_ends(backlog, made)

    last = max(made.done, key=made.done.__getitem__)
    assert made.done[last] < DAY_S
    assert safe[last] == 2 * DAY_S
    assert safe_ends(backlog, made, spread=0.0)[last] == DAY_S


def test_a_new_unit_joins_the_first_load_with_a_free_slot_for_it() -> None:
    # The load ends at 23:59:40 of the first day; forty seconds more are the second day's.
    kind = a_kind(slots="AB")
    backlog = a_backlog(a_job("1", kind, seconds=DAY_S - 20))
    made = plan(backlog)

    assert safe_end_of_new(backlog, made, kind, 10.0, spread=0.0) == DAY_S
    assert safe_end_of_new(backlog, made, kind, 40.0, spread=0.0) == 2 * DAY_S


def test_a_new_unit_comes_after_all_others_where_no_slot_is_free() -> None:
    kind = a_kind(slots="A")
    backlog = a_backlog(a_job("1", kind, seconds=DAY_S - 20), plates=(a_plan_plate(slots="A"),))
    made = plan(backlog)

    assert safe_end_of_new(backlog, made, kind, 10.0, spread=0.0) == DAY_S
    assert safe_end_of_new(backlog, made, kind, 40.0, spread=0.0) == 2 * DAY_S


@pytest.mark.parametrize(("units", "days"), [(2, 1), (3, 2), (4, 2), (5, 3)])
def test_more_units_than_a_plate_has_slots_for_make_more_loads(units: int, days: int) -> None:
    # Two slots, half a day a unit: two units a day.
    backlog = a_backlog(plates=(a_plan_plate(slots="AB"),))

    safe = safe_end_of_new(
        backlog, plan(backlog), a_kind(slots="AB"), DAY_S / 2, units=units, spread=0.0
    )  # fmt: skip

    assert safe == days * DAY_S


def test_a_new_unit_leaves_room_for_loads_before_it_that_take_longer() -> None:
    kind = a_kind(slots="A")
    jobs = [a_job(f"{n}", kind, seconds=DAY_S / 4) for n in range(3)]
    backlog = a_backlog(*jobs, plates=(a_plan_plate(slots="A"),))
    made = plan(backlog)

    assert safe_end_of_new(backlog, made, kind, DAY_S / 4, spread=0.0) == DAY_S
    assert safe_end_of_new(backlog, made, kind, DAY_S / 4) == 2 * DAY_S


def two_visits() -> Kind:
    options = (Option("P", "A", "mark", "satin", 0, 1), Option("Q", "A", "pile", "satin", 0, 1))
    return Kind("two", "two", ("mark", "pile"), {"s1": options})


def test_the_second_visit_of_a_unit_follows_its_first() -> None:
    plates = (a_plan_plate("P", "A"), a_plan_plate("Q", "A"))
    other = a_kind(plate="Q", slots="A")
    backlog = a_backlog(
        a_job("1", other, seconds=DAY_S / 2), plates=plates, stations=(a_plan_station(plates=("P", "Q")),)
    )

    # Half a day is taken; a visit takes a quarter, so two of them end with the day, three with the next.
    assert safe_end_of_new(backlog, plan(backlog), two_visits(), DAY_S / 2, spread=0.0) == DAY_S
    assert safe_end_of_new(backlog, plan(backlog), two_visits(), DAY_S * 0.75, spread=0.0) == 2 * DAY_S


def test_nothing_is_promised_for_a_unit_that_fits_nowhere() -> None:
    backlog = a_backlog()

    assert safe_end_of_new(backlog, plan(backlog), two_visits(), 40.0) is None
    assert safe_end_of_new(backlog, plan(backlog), a_kind(stations=("gone",)), 40.0) is None


def test_nothing_is_promised_for_what_no_open_stretch_is_long_enough_for() -> None:
    backlog = a_backlog(stations=(a_plan_station(hours=OFFICE),))

    assert safe_end_of_new(backlog, plan(backlog), a_kind(), 5 * HOUR_S) is None


@pytest.mark.parametrize("seed", range(8))
def test_the_next_plan_keeps_what_was_promised_for_a_new_order(seed: int) -> None:
    """Planned anew with a new order behind everything else, its last unit is done by the promised day."""
    chance = Random(seed)
    backlog = a_busy_backlog(400, seed=seed)
    kind = chance.choice([job.kind for job in backlog.jobs])
    units = chance.randint(1, 30)
    far = max(job.due for job in backlog.jobs) + 20 * DAY_S

    promised = safe_end_of_new(backlog, plan(backlog), kind, 60.0, units=units)

    new = tuple(a_job(f"new-{n}", kind, due=far, seconds=60.0, order="new") for n in range(units))
    made = plan(replace(backlog, jobs=(*backlog.jobs, *new)))
    assert promised is not None
    assert max(made.done[job.job] for job in new) <= promised
