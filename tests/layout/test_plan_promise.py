"""What can be promised from a plan."""

from __future__ import annotations

from layout.assign import Option
from layout.backlog import Kind
from layout.hours import DAY_S
from layout.plan import plan
from layout.promise import earliest_end, end_of_day, safe_ends
from tests.planning import HOUR_S, OFFICE, a_backlog, a_job, a_kind, a_plan_plate, a_plan_station


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
    kind = a_kind(slots="AB")
    backlog = a_backlog(a_job("1", kind, seconds=100.0))

    assert earliest_end(backlog, plan(backlog), kind, 40.0) == 140.0


def test_a_new_unit_comes_after_all_others_where_no_slot_is_free() -> None:
    kind = a_kind(slots="A")
    backlog = a_backlog(a_job("1", kind, seconds=100.0), plates=(a_plan_plate(slots="A"),))

    assert earliest_end(backlog, plan(backlog), kind, 40.0) == 140.0


def test_nothing_is_promised_for_a_unit_that_needs_two_visits_or_fits_nowhere() -> None:
    options = (Option("P", "A", "mark", "satin", 0, 1), Option("Q", "A", "pile", "satin", 0, 1))
    two = Kind("two", "two", ("mark", "pile"), {"s1": options})
    backlog = a_backlog()

    assert earliest_end(backlog, plan(backlog), two, 40.0) is None
    assert earliest_end(backlog, plan(backlog), a_kind(stations=("gone",)), 40.0) is None


def test_nothing_is_promised_for_what_no_open_stretch_is_long_enough_for() -> None:
    backlog = a_backlog(stations=(a_plan_station(hours=OFFICE),))

    assert earliest_end(backlog, plan(backlog), a_kind(), 5 * HOUR_S) is None
