"""The best way to share out a handful of units among loads, found by looking at every way there is.

A dynamic programme over sets of units (in the manner of Held and Karp, 1962): what can follow once a set of
units is done depends only on the state of the stations, so of two ways to do the same set, one that is no
worse in lateness, loads and every time is enough. Every step is timed like any plan. Least lateness, then
fewest loads, are proved; changes only break ties. The number of steps is bounded; when they are used up, no
answer is given.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import NamedTuple

from layout.plan.search.partial_schedule import PartialSchedule, Scheduler
from layout.plan.search.problem import Load, Problem
from layout.plan.search.seating import fits


@dataclass(frozen=True, slots=True)
class _Step:
    """A load that may come next: its units as bits, and the units that must be done before it as bits."""

    load: Load
    units: int
    needs: int


class Shared(NamedTuple):
    """Loads better than those at hand, if there are any, and how many steps are left; 0 when the search gave
    up."""

    loads: list[Load] | None
    steps: int


@dataclass(frozen=True, slots=True)
class _Way:
    """One way to get a set of units done."""

    schedule: PartialSchedule
    loads: int
    parts: tuple[float, ...]  # what it is compared by: a way no worse in any part is enough
    step: _Step | None = None
    before: _Way | None = None


def shared_out(
    scheduler: Scheduler, units: Sequence[int], best_so_far: tuple[int, int], steps: int
) -> Shared:
    """Loads of these units with least lateness, and with the fewest loads among those.

    `best_so_far` is the lateness and the loads of the plan at hand: no loads are returned when none are
    better, or when finding out would take more than `steps`.
    """
    rest = _Rest(scheduler.problem, units)
    all_steps = list(_steps(scheduler.problem, units, steps))
    if len(all_steps) >= steps:
        return Shared(None, 0)
    everything = (1 << len(units)) - 1
    ways: dict[int, dict[tuple[object, ...], list[_Way]]] = {0: {(): [_way(scheduler.start, 0)]}}
    for done in range(everything):
        here = ways.pop(done, None)
        if here is None:
            continue
        nexts = [step for step in all_steps if not step.units & done and not step.needs & ~done]
        for way in (way for alike in here.values() for way in alike):
            lateness, loads = rest.least(way.schedule, way.loads, everything & ~done)
            if (lateness, loads) >= best_so_far:
                continue
            steps -= len(nexts)
            if steps < 0:
                return Shared(None, 0)
            for step in nexts:
                try:
                    schedule = scheduler.put(way.schedule, step.load)
                except ValueError:  # no open stretch is long enough with the changes it needs
                    continue
                if (schedule.lateness, way.loads + 1) < best_so_far:
                    at = tuple((at.plate, at.process) for at in schedule.at)
                    alike = ways.setdefault(done | step.units, {}).setdefault(at, [])
                    _keep(alike, _way(schedule, way.loads + 1, step, way))
    best: tuple[tuple[int, int, int], _Way] | None = None
    for way in (way for alike in ways.get(everything, {}).values() for way in alike):
        score = (way.schedule.lateness, way.loads, way.schedule.changes)
        if best is None or score < best[0]:
            best = score, way
    return Shared(None if best is None else _loads_of(best[1]), steps)


def _steps(problem: Problem, units: Sequence[int], most: int) -> Iterator[_Step]:
    """Every set of the units that some mount holds, at most `most` of them. Units alike in everything are
    taken in their order."""
    bit = {unit: 1 << place for place, unit in enumerate(units)}
    before = _alike_before(problem, units)
    for mount in problem.mounts:
        here = [unit for unit in units if mount.mount in problem.sorts[problem.units[unit].sort].fits]
        open_ends: list[tuple[tuple[int, ...], int]] = [((), 0)]
        while open_ends and most > 0:
            chosen, place = open_ends.pop()
            for at in range(place, len(here)):
                more = (*chosen, here[at])
                if fits(problem, (mount.mount, more)):
                    most -= 1
                    open_ends.append((more, at + 1))
                    inside = sum(bit[unit] for unit in more)
                    needs = sum(bit[before[unit]] for unit in more if unit in before) & ~inside
                    visits = [after for unit in more if (after := problem.units[unit].after) in bit]
                    yield _Step((mount.mount, more), inside, needs | sum(bit[unit] for unit in visits))


def _alike_before(problem: Problem, units: Sequence[int]) -> dict[int, int]:
    """For each unit the last one before it that is alike in everything a plan is judged by."""
    last: dict[tuple[object, ...], int] = {}
    before: dict[int, int] = {}
    for unit in units:
        visit = problem.units[unit]
        if visit.after is not None or not visit.last:
            continue
        job = problem.jobs[visit.job]
        what = (visit.sort, visit.seconds, job.due, job.weight, job.order, job.bin)
        if what in last:
            before[unit] = last[what]
        last[what] = unit
    return before


def _way(
    schedule: PartialSchedule, loads: int, step: _Step | None = None, before: _Way | None = None
) -> _Way:
    soonest = min(at.hands_free for at in schedule.at)
    parts = (
        schedule.lateness,
        loads,
        *(at.hands_free for at in schedule.at),
        *(at.laser_free for at in schedule.at),
        *(at.finished for at in schedule.at),
        *(at.finishing_s for at in schedule.at),
        # A copy that is free before anybody asks for it is as good as any.
        *(max(soonest, free) for copies in schedule.copies for free, _ in copies),
        *(end for _, end in sorted(schedule.ends.items())),
    )
    return _Way(schedule, loads, parts, step, before)


def _keep(alike: list[_Way], new: _Way) -> None:
    """Add a way to those that do the same, unless one of them is no worse; drop those that it beats or
    equals."""
    for place, old in enumerate(alike):
        if old.parts == new.parts:
            if new.schedule.changes < old.schedule.changes:
                alike[place] = new
            return
        if all(a <= b for a, b in zip(old.parts, new.parts, strict=True)):
            return
    alike[:] = [old for old in alike if not all(a <= b for a, b in zip(new.parts, old.parts, strict=True))]
    alike.append(new)


class _Rest:
    """Lower bounds on what the units left will cost."""

    def __init__(self, problem: Problem, units: Sequence[int]) -> None:
        self.problem, self.units = problem, units
        self.most = max((len(mount.plate.slots) for mount in problem.mounts), default=1)
        self.known: dict[tuple[int, float], int] = {}

    def least(self, schedule: PartialSchedule, loads: int, left: int) -> tuple[int, int]:
        """Lateness and loads that every way to finish has at least."""
        free = min(at.laser_free for at in schedule.at)
        lateness = schedule.lateness
        for place, unit in enumerate(self.units):
            if left >> place & 1:
                lateness += self._late(unit, free)
        return lateness, loads - (-left.bit_count() // self.most)

    def _late(self, unit: int, free: float) -> int:
        """Lateness of a unit that burns alone as soon as a laser is free."""
        lateness = self.known.get((unit, free))
        if lateness is None:
            problem, visit = self.problem, self.problem.units[unit]
            job = problem.jobs[visit.job]
            openings = [
                problem.openings[station]
                for station in {problem.mounts[mount].station for mount in problem.sorts[visit.sort].fits}
            ]
            ends = [
                o.fit(free, visit.seconds) + visit.seconds for o in openings if visit.seconds <= o.longest_s
            ]
            lateness = job.weight * problem.days.late(job.due, min(ends)) if visit.last else 0
            self.known[unit, free] = lateness
        return lateness


def _loads_of(way: _Way) -> list[Load]:
    loads: list[Load] = []
    while way.step is not None and way.before is not None:
        loads.append(way.step.load)
        way = way.before
    return loads[::-1]
