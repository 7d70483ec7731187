"""The best way to share out a handful of units among loads, found by looking at every way there is.

A dynamic programme over sets of units (in the manner of Held and Karp, 1962): whatever comes after a set of
units is done depends on the state of the stations, so of two ways to the same set the one that is no worse in
lateness, loads and every time is enough. Every step is timed as every plan is. Least lateness, then
fewest loads, are proved; changes only break ties. The number of steps is bounded; when it is used up, nothing
is said.
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
    """A load that may come next: its units as bits, and bits of those that must be done before it."""

    load: Load
    units: int
    needs: int


class Shared(NamedTuple):
    """Loads that are better than those at hand, if any, and how many steps are left; none: the search was
    given up."""

    loads: list[Load] | None
    steps: int


@dataclass(frozen=True, slots=True)
class _Way:
    """One way to have a set of units done."""

    schedule: PartialSchedule
    loads: int
    parts: tuple[float, ...]  # what it is compared by: a way no worse in any part is enough
    step: _Step | None = None
    before: _Way | None = None


def shared_out(
    scheduler: Scheduler, units: Sequence[int], best_so_far: tuple[int, int], steps: int
) -> Shared:
    """Loads of these units with least lateness, and with the fewest loads among those.

    `known` are that lateness and those loads of the plan at hand: no loads are returned when there is nothing
    better, or when it would take more than so many steps to tell.
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
        for way in (way for some in here.values() for way in some):
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
    for way in (way for some in ways.get(everything, {}).values() for way in some):
        score = (way.schedule.lateness, way.loads, way.schedule.changes)
        if best is None or score < best[0]:
            best = score, way
    return Shared(None if best is None else _loads_of(best[1]), steps)


def _steps(problem: Problem, units: Sequence[int], most: int) -> Iterator[_Step]:
    """Every set of the units that some mount holds, so many at most. Units alike in everything are taken in
    their order."""
    bit = {unit: 1 << place for place, unit in enumerate(units)}
    before = _alike_before(problem, units)
    for mount in problem.mounts:
        here = [unit for unit in units if mount.mount in problem.sorts[problem.units[unit].sort].fits]
        open_ends: list[tuple[tuple[int, ...], int]] = [((), 0)]
        while open_ends and most > 0:
            some, place = open_ends.pop()
            for at in range(place, len(here)):
                more = (*some, here[at])
                if fits(problem, (mount.mount, more)):
                    most -= 1
                    open_ends.append((more, at + 1))
                    inside = sum(bit[unit] for unit in more)
                    needs = sum(bit[before[unit]] for unit in more if unit in before) & ~inside
                    visits = [after for unit in more if (after := problem.units[unit].after) in bit]
                    yield _Step((mount.mount, more), inside, needs | sum(bit[unit] for unit in visits))


def _alike_before(problem: Problem, units: Sequence[int]) -> dict[int, int]:
    """For each unit the last before it that is alike in all that a plan is judged by."""
    last: dict[tuple[object, ...], int] = {}
    before: dict[int, int] = {}
    for unit in units:
        it = problem.units[unit]
        if it.after is not None or not it.last:
            continue
        job = problem.jobs[it.job]
        what = (it.sort, it.seconds, job.due, job.weight, job.order, job.bin)
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
    """Add a way to those that have done the same, unless one is no worse; drop those it is no worse than."""
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
    """Lower bounds on what the units that are left will cost."""

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
        """Lateness of a unit that burns as soon as a laser is free, alone."""
        lateness = self.known.get((unit, free))
        if lateness is None:
            problem, it = self.problem, self.problem.units[unit]
            job = problem.jobs[it.job]
            openings = [
                problem.openings[station]
                for station in {problem.mounts[mount].station for mount in problem.sorts[it.sort].fits}
            ]
            ends = [o.fit(free, it.seconds) + it.seconds for o in openings if it.seconds <= o.longest_s]
            lateness = job.weight * problem.days.late(job.due, min(ends)) if it.last else 0
            self.known[unit, free] = lateness
        return lateness


def _loads_of(way: _Way) -> list[Load]:
    loads: list[Load] = []
    while way.step is not None and way.before is not None:
        loads.append(way.step.load)
        way = way.before
    return loads[::-1]
