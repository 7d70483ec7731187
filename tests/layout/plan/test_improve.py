"""The compiled search against the clock that it copies, and what comes out of it."""

from __future__ import annotations

from dataclasses import replace
from random import Random

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from layout.loading.backlog import Backlog, Bound, Kind, PlanJob, PlanPlate, PlanStation
from layout.loading.values import Option
from layout.plan.search import threshold_accepting
from layout.plan.search.arrays import MOST_PROCESSES, arrays_of
from layout.plan.search.improve import (
    NO_PART_WORSE,
    draft_of,
    improve_dates,
    improve_sum,
    judged_by,
    loads_in,
)
from layout.plan.search.problem import Load, Problem
from layout.plan.search.search import score
from layout.plan.search.seating import fits
from layout.plan.search.timing import time_all
from layout.shop.hours import DAY_S, Hands, Hours
from layout.shop.plan_weights import ScoreWeights
from tests.planning import HOUR_S, OFFICE, a_backlog, a_busy_backlog, a_job, a_kind

#: Tuesdays and Fridays, 10 to 19.
LATE = Hours.of_week(dict.fromkeys((1, 4), ((10 * HOUR_S, 19 * HOUR_S),)))
ALL = threshold_accepting.FOR_ALL
#: No part of the weighted sum has a limit.
ANYTHING = np.full(threshold_accepting.PARTS, np.inf)


def a_mixed_backlog(seed: int, count: int) -> Backlog:
    """Units that are turned over, make two visits, sit at different heights; stations with and without hours,
    one of which has a plate and a process at hand; copies that come free later."""
    chance = Random(seed)
    low, high = (0.0, 1.0), (5.0, 6.0)
    kinds = [
        a_mixed_kind("turned", ("mark", "pile"), ("P", "P"), ("a", "a"), low),
        a_mixed_kind("two visits", ("mark", "pile"), ("P", "Q"), ("a", "b"), low),
        a_mixed_kind("low", ("mark",), ("P",), ("b",), low),
        a_mixed_kind("high", ("mark",), ("P",), ("a",), high),
        a_mixed_kind("other", ("mark",), ("Q",), ("c",), low),
    ]
    jobs = tuple(
        PlanJob(
            f"J{n}",
            f"O{chance.randrange(1 + count // 2)}",
            chance.choice(kinds),
            chance.randrange(4) * DAY_S + 17 * HOUR_S,
            chance.uniform(100.0, 6000.0),
            weight=chance.choice([1, 2, 5]),
            bin=chance.choice([None, chance.randrange(40)]),
            promised=chance.choice([None, chance.uniform(0.0, 4.0) * DAY_S]),
        )
        for n in range(count)
    )
    stations = (
        PlanStation(
            "s1",
            ("P", "Q"),
            OFFICE,
            turn_seconds=45.0,
            plate_change_seconds=120.0,
            process_change_seconds=60.0,
            hands=Hands(((OFFICE, 0.5), (LATE, 1.0))),
            look_seconds=20.0,
            finish_seconds=40.0,
        ),
        PlanStation(
            "s2",
            ("P", "Q"),
            free_at=9 * HOUR_S,
            plate_on="Z",
            process_on="b",
            finish_seconds=600.0,
            finishing_s=1_800.0,
        ),
    )
    plates = (
        PlanPlate("P", tuple("ABCD"), {"P-1": 0.0, "P-2": 9 * HOUR_S}),
        PlanPlate("Q", tuple("ABC"), {"Q-1": 10 * HOUR_S}),
    )
    return Backlog(8 * HOUR_S, jobs, stations, plates)


def a_mixed_kind(
    name: str,
    faces: tuple[str, ...],
    plates: tuple[str, ...],
    processes: tuple[str, ...],
    focus: tuple[float, float],
) -> Kind:
    options = tuple(
        Option(plate, slot, face, process, *focus)
        for face, plate, process in zip(faces, plates, processes, strict=True)
        for slot in ("ABCD" if name != "low" else "AB")
    )
    return Kind(name, name, faces, {"s1": options, "s2": options})


def alone(problem: Problem) -> list[Load]:
    """Every unit in a load of its own, in order."""
    return [(min(problem.sorts[unit.sort].fits), (unit.unit,)) for unit in problem.units]


@settings(max_examples=60, deadline=None)
@given(seed=st.integers(0, 10_000), count=st.integers(2, 25), rounds=st.sampled_from([1, 10, 2_000]))
def test_the_search_times_plans_as_the_clock_does(seed: int, count: int, rounds: int) -> None:
    problem = Problem(a_mixed_backlog(seed, count))
    loads = alone(problem)
    arrays = arrays_of(problem, max(one.boxed for one in time_all(problem, loads)[1]))
    assert arrays is not None
    draft, best = draft_of(arrays, loads), draft_of(arrays, ())

    count_best = threshold_accepting.improve_draft(
        arrays,
        draft,
        len(loads),
        np.ones(9),
        judged_by(problem.backlog.weights),
        ANYTHING,
        1e9,
        np.array([rounds, rounds, 0, ALL]),
        np.array([seed], dtype=np.uint64),
        best,
    )

    # With that threshold every change that can be carried out is taken, good or bad.
    now = loads_in(draft, int(np.sum(draft.load["size"][: len(draft.order)] > 0)))
    timetable, timed = time_all(problem, now)
    places = range(len(now))
    assert [draft.load[draft.order[place]]["ends"] for place in places] == pytest.approx(
        [one.boxed for one in timed], abs=1e-6
    )
    assert sorted(timetable.ends) == list(range(len(problem.units)))
    left_out, judged = score(problem, now)
    costs = draft.costs[len(now)]
    assert (left_out, costs[threshold_accepting.LATENESS]) == (0, judged.lateness)
    assert costs[threshold_accepting.CHANGES] == judged.changes
    assert costs[threshold_accepting.WAITING] == pytest.approx(judged.waiting)
    assert costs[threshold_accepting.NEAR_CUTOFF] == pytest.approx(judged.near_cutoff)
    assert all(fits(problem, load) for load in now)
    rows = draft.load[draft.order[: len(now)]]
    assert rows["orders"].sum() - len({job.order for job in problem.jobs}) == judged.split
    assert rows["walking"].sum() == judged.walking
    assert rows["turned"].sum() == judged.turned
    assert score(problem, loads_in(best, count_best)) <= min(score(problem, loads), score(problem, now))


@pytest.mark.parametrize("seed", range(6))
def test_no_room_is_found_that_is_not_there_and_none_is_missed(seed: int) -> None:
    """`seating.fits` says the same of loads drawn at random, whether they can be or not."""
    problem, chance = Problem(a_mixed_backlog(seed, 30)), Random(seed)
    arrays = arrays_of(problem, 10 * DAY_S)
    assert arrays is not None
    scratch = np.zeros((4, 40), dtype=np.int64)
    said = []
    for _ in range(300):
        units = tuple(chance.sample(range(len(problem.units)), chance.randint(1, 5)))
        load = (chance.randrange(len(problem.mounts)), units)
        draft = draft_of(arrays, ())
        draft.load[0]["mount"], draft.load[0]["size"] = load[0], min(len(units), draft.units.shape[1])
        draft.units[0, : len(units)] = units
        said.append(fits(problem, load))
        assert threshold_accepting._holds(arrays, draft, 0, scratch) == said[-1], load
    assert 30 < sum(said) < 270


def test_what_is_as_it_was_need_not_be_timed_again() -> None:
    """Costs of changed plans, timed to where all is as it was and timed to the end."""
    problem = Problem(a_busy_backlog(80, seed=7, days=2))
    loads = alone(problem)
    arrays = arrays_of(problem, 20 * DAY_S)
    assert arrays is not None
    draft, dice = draft_of(arrays, loads), np.array([7], dtype=np.uint64)
    touched, scratch = (
        np.zeros(threshold_accepting.SAVED + 2, dtype=np.int64),
        np.zeros((4, 40), dtype=np.int64),
    )
    assert threshold_accepting._begin(arrays, draft, len(loads), scratch)
    count, shorter = len(loads), 0
    for trial in range(1, 4_000, 2):
        draft.tried[:] = draft.order
        touched[:] = 0
        first, last, now = threshold_accepting._change(
            arrays, draft, count, dice, touched, threshold_accepting.FOR_ALL
        )
        if first < 0 or not threshold_accepting._hold_all(arrays, draft, touched, scratch):
            threshold_accepting._take_back(draft, touched)
            continue
        found = []
        for number, until in ((trial, last), (trial + 1, now)):
            changed = (first, until, now)
            if threshold_accepting._costs_no_more(arrays, draft, np.ones(9), 1e18, changed, count, number):
                found.append((*draft.costs[-1], draft.load[draft.tried[now - 1]]["trial"]))
        assert [one[:-1] for one in found[:1]] == [pytest.approx(one[:-1], abs=1e-3) for one in found[1:]]
        shorter += bool(found) and found[0][-1] != trial
        if trial % 5 or not found:
            threshold_accepting._take_back(draft, touched)
        else:
            assert threshold_accepting._keep_tried(arrays, draft, first, now, trial)
            count = now
    assert count < len(loads) and shorter > 100


def test_an_improved_plan_is_the_same_every_time_and_no_worse() -> None:
    problem = Problem(a_busy_backlog(60, seed=5, days=2))
    loads = alone(problem)

    plans = [improve_dates(problem, loads, Bound(0, 0), tries=3_000) for _ in range(2)]

    assert plans[0] == plans[1]
    assert score(problem, plans[0]) < score(problem, loads)
    assert improve_dates(problem, loads, Bound(0, 0), tries=3_000, seed=2) != plans[0]


def test_a_lighter_plan_is_neither_later_nor_of_more_loads() -> None:
    problem = Problem(a_busy_backlog(60, seed=5, days=9))
    loads = improve_dates(problem, alone(problem), Bound(0, 0), tries=20_000)
    before = score(problem, loads)[1]

    after = score(problem, improve_sum(problem, loads, tries=20_000, without_gain=20_000))[1]

    assert (after.lateness, after.loads) == (before.lateness, before.loads)
    assert after.weighted < before.weighted


def test_no_part_gets_much_worse_than_in_the_plan_it_is_held_against() -> None:
    near, soon = (
        Problem(replace(a_busy_backlog(60, seed=5, days=9), weights=weights))
        for weights in (ScoreWeights(walking=1.0, waiting=0.0, changes=0.0), ScoreWeights(waiting=1e3))
    )
    loads = improve_dates(near, alone(near), Bound(0, 0), tries=20_000)
    loads = improve_sum(near, loads, tries=20_000, without_gain=20_000)
    problem, before = soon, score(soon, loads)[1]

    free, held = (
        score(problem, improve_sum(problem, loads, tries=20_000, without_gain=20_000, like=like))[1]
        for like in (None, before)
    )

    limit = (1 + NO_PART_WORSE) * before.walking
    assert free.walking > limit >= held.walking
    assert free.weighted < held.weighted < before.weighted


def test_the_search_ends_when_nothing_has_been_gained_for_long() -> None:
    problem = Problem(a_busy_backlog(12, seed=5, days=9))
    arrays = arrays_of(problem, 20 * DAY_S)
    assert arrays is not None
    loads = alone(problem)
    draft, counts = draft_of(arrays, loads), np.array([1_000_000, 2_000, 0, ALL])

    threshold_accepting.improve_draft(
        arrays,
        draft,
        len(loads),
        np.ones(9),
        np.ones(9),
        ANYTHING,
        0.0,
        counts,
        np.array([1], dtype=np.uint64),
        draft_of(arrays, ()),
    )

    assert 2_000 <= counts[2] < 100_000


def test_a_shop_with_more_processes_than_can_be_told_apart_keeps_its_plan() -> None:
    kinds = [a_kind(f"k{n}", process=f"p{n}") for n in range(MOST_PROCESSES + 1)]
    problem = Problem(a_backlog(*(a_job(str(n), kind) for n, kind in enumerate(kinds))))
    loads = alone(problem)

    assert improve_dates(problem, loads, Bound(0, 0), tries=100) == loads
    assert improve_sum(problem, loads, tries=100, without_gain=100) == loads


def test_a_plan_that_its_shop_can_not_carry_out_is_left_as_it_is() -> None:
    backlog = a_mixed_backlog(1, 10)
    problem = Problem(replace(backlog, stations=backlog.stations[:1]))
    loads = alone(problem)
    arrays = arrays_of(problem, problem.backlog.now)  # laid out far too short for what is planned
    assert arrays is not None
    arrays = arrays._replace(station=arrays.station.copy())
    arrays.station["spans_to"] = arrays.station["spans_from"] + 1
    draft = draft_of(arrays, loads)

    assert (
        threshold_accepting.improve_draft(
            arrays,
            draft,
            len(loads),
            np.ones(9),
            np.ones(9),
            ANYTHING,
            0.0,
            np.array([10, 10, 0, 24]),
            np.array([1], dtype=np.uint64),
            draft_of(arrays, ()),
        )
        < 0
    )
