"""Loads that fill the open stretches hold everything once and burn no longer than a stretch."""

from __future__ import annotations

from dataclasses import replace
from random import Random

from hypothesis import given, settings
from hypothesis import strategies as st

from layout.loading.backlog import Backlog
from layout.plan.search.bins import fullest
from layout.plan.search.bound import loads_by_hours
from layout.plan.search.problem import Problem
from layout.plan.search.seating import fits
from tests.planning import (
    HOUR_S,
    OFFICE,
    a_backlog,
    a_job,
    a_kind,
    a_plan_plate,
    a_plan_station,
)


def a_long_backlog(count: int, *, seed: int) -> Backlog:
    """Units that burn for minutes to hours, of one face or two and two processes, at a station with hours and
    at one that never shuts and takes but one kind."""
    chance = Random(seed)
    both = ("day", "night")
    kinds = (
        a_kind("plain", "ABC", stations=both, process="a"),
        a_kind("turned", "AB", stations=("day",), process="b", faces=("mark", "pile")),
        a_kind("narrow", "C", stations=("day",), process="b"),
    )
    jobs = [
        a_job(f"{n}", chance.choice(kinds), seconds=float(chance.choice([300, 2400, 3000, 6000])))
        for n in range(count)
    ]
    day = a_plan_station(
        "day", hours=OFFICE, turn_seconds=30.0, plate_change_seconds=60.0, process_change_seconds=120.0
    )
    return a_backlog(*jobs, stations=(day, a_plan_station("night")), plates=(a_plan_plate(slots="ABC"),))


@settings(max_examples=20, deadline=None)
@given(seed=st.integers(0, 10_000), count=st.integers(1, 25))
def test_every_unit_is_in_one_load_that_has_room_and_time_for_it(seed: int, count: int) -> None:
    problem = Problem(a_long_backlog(count, seed=seed))

    loads = fullest(problem)

    assert sorted(unit for _, units in loads for unit in units) == list(range(count))
    for mount, units in loads:
        assert fits(problem, (mount, units))
        sorts = [problem.units[unit].sort for unit in units]
        assert problem.spent(
            mount, sorts, sum(problem.units[unit].seconds for unit in units)
        ) <= problem.longest(mount)


def test_no_search_is_endless_and_what_was_found_by_then_is_taken() -> None:
    kind = a_kind(slots="ABCDEFGHIJKL")
    plates = (a_plan_plate(slots="ABCDEFGHIJKL"),)
    jobs = [a_job(f"{n}", kind, seconds=1000.0 + 7.77 * n) for n in range(300)]
    backlog = a_backlog(*jobs, stations=(a_plan_station(hours=OFFICE),), plates=plates)

    loads = fullest(Problem(backlog))

    assert len(loads) <= 1.1 * sum(job.seconds for job in jobs) / (4 * HOUR_S)


def test_hours_ask_for_no_loads_where_a_station_never_shuts() -> None:
    backlog = a_long_backlog(9, seed=1)
    always = replace(backlog, stations=(a_plan_station("day"), a_plan_station("night")))
    problem = Problem(always)

    assert loads_by_hours(problem, [(unit.sort, unit.seconds) for unit in problem.units]) == 0
    assert loads_by_hours(problem, []) == 0
