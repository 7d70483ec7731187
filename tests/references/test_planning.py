"""Plans against proven optima, textbook rules and open instances."""

from __future__ import annotations

import os
import subprocess
import sys
from itertools import permutations
from pathlib import Path

import pytest

from layout.judge.plan import inspect_plan
from layout.plan.planner import plan
from tests.planning import a_backlog, a_busy_backlog, a_job, a_kind, a_plan_plate
from tests.references import planning_cp_sat
from tests.references.beaten import is_equalled_or_beaten, large_shops
from tests.references.planning import (
    COUNT,
    Instance,
    an_instance,
    compared,
    instance_of,
    optimum,
    stored,
)
from tests.references.shops import (
    Chosen,
    a_shop,
    backlog_of,
    chosen_in,
    lateness_and_loads,
    plan_of,
    shop_of,
)

ROOT = Path(__file__).parents[2]


def test_plans_of_a_handful_of_units_equal_the_proven_optimum() -> None:
    """Optima: an exact dynamic programme over sets of jobs, which shares nothing with the planner's. A few of
    the stored instances of every size; `python -m tests.references.planning check` plans them all."""
    few = stored()[::43]

    equal, worse = compared(few)

    assert len(stored()) == COUNT
    assert (equal, worse) == (len(few), [])


def test_plans_of_some_dozen_units_are_no_worse_than_what_cp_sat_found() -> None:
    """OR-Tools CP-SAT, see `tests.references.planning_cp_sat`, whose `check` plans all stored instances."""
    few = [planning_cp_sat.stored()[number] for number in (3, 57)]

    _, worse = planning_cp_sat.compared(few)

    assert worse == []


@pytest.mark.parametrize("number", [0, 11, 35])
def test_what_cp_sat_found_is_stored_as_it_can_be_carried_out(number: int) -> None:
    record = planning_cp_sat.stored()[number]
    shop, found = shop_of(record), record["cp_sat"]
    loads = [Chosen(station, plate, tuple(units)) for station, plate, units in found["decided"]]

    wrong = inspect_plan(backlog_of(shop), plan_of(shop, loads))

    assert shop == planning_cp_sat.shop_of_size(number)
    assert wrong == ()
    assert lateness_and_loads(shop, loads) == (found["lateness"], found["loads"])


@pytest.mark.parametrize(("number", "count"), [(101, 30), (102, 80), (103, 400), (105, 700)])
def test_a_plan_happens_when_a_clock_of_open_seconds_says(number: int, count: int) -> None:
    shop = a_shop(number, count)

    made = plan(backlog_of(shop), rounds=200)

    again = plan_of(shop, chosen_in(made))
    assert lateness_and_loads(shop, chosen_in(made)) == (made.score.lateness, made.score.loads)
    assert {(one.station, one.begins, one.ends) for one in again.loads} == {
        (one.station, one.begins, one.ends) for one in made.loads
    }


@pytest.mark.parametrize("number", [1, 4, 5])
def test_the_rules_of_the_trade_are_equalled_or_beaten_when_all_is_late(number: int) -> None:
    """`python -m tests.references.beaten` looks at all sizes."""
    assert is_equalled_or_beaten(large_shops()[number], rounds=500)


@pytest.mark.parametrize(("count", "seed"), [(1_000, 1), (1_000, 2), (3_000, 3)])
def test_with_loose_dates_there_are_hardly_more_loads_than_the_bound(count: int, seed: int) -> None:
    made = plan(a_busy_backlog(count, seed=seed, days=60))

    assert made.score.lateness == 0
    assert made.score.loads <= 1.01 * made.bound.loads


def test_the_same_backlog_gives_the_same_plan_whatever_the_hash_seed() -> None:
    script = (
        "from hashlib import sha256; from layout.plan.planner import plan;"
        "from tests.references.shops import *;"
        "print(sha256(repr([plan(backlog_of(a_shop(n, 8 + n)), rounds=300) for n in (0, 20)]).encode())"
        ".hexdigest())"
    )

    digests = {
        subprocess.run(
            [sys.executable, "-c", script],
            check=True,
            capture_output=True,
            text=True,
            env={**os.environ, "PYTHONHASHSEED": seed, "PYTHONPATH": str(ROOT)},
        ).stdout
        for seed in ("1", "2")
    }

    assert len(digests) == 1


@pytest.mark.parametrize("number", [0, 4, 8, 13])
def test_the_stored_optima_are_what_the_exact_method_finds(number: int) -> None:
    record = stored()[number]

    assert instance_of(record) == an_instance(number)
    assert optimum(an_instance(number)) == (record["lateness"], record["loads"])


def test_the_exact_method_agrees_with_trying_every_order_of_single_units() -> None:
    """Plates of one slot: then every plan is an order of the jobs on their plates, and all can be tried."""
    jobs = (
        (("P",), "a", 1500, 3600, 1),
        (("Q",), "b", 1200, 3600, 5),
        (("P",), "a", 1800, 3600, 2),
        (("P",), "b", 900, 90_000, 1),
        (("Q",), "a", 1500, 90_000, 2),
    )
    instance = Instance({"P": 1, "Q": 1}, jobs, 300, 60)

    best = min(lateness_of(instance, order) for order in permutations(range(5)))

    assert optimum(instance) == (best, 5)


def lateness_of(instance: Instance, order: tuple[int, ...]) -> int:
    """Weighted lateness of single-unit loads in that order, day by day and second by second."""
    ready, plate, process, total = 0, "", "", 0
    for number in order:
        plates, wanted, seconds, due, weight = instance.jobs[number]
        seconds += instance.plate_change_s * (plate not in ("", plates[0]))
        seconds += instance.process_change_s * (process not in ("", wanted))
        day = ready // 86_400
        while day % 7 > 4 or max(ready, day * 86_400) + seconds > day * 86_400 + 3_600:
            day += 1
        ready = max(ready, day * 86_400) + seconds
        plate, process = plates[0], wanted
        late = sum(1 for d in range(due // 86_400 + 1, ready // 86_400 + 1) if d % 7 <= 4)
        total += weight * (max(1, late) if ready > due else 0)
    return total


# --- one machine, single units: rules whose optimality is known ---


def late_jobs_by_moore_and_hodgson(jobs: list[tuple[float, float]]) -> int:
    """Fewest late jobs on one machine (J. M. Moore, "An n job, one machine sequencing algorithm for
    minimizing the number of late jobs", Management Science 15, 1968, with Hodgson's simplification): in
    order of due dates, the longest job so far is put off whenever one would be late."""
    kept: list[float] = []
    for seconds, due in sorted(jobs, key=lambda job: job[1]):
        kept.append(seconds)
        if sum(kept) > due:
            kept.remove(max(kept))
    return len(jobs) - len(kept)


def test_a_day_of_single_units_has_no_more_late_jobs_than_moore_and_hodgson_allow() -> None:
    # Distinct times, so that each job is known by its own; all due today, so a late job is one day late.
    seconds = (610.0, 820.0, 430.0, 390.0, 540.0, 250.0)
    dues = (900.0, 1500.0, 1700.0, 1900.0, 2600.0, 2700.0)
    jobs = list(zip(seconds, dues, strict=True))
    kind = a_kind(slots="A")
    backlog = a_backlog(
        *(a_job(f"{n}", kind, due=due, seconds=spent) for n, (spent, due) in enumerate(jobs)),
        plates=(a_plan_plate(slots="A"),),
    )

    made = plan(backlog)

    assert made.score.lateness == late_jobs_by_moore_and_hodgson(jobs)


def test_units_of_one_order_of_burning_are_in_time_whenever_earliest_due_date_is() -> None:
    """Earliest due date minimises the largest lateness on one machine (J. R. Jackson, 1955; secondary,
    quoted in every textbook of scheduling): if that order has no late job, the plan has none."""
    kind = a_kind(slots="A")
    dues, seconds = [500.0, 900.0, 1000.0, 1600.0, 1700.0], [400.0, 300.0, 200.0, 500.0, 250.0]
    backlog = a_backlog(
        *(a_job(f"{n}", kind, due=dues[n], seconds=seconds[n]) for n in (3, 0, 4, 2, 1)),
        plates=(a_plan_plate(slots="A"),),
    )

    assert plan(backlog).score.lateness == 0
