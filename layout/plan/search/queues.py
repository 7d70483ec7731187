"""Units waiting for a load while a rule builds a plan: one queue a sort, or two where ranks change with time.

The apparent tardiness cost grows alike for all units that need not begin yet, and not at all for those that
must: among the former the order stays, and among the latter too. So each sort has a queue for either, a unit
changes over once, and a long backlog is in order at every load without being sorted again.
"""

from __future__ import annotations

import heapq
from bisect import bisect_left, insort
from collections.abc import Sequence
from dataclasses import dataclass

from layout.plan.search.problem import Problem

Key = tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Ahead:
    """Ranks of units that need not begin yet, and the latest start of each in open seconds."""

    rank: Sequence[Key]
    begin: Sequence[float]


class Queues:
    """Waiting units, best rank first; later visits come when the earlier one is done.

    Queues are numbered: first those of the sorts, then, where ranks change with time, those of units that
    need not begin yet.
    """

    def __init__(self, problem: Problem, rank: Sequence[Key], ahead: Ahead | None = None) -> None:
        self.problem, self.rank, self.ahead = problem, rank, ahead
        count = len(problem.sorts)
        self.waiting: list[list[int]] = [[] for _ in range(count if ahead is None else 2 * count)]
        self.first = [0] * len(self.waiting)
        self.pending: list[tuple[float, int]] = []
        self.next_visit: dict[int, int] = {}
        self._queue_of: dict[int, int] = {}
        self._beginning: list[tuple[float, int]] = []  # a heap
        for unit in problem.units:
            if unit.after is None:
                self.waiting[self._enter(unit.unit)].append(unit.unit)
            else:
                self.next_visit[unit.after] = unit.unit
        for number, queue in enumerate(self.waiting):
            queue.sort(key=self._ranks(number).__getitem__)

    def of(self, sort: int) -> tuple[int, ...]:
        """The queues in which units of a sort wait."""
        return (sort,) if self.ahead is None else (sort, sort + len(self.problem.sorts))

    def head(self, number: int) -> int | None:
        """The first unit of a queue."""
        queue, first = self.waiting[number], self.first[number]
        return queue[first] if first < len(queue) else None

    def take(self, units: Sequence[int], done: float) -> None:
        """Take units out for a load that ends at `done`."""
        for unit in units:
            self._leave(unit)
            if unit in self.next_visit:
                heapq.heappush(self.pending, (done, self.next_visit[unit]))

    def release(self, until: float) -> None:
        """Queue later visits whose earlier one has ended by then."""
        while self.pending and self.pending[0][0] <= until:
            _, unit = heapq.heappop(self.pending)
            self._insert(unit, self._enter(unit))

    def press(self, opened: float) -> None:
        """Move units whose latest start has come to the urgent queue."""
        while self._beginning and self._beginning[0][0] <= opened:
            _, unit = heapq.heappop(self._beginning)
            if unit in self._queue_of:
                self._leave(unit)
                self._insert(unit, self.problem.units[unit].sort)

    def _ranks(self, number: int) -> Sequence[Key]:
        return self.rank if self.ahead is None or number < len(self.problem.sorts) else self.ahead.rank

    def _enter(self, unit: int) -> int:
        """Which queue a unit that has just come goes into."""
        number = self._queue_of[unit] = self.of(self.problem.units[unit].sort)[-1]
        if self.ahead is not None:
            heapq.heappush(self._beginning, (self.ahead.begin[unit], unit))
        return number

    def _insert(self, unit: int, number: int) -> None:
        self._queue_of[unit] = number
        insort(self.waiting[number], unit, lo=self.first[number], key=self._ranks(number).__getitem__)

    def _leave(self, unit: int) -> None:
        number = self._queue_of.pop(unit)
        queue, first, ranks = self.waiting[number], self.first[number], self._ranks(number)
        if queue[first] == unit:
            self.first[number] += 1
        else:
            del queue[bisect_left(queue, ranks[unit], lo=first, key=ranks.__getitem__)]
