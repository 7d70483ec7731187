"""What can be promised from a plan, in cases made by hand; how often promises hold is looked at with shops
that live (`tests.shop_life`)."""

from __future__ import annotations

from dataclasses import replace
from random import Random
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from layout.loading.backlog import Backlog, Bound, Kind, Plan, Score
from layout.loading.values import Option
from layout.plan.planner import plan
from layout.plan.promise import (
    Forecast,
    Luck,
    Overtaking,
    Spans,
    end_of_day,
    forecast,
    kept_promise,
    latest_ready,
    safe_day,
    safe_ends_of_new,
)
from layout.shop.carrier import Carrier
from layout.shop.hours import DAY_S, WEEK_S, Hours, WorkingDays
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

#: Everything happens as estimated.
NO_LUCK = Luck(spread=0.0, bias=0.0)
MOMENTS = st.integers(0, int(3 * WEEK_S)).map(float)


def runs_of(backlog: Backlog, luck: Luck = NO_LUCK) -> Forecast:
    return forecast(backlog, plan(backlog), luck)


def ready_by_of_new(*arguments: Any, **named: Any) -> float | None:
    ends = safe_ends_of_new(*arguments, **named)
    return None if ends is None else ends.ready_by


def test_a_moment_at_midnight_ends_its_own_day() -> None:
    assert end_of_day(DAY_S) == DAY_S
    assert end_of_day(DAY_S + 1) == 2 * DAY_S


# --- hours, many at a time ---


@pytest.mark.parametrize("hours", [OFFICE, Hours(), Hours(OFFICE.week, frozenset({1, 8}))])
@given(ready=st.lists(MOMENTS, min_size=1, max_size=9), seconds=st.integers(0, int(4 * HOUR_S)))
def test_hours_asked_for_many_runs_are_those_asked_one_by_one(
    hours: Hours, ready: list[float], seconds: int
) -> None:
    spans, moments = Spans(hours, 0.0), np.array(ready)

    assert spans.fit(moments, seconds).tolist() == [hours.fit(one, seconds) for one in ready]
    opened = spans.fit(moments, 0.0)
    assert spans.spend(opened, 3.0 * seconds).tolist() == pytest.approx(
        [hours.spend(one, 3.0 * seconds) for one in opened.tolist()]
    )


def test_work_longer_than_any_open_stretch_fits_nowhere() -> None:
    with pytest.raises(ValueError, match="no span"):
        Spans(OFFICE, 0.0).fit(np.zeros(3), 4 * HOUR_S + 1)


# --- the runs ---


@pytest.mark.parametrize("seed", range(4))
def test_without_luck_a_plan_happens_as_it_says(seed: int) -> None:
    backlog = a_busy_backlog(150, seed=seed)
    made = plan(backlog, rounds=0)

    runs = forecast(backlog, made, NO_LUCK)

    assert np.allclose(runs.ends, np.array([[load.ends] for load in made.loads]))
    assert {job: row[0] for job, row in runs.done.items()} == pytest.approx(dict(made.done))


def test_the_same_plan_gives_the_same_promises_and_a_load_keeps_its_luck_in_the_next() -> None:
    kind = a_kind(slots="A")
    backlog = a_backlog(*(a_job(f"{n}", kind, due=(n + 1) * DAY_S, seconds=600.0) for n in range(3)))
    made = plan(backlog)

    first, again = forecast(backlog, made), forecast(backlog, made)
    fewer = forecast(backlog, replace(made, loads=made.loads[:2]))

    assert np.array_equal(first.ends, again.ends)
    assert np.array_equal(first.ends[:2], fewer.ends)


def test_a_safe_day_leaves_room_for_loads_that_take_longer() -> None:
    # Done at 16:56 as estimated: three loads of nearly two hours may well take more than four minutes longer.
    kind = a_kind(slots="A")
    jobs = [a_job(f"{n}", kind, seconds=119 * 60) for n in range(4)]
    backlog = a_backlog(
        *jobs, plates=(a_plan_plate(slots="A"),), stations=(a_plan_station(hours=OFFICE),), now=8 * HOUR_S
    )
    made = plan(backlog)
    last = max(made.done, key=made.done.__getitem__)

    assert made.done[last] < DAY_S
    assert safe_day(forecast(backlog, made).done[last]) == 2 * DAY_S
    assert safe_day(forecast(backlog, made, NO_LUCK).done[last]) == DAY_S


def test_a_load_that_no_longer_fits_before_the_break_moves_to_after_it_whole() -> None:
    """Two loads of 119 minutes before the break at noon: where the first takes two minutes more, the second
    begins at one o'clock."""
    kind = a_kind(slots="A")
    backlog = a_backlog(
        *(a_job(f"{n}", kind, seconds=119 * 60) for n in range(2)),
        plates=(a_plan_plate(slots="A"),),
        stations=(a_plan_station(hours=OFFICE),),
        now=8 * HOUR_S,
    )
    made = plan(backlog)

    ends = forecast(backlog, made, Luck(spread=0.1, bias=0.0)).ends

    is_late = ends[0] > 8 * HOUR_S + 121 * 60
    assert 0.1 < np.mean(is_late) < 0.9
    assert (ends[1][~is_late] < 12 * HOUR_S + HOUR_S).all()
    assert (ends[1][is_late] > 13 * HOUR_S + HOUR_S).all()


def test_spoiled_units_are_done_with_a_later_load_and_take_time_there() -> None:
    kind = a_kind(slots="A")
    backlog = a_backlog(
        *(a_job(f"{n}", kind, due=(n + 1) * DAY_S, seconds=600.0) for n in range(4)),
        plates=(a_plan_plate(slots="A"),),
    )
    made = plan(backlog)
    first = min(made.done, key=made.done.__getitem__)

    done = forecast(backlog, made, Luck(0.0, 0.0, scrap=0.3), draws=400).done[first]

    spoiled = done > made.done[first]
    assert np.mean(spoiled) == pytest.approx(0.3, abs=0.08)
    assert (done[spoiled] >= made.loads[2].ends).all()


def test_failures_put_off_what_comes_after() -> None:
    job = a_job("1", a_kind(), seconds=3600.0)
    backlog = a_backlog(job)
    made = plan(backlog)

    done = forecast(backlog, made, Luck(0.0, 0.0, stops_per_s=1 / 3600, stop_s=600.0), draws=4_000).done["1"]

    # One failure of ten minutes in an hour of burning, on average; none in exp(-1) of the runs.
    assert np.mean(done) == pytest.approx(4200.0, rel=0.02)
    assert np.mean(done < 3600.01) == pytest.approx(0.368, abs=0.03)


def test_an_order_with_a_unit_in_no_load_has_no_end() -> None:
    backlog = a_backlog(a_job("1", a_kind()))

    assert runs_of(backlog).last(["1", "2"]) is None
    assert runs_of(backlog).last(["1"]) is not None


# --- promises that stand ---


def done_on(*days: int) -> np.ndarray:  # type: ignore[type-arg]
    """Ten runs each that are done at noon of those days."""
    return np.array([day * DAY_S + DAY_S / 2 for day in days for _ in range(10)])


@pytest.mark.parametrize(
    ("promised", "days", "after"),
    [
        (5, [2] * 10, 5),  # two days earlier would be as safe: it stands
        (6, [2] * 10, 3),  # three would be as safe; what is done on day 2 is done by the end of it
        (3, [2] * 6 + [3] * 4, 3),  # kept in six of ten runs: it stands
        (3, [2] * 4 + [4] * 6, 5),  # broken in six of ten
        (3, [5] * 10, 6),
        (5, [4] * 10, 5),
    ],
)
def test_a_promise_stands_until_it_is_more_likely_broken_than_kept_or_could_be_three_days_earlier(
    promised: int, days: list[int], after: int
) -> None:
    new = kept_promise(promised * DAY_S, done_on(*days), done_on(*days), WorkingDays([Hours()]))

    assert new == after * DAY_S


def test_a_promise_that_moves_gets_the_room_that_urgent_work_takes() -> None:
    days = WorkingDays([Hours()])

    assert kept_promise(3 * DAY_S, done_on(5), done_on(7), days) == 8 * DAY_S
    assert kept_promise(9 * DAY_S, done_on(5), done_on(7), days) == 9 * DAY_S


def test_three_days_earlier_are_three_working_days() -> None:
    days = WorkingDays([OFFICE])
    friday, monday = 5 * DAY_S, 8 * DAY_S

    assert kept_promise(monday + DAY_S, done_on(4), done_on(4), days) == monday + DAY_S
    assert kept_promise(monday + 2 * DAY_S, done_on(4), done_on(4), days) == friday


def test_a_promise_for_a_day_is_kept_until_the_last_station_shuts_or_the_carrier_comes() -> None:
    shops = a_backlog(stations=(a_plan_station(hours=OFFICE), a_plan_station("s2")))
    carrier = Carrier((16 * HOUR_S, 40 * HOUR_S), packing_s=900.0)

    assert latest_ready(a_backlog(stations=(a_plan_station(hours=OFFICE),)), 2 * DAY_S) == 41 * HOUR_S
    assert latest_ready(shops, 2 * DAY_S) == 2 * DAY_S  # one never shuts
    assert latest_ready(replace(shops, carrier=carrier), 2 * DAY_S) == 39.75 * HOUR_S


# --- what is new ---


def test_a_new_unit_joins_the_first_load_with_a_free_slot_for_it() -> None:
    # The load ends at 23:59:40 of the first day; forty seconds more are the second day's.
    kind = a_kind(slots="AB")
    runs = runs_of(a_backlog(a_job("1", kind, seconds=DAY_S - 20)))

    assert ready_by_of_new(runs, kind, 10.0) == DAY_S
    assert ready_by_of_new(runs, kind, 40.0) == 2 * DAY_S


def test_a_new_unit_comes_after_all_others_where_no_slot_is_free() -> None:
    kind = a_kind(slots="A")
    runs = runs_of(a_backlog(a_job("1", kind, seconds=DAY_S - 20), plates=(a_plan_plate(slots="A"),)))

    assert ready_by_of_new(runs, kind, 10.0) == DAY_S
    assert ready_by_of_new(runs, kind, 40.0) == 2 * DAY_S


@pytest.mark.parametrize(("units", "days"), [(2, 1), (3, 2), (4, 2), (5, 3)])
def test_more_units_than_a_plate_has_slots_for_make_more_loads(units: int, days: int) -> None:
    # Two slots, half a day a unit: two units a day.
    runs = runs_of(a_backlog(plates=(a_plan_plate(slots="AB"),)))

    assert ready_by_of_new(runs, a_kind(slots="AB"), DAY_S / 2, units=units) == days * DAY_S


def test_a_new_unit_leaves_room_for_loads_before_it_that_take_longer() -> None:
    kind = a_kind(slots="A")
    jobs = [a_job(f"{n}", kind, seconds=DAY_S / 4) for n in range(3)]
    backlog = a_backlog(*jobs, plates=(a_plan_plate(slots="A"),))

    assert ready_by_of_new(runs_of(backlog), kind, DAY_S / 4) == DAY_S
    assert ready_by_of_new(runs_of(backlog, Luck()), kind, DAY_S / 4) == 2 * DAY_S


def test_a_new_unit_leaves_room_for_work_that_comes_later_and_goes_first() -> None:
    """Eighteen hours wait; where a third of all hours goes to more urgent work, they take a day and more."""
    kind = a_kind(slots="A")
    backlog = a_backlog(a_job("1", kind, seconds=18 * HOUR_S), plates=(a_plan_plate(slots="A"),))
    runs = runs_of(backlog)

    assert ready_by_of_new(runs, kind, 60.0) == DAY_S
    assert ready_by_of_new(runs, kind, 60.0, overtaking=Overtaking(1 / 3, HOUR_S)) == 2 * DAY_S
    assert ready_by_of_new(runs, kind, 60.0, came_s=9 * HOUR_S) == 2 * DAY_S


def test_what_comes_tomorrow_goes_first_only_if_it_has_less_time() -> None:
    """Thirty hours wait, of which a third goes to urgent work on the first day: 8 h more; what comes on the
    second day goes first only if its share says so: 2 h more, or none."""
    kind = a_kind(slots="A")
    backlog = a_backlog(a_job("1", kind, seconds=30 * HOUR_S), plates=(a_plan_plate(slots="A"),))
    runs = runs_of(backlog)
    first, same, none = (Overtaking(1 / 3, 60.0, later) for later in ((0.0,), (1 / 3,), (0.0, 0.5)))
    constant = Overtaking(1 / 3, 60.0)

    def median_of(overtaking: Overtaking) -> float:
        return float(np.median(runs.with_room(["1"], runs.done["1"], overtaking)))

    assert median_of(first) == median_of(none) == pytest.approx(38 * HOUR_S, abs=HOUR_S / 2)
    assert median_of(same) == median_of(constant) == pytest.approx(40 * HOUR_S, abs=HOUR_S / 2)


def test_who_asks_later_is_promised_from_then_on() -> None:
    runs = runs_of(a_backlog())
    later = replace(runs, backlog=replace(runs.backlog, now=5.5 * DAY_S))

    assert ready_by_of_new(later, a_kind(), 60.0) == 6 * DAY_S


def two_visits() -> Kind:
    options = (Option("P", "A", "mark", "satin", 0, 1), Option("Q", "A", "pile", "satin", 0, 1))
    return Kind("two", "two", ("mark", "pile"), {"s1": options})


def test_the_second_visit_of_a_unit_follows_its_first() -> None:
    plates = (a_plan_plate("P", "A"), a_plan_plate("Q", "A"))
    other = a_kind(plate="Q", slots="A")
    runs = runs_of(
        a_backlog(
            a_job("1", other, seconds=DAY_S / 2), plates=plates, stations=(a_plan_station(plates=("P", "Q")),)
        )
    )

    # Half a day is taken; a visit takes a quarter, so two of them end with the day, three with the next.
    assert ready_by_of_new(runs, two_visits(), DAY_S / 2) == DAY_S
    assert ready_by_of_new(runs, two_visits(), DAY_S * 0.75) == 2 * DAY_S


def test_nothing_is_promised_for_a_unit_that_fits_nowhere() -> None:
    runs = runs_of(a_backlog())

    assert ready_by_of_new(runs, two_visits(), 40.0) is None
    assert ready_by_of_new(runs, a_kind(stations=("gone",)), 40.0) is None


def test_nothing_is_promised_for_what_no_open_stretch_is_long_enough_for() -> None:
    runs = runs_of(a_backlog(stations=(a_plan_station(hours=OFFICE),)))

    assert ready_by_of_new(runs, a_kind(), 5 * HOUR_S) is None


@pytest.mark.parametrize("seed", [0, 1, 2, *(pytest.param(n, marks=pytest.mark.long) for n in range(3, 8))])
def test_the_next_plan_keeps_what_was_promised_for_a_new_order(seed: int) -> None:
    """Planned anew with a new order behind everything else, its last unit is done by the promised day."""
    chance = Random(seed)
    backlog = a_busy_backlog(400, seed=seed)
    kind = chance.choice([job.kind for job in backlog.jobs])
    units = chance.randint(1, 30)
    far = max(job.due for job in backlog.jobs) + 20 * DAY_S

    promised = ready_by_of_new(runs_of(backlog, Luck()), kind, 60.0, units=units)

    new = tuple(a_job(f"new-{n}", kind, due=far, seconds=60.0, order="new") for n in range(units))
    made = plan(replace(backlog, jobs=(*backlog.jobs, *new)))
    assert promised is not None
    assert max(made.done[job.job] for job in new) <= promised


def test_an_empty_plan_has_runs_too() -> None:
    empty = Plan((), {}, Score(0, 0, 0, 0, 0), Bound(0, 0))

    runs = forecast(a_backlog(), empty)

    assert runs.ends.shape[0] == 0
    assert ready_by_of_new(runs, a_kind(), 60.0) == DAY_S
