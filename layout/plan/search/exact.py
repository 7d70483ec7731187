"""The best way to share out a handful of units among loads, found by looking at every way there is.

A dynamic programme over sets of units (in the manner of Held and Karp, 1962): whatever comes after a set of
units is done depends on what the stations are at, so of two ways to the same set the one that is no worse in
lateness, loads and every time is enough. Every step is timed by the clockwork itself. Least lateness, then
fewest loads, are proved; changes only break ties. The number of steps is bounded; when it is used up, nothing
is said.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import NamedTuple

from layout.plan.search.partial_schedule import Passage, Track
from layout.plan.search.problem import Floor, Load


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

    passage: Passage
    loads: int
    parts: tuple[float, ...]  # what it is compared by: a way no worse in any part is enough
    step: _Step | None = None
    before: _Way | None = None


def shared_out(track: Track, units: Sequence[int], known: tuple[int, int], steps: int) -> Shared:
    """Loads of these units with least lateness, and with the fewest loads among those.

    `known` are that lateness and those loads of the plan at hand: no loads are returned when there is nothing
    better, or when it would take more than so many steps to tell.
    """
    rest = _Rest(track.floor, units)
    all_steps = list(_steps(track.floor, units, steps))
    if len(all_steps) >= steps:
        return Shared(None, 0)
    everything = (1 << len(units)) - 1
    ways: dict[int, dict[tuple[object, ...], list[_Way]]] = {0: {(): [_way(track.start, 0)]}}
    for done in range(everything):
        here = ways.pop(done, None)
        if here is None:
            continue
        nexts = [step for step in all_steps if not step.units & done and not step.needs & ~done]
        for way in (way for some in here.values() for way in some):
            lateness, loads = rest.least(way.passage, way.loads, everything & ~done)
            if (lateness, loads) >= known:
                continue
            steps -= len(nexts)
            if steps < 0:
                return Shared(None, 0)
            for step in nexts:
                try:
                    passage = track.put(way.passage, step.load)
                except ValueError:  # no open stretch is long enough with the changes it needs
                    continue
                if (passage.lateness, way.loads + 1) < known:
                    at = tuple((at.plate, at.process) for at in passage.at)
                    alike = ways.setdefault(done | step.units, {}).setdefault(at, [])
                    _keep(alike, _way(passage, way.loads + 1, step, way))
    best: tuple[tuple[int, int, int], _Way] | None = None
    for way in (way for some in ways.get(everything, {}).values() for way in some):
        score = (way.passage.lateness, way.loads, way.passage.changes)
        if best is None or score < best[0]:
            best = score, way
    return Shared(None if best is None else _loads_of(best[1]), steps)


def _steps(floor: Floor, units: Sequence[int], most: int) -> Iterator[_Step]:
    """Every set of the units that some mount holds, so many at most. Units alike in everything are taken in
    their order."""
    bit = {unit: 1 << place for place, unit in enumerate(units)}
    before = _alike_before(floor, units)
    for mount in floor.mounts:
        here = [unit for unit in units if mount.mount in floor.sorts[floor.units[unit].sort].fits]
        open_ends: list[tuple[tuple[int, ...], int]] = [((), 0)]
        while open_ends and most > 0:
            some, place = open_ends.pop()
            for at in range(place, len(here)):
                more = (*some, here[at])
                if floor.holds((mount.mount, more)):
                    most -= 1
                    open_ends.append((more, at + 1))
                    inside = sum(bit[unit] for unit in more)
                    needs = sum(bit[before[unit]] for unit in more if unit in before) & ~inside
                    visits = [after for unit in more if (after := floor.units[unit].after) in bit]
                    yield _Step((mount.mount, more), inside, needs | sum(bit[unit] for unit in visits))


def _alike_before(floor: Floor, units: Sequence[int]) -> dict[int, int]:
    """For each unit the last before it that is alike in all that a plan is judged by."""
    last: dict[tuple[object, ...], int] = {}
    before: dict[int, int] = {}
    for unit in units:
        it = floor.units[unit]
        if it.after is not None or not it.last:
            continue
        job = floor.jobs[it.job]
        what = (it.sort, it.seconds, job.due, job.weight, job.order, job.bin)
        if what in last:
            before[unit] = last[what]
        last[what] = unit
    return before


def _way(passage: Passage, loads: int, step: _Step | None = None, before: _Way | None = None) -> _Way:
    soonest = min(at.hands_free for at in passage.at)
    parts = (
        passage.lateness, loads,
        *(at.hands_free for at in passage.at), *(at.laser_free for at in passage.at),
        # A copy that is free before anybody asks for it is as good as any.
        *(max(soonest, free) for copies in passage.copies for free, _ in copies),
        *(end for _, end in sorted(passage.ends.items())),
    )  # fmt: skip
    return _Way(passage, loads, parts, step, before)


def _keep(alike: list[_Way], new: _Way) -> None:
    """Add a way to those that have done the same, unless one is no worse; drop those it is no worse than."""
    for place, old in enumerate(alike):
        if old.parts == new.parts:
            if new.passage.changes < old.passage.changes:
                alike[place] = new
            return
        if all(a <= b for a, b in zip(old.parts, new.parts, strict=True)):
            return
    alike[:] = [old for old in alike if not all(a <= b for a, b in zip(new.parts, old.parts, strict=True))]
    alike.append(new)


class _Rest:
    """What the units that are left cost at least."""

    def __init__(self, floor: Floor, units: Sequence[int]) -> None:
        self.floor, self.units = floor, units
        self.most = max((len(mount.plate.slots) for mount in floor.mounts), default=1)
        self.known: dict[tuple[int, float], int] = {}

    def least(self, passage: Passage, loads: int, left: int) -> tuple[int, int]:
        """Lateness and loads when they are done, however that is."""
        free = min(at.laser_free for at in passage.at)
        lateness = passage.lateness
        for place, unit in enumerate(self.units):
            if left >> place & 1:
                lateness += self._late(unit, free)
        return lateness, loads - (-left.bit_count() // self.most)

    def _late(self, unit: int, free: float) -> int:
        """Lateness of a unit that burns as soon as a laser is free, alone."""
        known = self.known.get((unit, free))
        if known is None:
            floor, it = self.floor, self.floor.units[unit]
            job = floor.jobs[it.job]
            openings = [
                floor.openings[station]
                for station in {floor.mounts[mount].station for mount in floor.sorts[it.sort].fits}
            ]
            ends = [o.fit(free, it.seconds) + it.seconds for o in openings if it.seconds <= o.longest_s]
            known = job.weight * floor.days.late(job.due, min(ends)) if it.last else 0
            self.known[unit, free] = known
        return known


def _loads_of(way: _Way) -> list[Load]:
    loads: list[Load] = []
    while way.step is not None and way.before is not None:
        loads.append(way.step.load)
        way = way.before
    return loads[::-1]
