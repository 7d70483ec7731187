"""Loads that fill the open stretches, for backlogs whose loads are limited by hours rather than by slots.

Minimum bin slack (J. N. D. Gupta and J. C. Ho, "A new heuristic algorithm for the one-dimensional bin-packing
problem", Production Planning & Control 10, 1999; from memory): the longest waiting unit begins a load, and of
all the sets that can go with it, the one that leaves least of the stretch unused is taken. The search is
bounded by a count.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

from layout.plan.search.problem import Load, Problem, Unit
from layout.plan.search.seating import fits

#: Sets of units looked at for all loads together, and for one load at least.
MOST_SETS, LEAST_SETS = 100_000, 100
#: Seconds left over that count as none.
FULL_S = 1e-6
#: Parts of a stretch that may be wasted: a load that is nearly full is taken as it is and leaves more short
#: units to later ones (K. Fleszar and K. S. Hindi, "New heuristics for one-dimensional bin-packing",
#: Computers & Operations Research 29, 2002, from memory). Which is best is found by trying all.
WASTED = (0.0, 0.007, 0.01, 0.014, 0.02, 0.04)


class _Item(NamedTuple):
    seconds: float  # burning and turning over
    unit: int
    sort: int
    process: str


@dataclass(slots=True)
class _Search:
    """The fullest load of one mount that begins with the first item; items are sorted longest first."""

    problem: Problem
    mount: int
    items: Sequence[_Item]
    sets: int
    full: float  # seconds left over that are good enough
    rest: list[float] = field(default_factory=list)  # seconds of the items from each on
    best: tuple[int, ...] = ()
    used: float = 0.0  # seconds that the best takes
    slack: float = float("inf")  # and those it leaves

    def run(self) -> None:
        total = 0.0
        for item in reversed(self.items):
            total += item.seconds
            self.rest.append(total)
        self.rest.reverse()
        station = self.problem.stations[self.problem.mounts[self.mount].station]
        room = self.problem.longest(self.mount) - station.plate_change_seconds
        self._add(0, room, 0.0, (), frozenset())

    def _add(
        self, at: int, room: float, used: float, units: tuple[int, ...], processes: frozenset[str]
    ) -> None:
        """Put the item at place `at` into the room left, then each one that may follow."""
        item = self.items[at]
        change = self.problem.stations[self.problem.mounts[self.mount].station].process_change_seconds
        spent = item.seconds + change * (item.process not in processes)
        room, used = room - spent, used + spent
        if room < -FULL_S or self.sets <= 0:
            return
        self.sets -= 1
        units = (*units, item.unit)
        if used > self.used + FULL_S or not self.best:
            if not fits(self.problem, (self.mount, units)):
                return  # and with more units there is no more room
            self.best, self.used, self.slack = units, used, room
        if len(units) == self.problem.size(self.mount):
            return
        after = bisect_left(self.items, -room - FULL_S, lo=at + 1, key=lambda candidate: -candidate.seconds)
        before: _Item | None = None
        for place in range(after, len(self.items)):
            candidate = self.items[place]
            if self.slack <= self.full or self.sets <= 0 or used + self.rest[place] <= self.used:
                return
            if before is None or (before.seconds, before.sort) != (candidate.seconds, candidate.sort):
                self._add(place, room, used, units, processes | {item.process})
            before = candidate


def fullest(problem: Problem, wasted: float = 0.0) -> list[Load]:
    """Loads that leave little of the open stretches unused, sorted by the earliest due time in each; `wasted`
    is the part of a stretch that may stay unused. Only for backlogs without second visits."""
    left = sorted(problem.units, key=lambda unit: (-unit.seconds, problem.jobs[unit.job].due, unit.unit))
    sets = max(LEAST_SETS, MOST_SETS // max(1, len(left)))
    loads: list[Load] = []
    while left:
        fullest_bins: list[tuple[float, int, tuple[int, ...]]] = []
        for mount in problem.sorts[left[0].sort].fits:
            search = _Search(
                problem,
                mount,
                _items(problem, mount, left),
                sets,
                full=max(FULL_S, wasted * problem.longest(mount)),
            )
            search.run()
            if search.best:
                fullest_bins.append((search.slack, mount, search.best))
        _, mount, units = min(fullest_bins)
        loads.append((mount, units))
        taken = set(units)
        left = [unit for unit in left if unit.unit not in taken]
    return sorted(loads, key=lambda load: min(problem.jobs[problem.units[unit].job].due for unit in load[1]))


def _items(problem: Problem, mount: int, left: Sequence[Unit]) -> list[_Item]:
    """The units left that the mount takes, longest first."""
    station = problem.stations[problem.mounts[mount].station]
    items = []
    for unit in left:
        sort = problem.sorts[unit.sort]
        if mount in sort.fits:
            seconds = unit.seconds + (len(sort.faces) - 1) * station.turn_seconds
            items.append(_Item(seconds, unit.unit, unit.sort, problem.process(mount, unit.sort)))
    return sorted(items, key=lambda item: -item.seconds) if station.turn_seconds else items
