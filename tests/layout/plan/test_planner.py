"""The plan of the whole backlog: what it minimises, what it never does, how it is judged."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from layout.judge.plan import inspect_plan
from layout.loading.backlog import Backlog, Kind, Plan, PlanJob, PlanLot
from layout.loading.values import Filled, Option
from layout.plan.planner import plan
from layout.plan.search.problem import NO_PLACE, OUT_OF_FOCUS, TOO_LONG
from layout.shop.hours import DAY_S, Hours, WorkingDays
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


def codes(backlog: Backlog, made: Plan) -> set[str]:
    return {finding.code for finding in inspect_plan(backlog, made)}


# --- hours ---


def test_work_that_may_not_be_interrupted_waits_for_a_stretch_long_enough() -> None:
    assert OFFICE.fit(11.5 * HOUR_S, HOUR_S) == 13 * HOUR_S


def test_work_that_may_pause_goes_on_after_the_break() -> None:
    assert OFFICE.spend(11.5 * HOUR_S, HOUR_S) == 13.5 * HOUR_S


def test_a_day_on_which_the_shop_is_shut_is_no_working_day() -> None:
    shut = replace(OFFICE, shut=frozenset({1}))

    assert shut.fit(17 * HOUR_S, HOUR_S) == 2 * DAY_S + 8 * HOUR_S
    assert WorkingDays([shut]).late(17 * HOUR_S, 2 * DAY_S + 9 * HOUR_S) == 1


def test_a_weekend_counts_no_day_of_lateness() -> None:
    friday, monday = 4 * DAY_S + 17 * HOUR_S, 7 * DAY_S + 9 * HOUR_S

    assert WorkingDays([OFFICE]).late(friday, monday) == 1


def test_late_on_the_same_day_is_a_day_late() -> None:
    assert WorkingDays([OFFICE]).late(9 * HOUR_S, 10 * HOUR_S) == 1


# --- what a plan minimises, in that order ---


def test_nothing_waits_and_nothing_is_planned() -> None:
    made = plan(a_backlog())

    assert made.loads == () and made.bound.loads == 0 and made.bound.lateness == 0


def test_lateness_goes_before_the_number_of_loads() -> None:
    # Together on the one plate both would be late; alone the urgent one is in time.
    kind = a_kind()
    backlog = a_backlog(
        a_job("soon", kind, due=100.0, seconds=100), a_job("later", kind, due=9 * DAY_S, seconds=100)
    )

    made = plan(backlog)

    assert (made.score.lateness, made.score.loads) == (0, 2)
    assert made.done["soon"] == 100.0


def test_units_with_time_to_spare_share_a_load() -> None:
    kind = a_kind()

    made = plan(a_backlog(a_job("1", kind), a_job("2", kind)))

    assert [load.jobs for load in made.loads] == [("1", "2")]


def test_the_plate_is_changed_no_more_often_than_needed() -> None:
    on_p, on_q = a_kind("p", "A"), a_kind("q", "A", plate="Q")
    backlog = a_backlog(
        *(a_job(f"p{n}", on_p) for n in range(3)),
        *(a_job(f"q{n}", on_q) for n in range(3)),
        stations=(a_plan_station(plates=("P", "Q"), plate_change_seconds=60.0),),
        plates=(a_plan_plate(slots="A"), a_plan_plate("Q", "A")),
    )

    made = plan(backlog)

    assert (made.score.lateness, made.score.loads, made.score.changes) == (0, 6, 1)


def test_an_order_is_not_split_without_need() -> None:
    kind = a_kind()
    jobs = [a_job(f"{n}", kind, order=f"o{n % 2}") for n in range(4)]

    made = plan(a_backlog(*jobs))

    assert made.score.split == 0


def test_units_that_stand_near_one_another_are_pulled_together() -> None:
    kind = a_kind()
    jobs = [a_job(f"{n}", kind, bin=place) for n, place in enumerate([1, 90, 2, 91])]

    made = plan(a_backlog(*jobs))

    assert made.score.walking == 2


def test_mixed_plates_are_filled_by_matching() -> None:
    wide, narrow = a_kind("wide", "AB"), a_kind("narrow", "A")

    made = plan(a_backlog(a_job("wide", wide), a_job("narrow", narrow)))

    assert {f.slot: f.job for f in made.loads[0].turns[0]} == {"A": "narrow", "B": "wide"}


def test_a_weighty_job_goes_first_where_one_must_be_late() -> None:
    kind = a_kind(slots="A")
    backlog = a_backlog(
        a_job("light", kind, due=60.0),
        a_job("heavy", kind, due=60.0, weight=5),
        plates=(a_plan_plate(slots="A"),),
    )

    made = plan(backlog)

    assert made.score.lateness == 1 == made.bound.lateness
    assert made.done["heavy"] == 60.0


# --- what a plan keeps to ---


def test_both_faces_are_burned_in_one_load_where_the_plate_can() -> None:
    backlog = a_backlog(a_job("1", a_kind(faces=("mark", "pile"))))

    made = plan(backlog)

    assert [[f.face for f in turn] for turn in made.loads[0].turns] == [["mark"], ["pile"]]
    assert made.loads[0].turns[0][0].slot == made.loads[0].turns[1][0].slot
    assert codes(backlog, made) == set()


def test_a_job_makes_two_visits_in_order_where_no_plate_takes_both_faces() -> None:
    options = (Option("P", "A", "mark", "satin", 0, 1), Option("Q", "A", "pile", "satin", 0, 1))
    kind = Kind("two", "two", ("mark", "pile"), {"s1": options})
    backlog = a_backlog(
        a_job("1", kind),
        stations=(a_plan_station(plates=("P", "Q")),),
        plates=(a_plan_plate(slots="A"), a_plan_plate("Q", "A")),
    )

    made = plan(backlog)

    assert [load.plate for load in made.loads] == ["P", "Q"]
    assert made.loads[1].prepares >= made.loads[0].ends
    assert codes(backlog, made) == set()


def test_what_no_plate_takes_is_said_and_not_dropped() -> None:
    nowhere = a_kind("nowhere", stations=("gone",))

    made = plan(a_backlog(a_job("1", nowhere), a_job("2", a_kind())))

    assert made.unplanned == {"1": NO_PLACE}
    assert set(made.done) == {"2"}


def test_what_burns_longer_than_any_open_stretch_is_said() -> None:
    backlog = a_backlog(
        a_job("1", a_kind(), seconds=5 * HOUR_S), stations=(a_plan_station(hours=OFFICE),), now=8 * HOUR_S
    )

    assert plan(backlog).unplanned == {"1": TOO_LONG}


def test_seats_at_different_heights_are_not_mixed_in_one_turn() -> None:
    low, high = a_kind("low", low_mm=0, high_mm=1), a_kind("high", low_mm=5, high_mm=6)
    backlog = a_backlog(a_job("1", low), a_job("2", high))

    made = plan(backlog)

    assert len(made.loads) == 2
    assert codes(backlog, made) == set()


@pytest.mark.parametrize("faces", [("mark",), ("mark", "pile")])
def test_one_high_surface_among_many_flat_ones_is_planned_like_any_other(faces: tuple[str, ...]) -> None:
    # A handle that lies at 21 to 25 mm, and flat units whose words differ, on one plate.
    flat = [a_kind(f"flat{n}", faces=faces, low_mm=1.0 + 0.01 * n, high_mm=3.0 + 0.01 * n) for n in range(12)]
    high = a_kind("high", faces=faces, low_mm=21.0, high_mm=25.0)
    backlog = a_backlog(*(a_job(kind.kind, kind) for kind in (*flat, high)))

    made = plan(backlog)

    assert made.unplanned == {} and made.score.loads == 7
    assert codes(backlog, made) == set()


def test_a_unit_that_is_nowhere_in_focus_is_named_and_the_others_are_planned() -> None:
    blurred = a_kind("blurred", low_mm=4.0, high_mm=3.0)
    backlog = a_backlog(a_job("1", blurred), a_job("2", a_kind()))

    made = plan(backlog)

    assert made.unplanned == {"1": OUT_OF_FOCUS}
    assert set(made.done) == {"2"} and codes(backlog, made) == set()


def test_a_place_that_the_plate_no_longer_has_is_no_place() -> None:
    gone = a_kind("gone", slots="Z")

    made = plan(a_backlog(a_job("1", gone), a_job("2", a_kind(slots="ZA"))))

    assert made.unplanned == {"1": NO_PLACE}
    assert set(made.done) == {"2"}


def a_kind_at(
    number: int, *, first: tuple[float, float], second: tuple[float, float] | None, slots: str
) -> Kind:
    """Units whose faces lie at heights of their own."""
    ranges = {"mark": first} if second is None else {"mark": first, "pile": second}
    options = tuple(
        Option("P", slot, face, "satin", low, low + tolerance)
        for face, (low, tolerance) in ranges.items()
        for slot in slots
    )
    return Kind(f"k{number}", f"b{number}", tuple(ranges), {"s1": options})


HEIGHT = st.tuples(st.floats(0.0, 40.0), st.floats(-1.0, 6.0))


@settings(max_examples=20, deadline=None)
@given(
    drawn=st.lists(
        st.tuples(HEIGHT, st.none() | HEIGHT, st.sampled_from(["A", "B", "AB", "ABC"])),
        min_size=1,
        max_size=14,
    )
)
def test_at_whatever_heights_surfaces_lie_each_unit_is_planned_or_named(
    drawn: list[tuple[tuple[float, float], tuple[float, float] | None, str]],
) -> None:
    kinds = [
        a_kind_at(n, first=first, second=second, slots=slots)
        for n, (first, second, slots) in enumerate(drawn)
    ]
    backlog = a_backlog(
        *(a_job(kind.kind, kind) for kind in kinds), plates=(a_plan_plate(slots="ABC", copies=2),)
    )

    made = plan(backlog, rounds=50)

    never = {k.kind for k in kinds if any(o.low_mm > o.high_mm for o in k.options["s1"])}
    assert made.unplanned == dict.fromkeys(never, OUT_OF_FOCUS)
    assert codes(backlog, made) == set()


def test_the_next_load_is_prepared_while_one_burns_when_there_is_a_second_copy() -> None:
    kind = a_kind(slots="A")
    jobs = (a_job("1", kind, seconds=100), a_job("2", kind, seconds=100))
    station = a_plan_station(load_seconds=50.0)

    two, one = (
        plan(a_backlog(*jobs, stations=(station,), plates=(a_plan_plate(slots="A", copies=n),)))
        for n in (2, 1)
    )

    assert max(load.ends for load in two.loads) == 50 + 100 + 100
    assert max(load.ends for load in one.loads) == 50 + 100 + 50 + 100


def test_two_stations_share_a_backlog_and_its_copies() -> None:
    kind = a_kind(slots="A", stations=("s1", "s2"))
    backlog = a_backlog(
        *(a_job(f"{n}", kind) for n in range(6)),
        stations=(a_plan_station("s1"), a_plan_station("s2")),
        plates=(a_plan_plate(slots="A", copies=2),),
    )

    made = plan(backlog)

    assert {load.station for load in made.loads} == {"s1", "s2"}
    assert codes(backlog, made) == set()


def test_bare_blades_fill_free_slots_but_make_no_order_late() -> None:
    kind = a_kind()
    lot = PlanLot("LOT1", kind, 5, 60.0, 9 * DAY_S)
    tight = a_backlog(a_job("1", kind, due=60.0), lots=(lot,))
    loose = a_backlog(a_job("1", kind), lots=(lot,))

    made_tight, made_loose = plan(tight), plan(loose)

    assert made_tight.score.lateness == 0 and made_tight.loads[0].blades == 0
    assert made_loose.loads[0].blades == 1
    assert sum(load.blades for load in made_tight.loads) == sum(load.blades for load in made_loose.loads) == 5
    assert codes(tight, made_tight) == codes(loose, made_loose) == set()


def test_the_same_backlog_gives_the_same_plan() -> None:
    backlog = a_busy_backlog(30, seed=5, days=1)

    assert plan(backlog) == plan(backlog)


@pytest.mark.parametrize("count", [1_000, pytest.param(10_000, marks=pytest.mark.long)])
def test_large_backlogs_with_loose_dates_need_no_more_loads_than_the_bound_and_one_per_cent(
    count: int,
) -> None:
    backlog = a_busy_backlog(count, seed=count, days=90)

    made = plan(backlog)

    assert made.score.loads <= made.bound.loads * 1.01
    assert codes(backlog, made) == set()


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 10_000), count=st.integers(1, 40), days=st.integers(1, 3))
def test_every_plan_passes_the_judge_and_no_bound_is_beaten(seed: int, count: int, days: int) -> None:
    backlog = a_busy_backlog(count, seed=seed, days=days)

    made = plan(backlog, rounds=100)

    assert codes(backlog, made) == set()
    assert made.bound.lateness <= made.score.lateness
    assert made.bound.loads <= made.score.loads
    assert set(made.done) | set(made.unplanned) == {job.job for job in backlog.jobs}


# --- the judge sees what is wrong ---


def a_plan_of_two() -> tuple[Backlog, Plan]:
    kind = a_kind(slots="A")
    backlog = a_backlog(
        a_job("1", kind),
        a_job("2", kind),
        plates=(a_plan_plate(slots="A", copies=2),),
        stations=(a_plan_station(load_seconds=10.0),),
    )
    return backlog, plan(backlog)


def test_the_judge_refuses_each_fault() -> None:
    backlog, made = a_plan_of_two()
    first, second = made.loads
    wrong = {
        "job_twice": replace(made, loads=(first, replace(second, turns=first.turns))),
        "job_missing": replace(made, loads=(first,)),
        "unknown_job": replace(
            made, loads=(first, replace(second, turns=((Filled("A", "mark", job="9"),),)))
        ),
        "not_eligible": replace(
            made, loads=(first, replace(second, turns=((Filled("Z", "mark", job="2"),),)))
        ),
        "unknown_copy": replace(made, loads=(first, replace(second, copy="P-9"))),
        "copy_in_use": replace(made, loads=(first, replace(second, copy=first.copy))),
        "two_burning": replace(
            made, loads=(first, replace(second, begins=second.begins - 30, ends=second.ends - 30))
        ),
        "two_preparing": replace(made, loads=(first, replace(second, prepares=0.0))),
        "wrong_time": replace(made, loads=(first, replace(second, ends=second.ends + 7))),
        "not_prepared": replace(made, loads=(first, replace(second, prepares=second.begins))),
        "plate_not_mountable": replace(made, loads=(first, replace(second, plate="Q"))),
        "wrong_promise": replace(made, done={**made.done, "2": 5.0}),
        "lot_too_large": replace(
            made, loads=(first, replace(second, turns=((Filled("A", "mark", lot="L"),),)))
        ),
    }

    assert codes(backlog, made) == set()
    assert {code for code, bad in wrong.items() if code not in codes(backlog, bad)} == set()


def test_the_judge_refuses_burning_outside_hours() -> None:
    night = a_plan_station(hours=Hours.of_week({0: ((8 * HOUR_S, 12 * HOUR_S),)}))
    backlog = a_backlog(a_job("1", a_kind()), stations=(a_plan_station(),))

    made = plan(backlog)

    assert "outside_hours" in codes(replace(backlog, stations=(night,)), made)


def test_an_order_is_never_later_for_a_job_that_was_not_there() -> None:
    kind = a_kind(slots="A")
    jobs = tuple(PlanJob(f"{n}", f"o{n}", kind, 60.0 * (n + 1), 60.0) for n in range(5))

    made = plan(a_backlog(*jobs, plates=(a_plan_plate(slots="A"),)))

    assert made.score.lateness == 0


def test_the_bound_knows_that_a_load_has_one_head_height_a_turn() -> None:
    """Four slots; five units in focus low down, five high up. Slots alone allow three loads for ten; at one
    height each it is two and two."""
    kinds = [a_kind(f"k{low}", "ABCD", low_mm=low, high_mm=low + 1.0) for low in (0.0, 5.0)]
    jobs = [a_job(f"J{n}", kinds[n % 2]) for n in range(10)]

    made = plan(a_backlog(*jobs, plates=(a_plan_plate(slots="ABCD"),)), rounds=0)

    assert made.bound.loads == made.score.loads == 4


def test_the_bound_counts_turning_over_where_hours_are_short() -> None:
    """An hour a stretch; each unit burns two faces of 14 min and is turned over for 5 min: 33 min, so that no
    two share a stretch. Without turning they would."""
    hours = Hours.of_week(dict.fromkeys(range(5), ((8 * HOUR_S, 9 * HOUR_S),)))
    station = a_plan_station(hours=hours, turn_seconds=300.0)
    jobs = [a_job(f"J{n}", a_kind(faces=("mark", "pile")), seconds=840.0) for n in range(4)]

    made = plan(a_backlog(*jobs, stations=(station,)), rounds=0)

    assert made.bound.loads == made.score.loads == 4
