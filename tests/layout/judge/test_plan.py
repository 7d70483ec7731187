"""The judge of plans against one plan written by hand: each fault is named, and what is just right passes.

Every time is worked out from the backlog's figures, so that the plan is right to the second and a second
more or less is not.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from layout.judge.plan import TIME_TOLERANCE_S, inspect_plan
from layout.loading.backlog import Backlog, Bound, Kind, Plan, PlanLot, PlannedLoad, Score
from layout.loading.values import Filled, Option
from layout.shop.hours import DAY_S, WEEK_S, Hours
from tests.planning import HOUR_S, a_job, a_kind, a_plan_plate, a_plan_station

#: Monday to Friday from 8 to 12, in the second week since the clock began.
MORNINGS = Hours.of_week(dict.fromkeys(range(5), ((8 * HOUR_S, 12 * HOUR_S),)))
OPENS = WEEK_S + 8 * HOUR_S
#: 60 s a face, 10 s to seat a unit, 5 s to turn one over.
BURN_S, SEAT_S, TURN_S, CHANGE_S = 60.0, 10.0, 5.0, 120.0
SLACK_S = TIME_TOLERANCE_S / 2


def the_backlog() -> Backlog:
    both = a_kind("both", "ABC", faces=("mark", "pile"))
    bare = a_kind("bare", "AB", plate="Q", low_mm=1.0, high_mm=2.0)
    parted = Kind(
        "parted",
        "hori",
        ("mark", "pile"),
        {
            "s1": tuple(Option("P", s, "mark", "satin", 0.0, 1.0) for s in "ABC")
            + tuple(Option("Q", s, "pile", "satin", 0.0, 1.0) for s in "AB")
        },
    )
    return Backlog(
        now=OPENS,
        jobs=(
            a_job("1", both, seconds=BURN_S),
            a_job("2", a_kind("one", "ABC"), seconds=BURN_S),
            a_job("3", a_kind("other", "AB", plate="Q"), seconds=BURN_S),
            a_job("4", parted, seconds=BURN_S),
            a_job("5", a_kind("nowhere", plate="X"), seconds=BURN_S),
        ),
        stations=(
            a_plan_station(
                "s1",
                ("P", "Q"),
                hours=MORNINGS,
                load_seconds=SEAT_S,
                turn_seconds=TURN_S,
                plate_change_seconds=CHANGE_S,
                process_change_seconds=60.0,
                plate_on="P",
                free_at=OPENS,
                hands_free_at=OPENS,
            ),
        ),
        plates=(a_plan_plate("P", "ABC", free=OPENS), a_plan_plate("Q", "AB", free=OPENS)),
        lots=(PlanLot("lot", bare, 1, BURN_S, 30 * DAY_S),),
    )


def the_plan() -> Plan:
    """Jobs 1, 2 and 4, job 1 turned over; on the other plate job 3 beside a blade; then job 4 again."""
    first_begins = OPENS + 3 * SEAT_S
    first_ends = first_begins + 4 * BURN_S + TURN_S
    second_ends = first_ends + CHANGE_S + 2 * BURN_S
    third_ends = second_ends + BURN_S
    return Plan(
        loads=(
            PlannedLoad(
                "s1",
                "P",
                "P-1",
                (
                    (
                        Filled("A", "mark", job="1"),
                        Filled("B", "mark", job="2"),
                        Filled("C", "mark", job="4"),
                    ),
                    (Filled("A", "pile", job="1"),),
                ),
                OPENS,
                first_begins,
                first_ends,
                0,
            ),
            PlannedLoad(
                "s1",
                "Q",
                "Q-1",
                ((Filled("A", "mark", lot="lot"), Filled("B", "mark", job="3")),),
                first_begins,
                first_ends,
                second_ends,
                1,
            ),
            PlannedLoad(
                "s1", "Q", "Q-2", ((Filled("A", "pile", job="4"),),), first_ends, second_ends, third_ends, 0
            ),
        ),
        done={"1": first_ends, "2": first_ends, "3": second_ends, "4": third_ends},
        score=Score(0, 3, 1, 0, 0),
        bound=Bound(0, 0),
        unplanned={"5": "no_place"},
    )


def codes(backlog: Backlog, plan: Plan) -> list[str]:
    return sorted({finding.code for finding in inspect_plan(backlog, plan)})


def with_load(number: int, **changes: Any) -> Plan:
    """The plan with something changed of one load; what is done with it when it ends is done then."""
    plan = the_plan()
    before = plan.loads[number]
    after = replace(before, **changes)
    loads = (*plan.loads[:number], after, *plan.loads[number + 1 :])
    done = {job: after.ends if at == before.ends else at for job, at in plan.done.items()}
    return replace(plan, loads=loads, done=done)


def seated(number: int, *turns: str) -> Plan:
    """The plan with other units in one load: `1A 2B` puts job 1 into A; `lC` a blade of the lot into C."""
    faces = ("mark", "pile")
    made = tuple(
        tuple(
            Filled(s[1], faces[n], lot="lot") if s[0] == "l" else Filled(s[1], faces[n], job=s[0])
            for s in turn.split()
        )
        for n, turn in enumerate(turns)
    )
    return with_load(number, turns=made)


def moved(number: int, *, prepares: float = 0.0, begins: float = 0.0, ends: float = 0.0) -> Plan:
    load = the_plan().loads[number]
    return with_load(
        number, prepares=load.prepares + prepares, begins=load.begins + begins, ends=load.ends + ends
    )


def again_on(copy: str, *, after: float) -> Plan:
    """The last load on the copy of the one before, prepared so long after that has ended."""
    before, last = the_plan().loads[1:]
    begins = before.ends + after + SEAT_S
    return with_load(
        2, copy=copy, prepares=before.ends + after, begins=begins, ends=begins + last.ends - last.begins
    )


def listed_backwards(plan: Plan) -> Plan:
    return replace(plan, loads=plan.loads[::-1])


def test_the_plan_as_it_stands_can_be_carried_out() -> None:
    assert inspect_plan(the_backlog(), the_plan()) == ()


@pytest.mark.parametrize(
    ("plan", "code"),
    [
        (seated(0, "1A 2B 4C 9A", "1A"), "unknown_job"),
        (seated(0, "1A 2B 4C", "1A 2B"), "wrong_face"),
        (seated(1, "lA 3B 2B"), "job_twice"),
        (seated(0, "1A 4C", "1A"), "job_missing"),
        (seated(0, "1A 2B 4C"), "job_missing"),
        (replace(the_plan(), unplanned={}), "job_missing"),
        (replace(the_plan(), unplanned={"5": "", "1": ""}), "job_both"),
        (seated(1, "lA 3B lB"), "lot_too_large"),
        (with_load(0, copy="P-9"), "unknown_copy"),
        (with_load(0, plate="X"), "plate_not_mountable"),
        (with_load(0, station="s9"), "plate_not_mountable"),
        (seated(0, "1A 2B 4C", "1A lB"), "lot_turned"),
        (seated(0, "1A 2A 4C", "1A"), "slot_twice"),
        (seated(1, "lA 3Z"), "not_eligible"),
        (seated(0, "2B 4C", "1A"), "not_turned"),
    ],
)
def test_what_sits_where_it_may_not_is_named(plan: Plan, code: str) -> None:
    assert code in codes(the_backlog(), plan)


@pytest.mark.parametrize(
    ("plan", "wrong"),
    [
        # The first load burns 245 s: neither a second less nor, without a change of plate, a second more.
        (moved(0, ends=-1.0), ["wrong_time"]),
        (moved(2, ends=1.0), ["wrong_time"]),
        # With a change up to the longest change more: no longer than that, and no less than it burns.
        (moved(2, begins=1.0, ends=1.0), []),
        (with_load(1, ends=the_plan().loads[1].begins + 2 * BURN_S), []),
        (with_load(1, ends=the_plan().loads[1].begins + 2 * BURN_S - 1), ["wrong_time"]),
        (moved(1, ends=1.0), ["two_burning", "wrong_time"]),
        # Laser, hands, plate copies and seating: a second too early.
        (moved(0, prepares=-1.0), ["copy_in_use", "too_early"]),
        (moved(0, begins=-1.0, ends=-1.0), ["not_prepared"]),
        (moved(1, prepares=-1.0), ["two_preparing"]),
        (moved(1, begins=-1.0, ends=-1.0), ["two_burning"]),
        (moved(2, prepares=-1.0), ["two_places", "two_preparing"]),
        (moved(2, begins=-1.0, ends=-1.0), ["two_burning"]),
        (with_load(2, copy="Q-1"), ["copy_in_use"]),
        # The same copy again, fetched when the load before has ended; a second too early.
        (again_on("Q-1", after=0.0), []),
        (again_on("Q-1", after=-SLACK_S), []),
        (again_on("Q-1", after=-1.0), ["copy_in_use"]),
        (listed_backwards(again_on("Q-1", after=0.0)), []),
        (with_load(1, changes=0, ends=the_plan().loads[1].begins + 2 * BURN_S), ["change_not_counted"]),
        # Within the tolerance nothing is wrong.
        (moved(0, prepares=-SLACK_S), []),
        (moved(0, begins=-SLACK_S, ends=-SLACK_S), []),
        (moved(1, prepares=-SLACK_S), []),
        (moved(2, begins=-SLACK_S, ends=-SLACK_S), []),
        (moved(2, prepares=-SLACK_S), []),
        (moved(2, ends=SLACK_S), []),
        (moved(0, ends=-SLACK_S), []),
    ],
)
def test_times_are_right_to_the_second(plan: Plan, wrong: list[str]) -> None:
    assert codes(the_backlog(), plan) == wrong


@pytest.mark.parametrize(
    ("day", "wrong"),
    [(4, []), (5, ["not_prepared", "outside_hours"]), (7, ["not_prepared", "outside_hours"])],
)
def test_a_load_burns_on_working_days_alone(day: int, wrong: list[str]) -> None:
    """Put off to Friday, to a Saturday, and to a Monday on which the shop is shut."""
    later = day * DAY_S
    hours = replace(MORNINGS, shut=frozenset({14}))
    backlog = replace(the_backlog(), stations=(replace(the_backlog().stations[0], hours=hours),))

    assert codes(backlog, moved(2, prepares=later, begins=later, ends=later)) == wrong


def test_a_load_does_not_burn_over_the_end_of_the_day() -> None:
    third = the_plan().loads[2]
    to_noon = WEEK_S + 12 * HOUR_S - third.ends

    assert codes(the_backlog(), moved(2, begins=to_noon, ends=to_noon)) == []
    assert codes(the_backlog(), moved(2, begins=to_noon + 1, ends=to_noon + 1)) == ["outside_hours"]


def test_a_promise_is_the_end_of_the_last_visit() -> None:
    plan = the_plan()
    early = {**plan.done, "4": plan.loads[0].ends}

    assert codes(the_backlog(), replace(plan, done=early)) == ["wrong_promise"]
    assert codes(the_backlog(), replace(plan, done={**plan.done, "4": plan.done["4"] - SLACK_S})) == []


def test_faces_are_burned_in_their_order() -> None:
    plan = the_plan()
    turned = ((Filled("A", "pile", job="1"), *plan.loads[0].turns[0][1:]), (Filled("A", "mark", job="1"),))

    assert codes(the_backlog(), with_load(0, turns=turned)) == ["wrong_order"]


def test_units_of_a_turn_share_a_head_height() -> None:
    """Job 3 is sharp from 0 to 1 mm, the blade beside it from 1 to 2: the head stands at 1."""
    backlog = the_backlog()
    (lot,) = backlog.lots
    higher = a_kind("bare", "AB", plate="Q", low_mm=1.001, high_mm=2.0)

    assert codes(replace(backlog, lots=(replace(lot, kind=higher),)), the_plan()) == ["out_of_focus"]


@pytest.mark.parametrize(("after_s", "is_free"), [(59.0, False), (60.0 - SLACK_S, True), (60.0, True)])
def test_a_copy_is_fetched_again_once_what_burned_on_it_was_looked_at(after_s: float, is_free: bool) -> None:
    """Two units, each looked at and taken out in half a minute by the one who is there."""
    backlog = the_backlog()
    station = replace(backlog.stations[0], look_seconds=30.0)

    wrong = codes(replace(backlog, stations=(station,)), again_on("Q-1", after=after_s))

    assert ("copy_in_use" not in wrong) == is_free
