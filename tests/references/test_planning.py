"""Plans against proven optima, textbook rules and open instances."""

from __future__ import annotations

from itertools import permutations

import pytest

from layout.backlog import Backlog
from layout.hours import WorkingDays
from layout.plan import plan
from tests.planning import a_backlog, a_busy_backlog, a_job, a_kind, a_plan_plate
from tests.references.planning import (
    COUNT,
    Instance,
    an_instance,
    compared,
    instance_of,
    optimum,
    stored,
)


def test_most_plans_equal_the_proven_optimum_and_none_is_more_than_a_late_job_worse() -> None:
    """Optima: an exact dynamic programme over sets of jobs, which shares nothing with the planner. A few of
    the stored instances of every size; `python -m tests.references.planning check` plans them all."""
    few = stored()[::43]

    equal, worse = compared(few)

    assert len(stored()) == COUNT
    assert equal >= 0.7 * len(few)
    assert worse == []


@pytest.mark.parametrize("number", [0, 4, 8, 13])
def test_the_stored_optima_are_what_the_exact_method_finds(number: int) -> None:
    record = stored()[number]

    assert instance_of(record) == an_instance(number)
    assert optimum(an_instance(number)) == (record["lateness"], record["loads"])


def test_the_exact_method_agrees_with_trying_every_order_of_single_units() -> None:
    """Plates of one slot: then every plan is an order of the jobs on their plates, and all can be tried."""
    jobs = ((("P",), "a", 1500, 3600, 1), (("Q",), "b", 1200, 3600, 5), (("P",), "a", 1800, 3600, 2),
            (("P",), "b", 900, 90_000, 1), (("Q",), "a", 1500, 90_000, 2))  # fmt: skip
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


# --- the rules of the trade, equalled or beaten ---


def first_fit_by_due_date(backlog: Backlog) -> tuple[int, int]:
    """Earliest due date, first fit, written anew: lateness and loads, the stations taking loads in turn of
    who is free, every change and all seating counted at its most. Slots of a kind are counted, not
    matched."""
    loads: list[tuple[str, list[int]]] = []
    for number in sorted(range(len(backlog.jobs)), key=lambda n: (backlog.jobs[n].due, n)):
        kind = backlog.jobs[number].kind
        options = next(iter(kind.options.values()))
        for plate, inside in loads:
            mine = {o.slot for o in options if o.plate == plate}
            if len(inside) < len(mine):
                inside.append(number)
                break
        else:
            loads.append((options[0].plate, [number]))
    free = {station.station: backlog.now for station in backlog.stations}
    days = WorkingDays(station.hours for station in backlog.stations)
    lateness = 0
    for _, inside in loads:
        name = min(free, key=lambda s: (free[s], s))
        station = next(s for s in backlog.stations if s.station == name)
        seated = station.hours.spend(free[name], len(inside) * station.load_seconds)
        seconds = sum(backlog.jobs[n].seconds for n in inside) + station.plate_change_seconds
        seconds += 2 * station.process_change_seconds
        ends = station.hours.fit(seated, seconds) + seconds
        free[name] = ends
        lateness += sum(backlog.jobs[n].weight * days.late(backlog.jobs[n].due, ends) for n in inside)
    return lateness, len(loads)


@pytest.mark.parametrize("seed", range(12))
def test_earliest_due_date_first_fit_is_equalled_or_beaten(seed: int) -> None:
    backlog = a_busy_backlog(12 + 24 * seed, seed=seed, days=1 + seed % 4)

    made = plan(backlog, rounds=300)

    assert (made.score.lateness, made.score.loads) <= first_fit_by_due_date(backlog)
