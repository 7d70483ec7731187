"""By when units must be boxed: backwards from their ship-by time, in open hours, load before load."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from layout.plan.build_by import latest_boxed, latest_fit, latest_spend
from layout.shop.hours import DAY_S, WEEK_S, Hours
from tests.planning import HOUR_S, OFFICE, a_backlog, a_job, a_kind, a_plan_plate, a_plan_station

FRIDAY = 4 * DAY_S
MOMENTS = st.integers(0, int(3 * WEEK_S)).map(float)
SECONDS = st.integers(1, int(4 * HOUR_S)).map(float)


@given(end=MOMENTS, seconds=SECONDS)
def test_the_latest_begin_ends_in_time_and_no_later_one_does(end: float, seconds: float) -> None:
    begin = latest_fit(OFFICE, end, seconds)

    if begin >= 0:  # the planner's own reckoning, forwards, begins at its Monday
        assert OFFICE.fit(begin, seconds) == begin
        assert begin + seconds <= end < OFFICE.fit(begin + 1, seconds) + seconds + 1


@given(end=MOMENTS, seconds=SECONDS)
def test_work_with_pauses_begun_at_the_latest_ends_just_in_time(end: float, seconds: float) -> None:
    begin = latest_spend(OFFICE, end, seconds)

    if begin >= 0:
        assert OFFICE.spend(begin, seconds) <= end < OFFICE.spend(begin + 1, seconds) + 1


@pytest.mark.parametrize("hours", [OFFICE, Hours()])
def test_work_that_takes_no_time_may_begin_at_the_very_end(hours: Hours) -> None:
    assert latest_spend(hours, 9 * HOUR_S, 0.0) == 9 * HOUR_S


def test_work_longer_than_any_open_stretch_has_no_begin() -> None:
    with pytest.raises(ValueError, match="no open span"):
        latest_fit(OFFICE, FRIDAY, 4 * HOUR_S + 1)


def test_a_day_off_is_passed_over() -> None:
    hours = Hours(OFFICE.week, frozenset({3}))

    assert latest_fit(hours, FRIDAY, HOUR_S) == 2 * DAY_S + 16 * HOUR_S


def test_a_unit_is_needed_its_burning_and_its_seating_before_it_is_due() -> None:
    station = a_plan_station(hours=OFFICE, load_seconds=600.0, process_change_seconds=60.0)
    job = a_job("J1", a_kind(), due=FRIDAY + 10 * HOUR_S, seconds=1800.0)

    latest = latest_boxed(a_backlog(job, stations=(station,)))

    assert latest == {"J1": FRIDAY + 10 * HOUR_S - 1800 - 60 - 600}


def test_what_is_due_before_the_shop_opens_is_needed_the_day_before() -> None:
    station = a_plan_station(hours=OFFICE, load_seconds=600.0)
    job = a_job("J1", a_kind(), due=FRIDAY + 7 * HOUR_S, seconds=1800.0)

    latest = latest_boxed(a_backlog(job, stations=(station,)))

    assert latest == {"J1": FRIDAY - 7 * HOUR_S - 2400}


def test_units_that_fill_more_than_one_load_are_needed_one_load_after_another() -> None:
    jobs = [a_job(f"J{n}", a_kind(slots="AB"), due=10 * HOUR_S, seconds=600.0) for n in range(3)]

    latest = latest_boxed(a_backlog(*jobs))

    assert sorted(latest.values()) == [10 * HOUR_S - 1800, 10 * HOUR_S - 1200, 10 * HOUR_S - 1200]


def test_units_whose_words_differ_share_loads() -> None:
    """200 knives of one ship-by, each with words of its own, on a plate of ten slots; worked out by hand.

    Burning: 10.00, 10.02 ... 13.98 s, together 200 x 11.99 = 2,398 s. Twenty loads, each with a change of
    plate and process: 20 x 90 = 1,800 s. Seating the first load, ten units of 10 s: 100 s; the others are
    seated while the load before burns. So the first ten are needed 4,298 s ahead, which is 1.2 h; in
    loads of one unit each it would be 2,398 + 200 x 90 + 10 = 20,408 s. The last load holds the ten
    shortest: 90 + 100.9 s of laser and 100 s of seating before it.
    """
    slots = "ABCDEFGHIJ"
    due = 100 * HOUR_S
    jobs = [
        a_job(f"J{n:03}", a_kind(f"knife {n}", slots=slots), due=due, seconds=10.0 + 0.02 * n)
        for n in range(200)
    ]
    station = a_plan_station(load_seconds=10.0, plate_change_seconds=60.0, process_change_seconds=30.0)

    latest = latest_boxed(a_backlog(*jobs, stations=(station,), plates=(a_plan_plate(slots=slots),)))

    assert len(set(latest.values())) == 20
    assert min(latest.values()) == pytest.approx(due - 4_298.0)
    assert max(latest.values()) == pytest.approx(due - 290.9)
    assert {latest[f"J{n:03}"] for n in range(10)} == {max(latest.values())}


def test_units_that_sit_in_other_places_share_no_load() -> None:
    parer = a_job("P", a_kind(slots="AB"), due=10 * HOUR_S, seconds=600.0)
    chef = a_job("C", a_kind("chef", slots="CD"), due=10 * HOUR_S, seconds=600.0)

    latest = latest_boxed(a_backlog(parer, chef))

    assert latest == {"C": 10 * HOUR_S - 600, "P": 10 * HOUR_S - 1200}


def test_units_due_earlier_make_way_for_nobody_and_later_ones_are_laid_first() -> None:
    early = a_job("J1", a_kind(), due=9 * HOUR_S, seconds=600.0)
    late = a_job("J2", a_kind(), due=9 * HOUR_S + 300, seconds=600.0)

    latest = latest_boxed(a_backlog(early, late))

    assert latest == {"J2": 9 * HOUR_S - 300, "J1": 9 * HOUR_S - 900}


def test_two_stations_share_the_work() -> None:
    kind = a_kind(slots="A", stations=("s1", "s2"))
    jobs = [a_job(f"J{n}", kind, due=10 * HOUR_S, seconds=600.0) for n in range(2)]

    latest = latest_boxed(a_backlog(*jobs, stations=(a_plan_station("s1"), a_plan_station("s2"))))

    assert set(latest.values()) == {10 * HOUR_S - 600}


def test_faces_that_share_a_load_are_turned_over() -> None:
    station = a_plan_station(turn_seconds=60.0)
    job = a_job("J1", a_kind(faces=("mark", "pile")), due=10 * HOUR_S, seconds=600.0)

    latest = latest_boxed(a_backlog(job, stations=(station,)))

    assert latest == {"J1": 10 * HOUR_S - 1260}


def test_faces_of_which_each_needs_its_own_plate_are_two_visits() -> None:
    kind = a_kind(slots="A", faces=("mark", "pile"))
    mark, pile = kind.options["s1"]
    kind = replace(kind, options={"s1": (mark, replace(pile, plate="Q"))})
    station = a_plan_station(plates=("P", "Q"), load_seconds=100.0)

    latest = latest_boxed(a_backlog(a_job("J1", kind, due=10 * HOUR_S, seconds=600.0), stations=(station,)))

    assert latest == {"J1": 10 * HOUR_S - 2 * 700}


def test_a_load_is_no_longer_than_an_open_stretch() -> None:
    station = a_plan_station(hours=OFFICE)
    jobs = [
        a_job(f"J{n}", a_kind(slots="AB"), due=FRIDAY + 17 * HOUR_S, seconds=3 * HOUR_S) for n in range(2)
    ]

    latest = latest_boxed(a_backlog(*jobs, stations=(station,)))

    assert sorted(latest.values()) == [FRIDAY + 9 * HOUR_S, FRIDAY + 14 * HOUR_S]


def test_a_unit_that_no_station_takes_is_left_out() -> None:
    nowhere = a_job("J1", a_kind(stations=()))
    too_long = a_job("J2", a_kind(), seconds=5 * HOUR_S)

    assert latest_boxed(a_backlog(nowhere, too_long, stations=(a_plan_station(hours=OFFICE),))) == {}
