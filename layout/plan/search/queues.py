"""Units that wait for a load while a rule builds a plan: one queue a sort, two where ranks change with time.

The apparent tardiness cost grows alike for all units that need not begin yet, and not at all for those that
must: among the former the order stays, among the latter too. So each sort has a queue of either, a unit
changes over once, and a long backlog is in order at every load without being sorted anew.
"""

from __future__ import annotations

import heapq
from bisect import bisect_left, insort
from collections.abc import Sequence
from dataclasses import dataclass

from layout.plan.search.problem import Floor

Key = tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Ahead:
    """Of every unit its rank while it need not begin yet, and after how many open seconds it must."""

    rank: Sequence[Key]
    begin: Sequence[float]


class Queues:
    """Units that wait, the first in rank first; later visits come when the earlier is done.

    Queues are numbered: those of the sorts, then, where ranks change with time, theirs of units that need not
    begin yet.
    """

    def __init__(self, floor: Floor, rank: Sequence[Key], ahead: Ahead | None = None) -> None:
        self.floor, self.rank, self.ahead = floor, rank, ahead
        count = len(floor.sorts)
        self.waiting: list[list[int]] = [[] for _ in range(count if ahead is None else 2 * count)]
        self.first = [0] * len(self.waiting)
        self.pending: list[tuple[float, int]] = []
        self.next_visit: dict[int, int] = {}
        self._queue_of: dict[int, int] = {}
        self._beginning: list[tuple[float, int]] = []  # a heap
        for unit in floor.units:
            if unit.after is None:
                self.waiting[self._enter(unit.unit)].append(unit.unit)
            else:
                self.next_visit[unit.after] = unit.unit
        for number, queue in enumerate(self.waiting):
            queue.sort(key=self._ranks(number).__getitem__)

    def of(self, sort: int) -> tuple[int, ...]:
        """The queues in which units of a sort wait."""
        return (sort,) if self.ahead is None else (sort, sort + len(self.floor.sorts))

    def head(self, number: int) -> int | None:
        """The first unit of a queue."""
        queue, first = self.waiting[number], self.first[number]
        return queue[first] if first < len(queue) else None

    def take(self, units: Sequence[int], done: float) -> None:
        """Units leave for a load that ends then."""
        for unit in units:
            self._leave(unit)
            if unit in self.next_visit:
                heapq.heappush(self.pending, (done, self.next_visit[unit]))

    def release(self, until: float) -> None:
        """Later visits come whose earlier one was done by then."""
        while self.pending and self.pending[0][0] <= until:
            _, unit = heapq.heappop(self.pending)
            self._insert(unit, self._enter(unit))

    def press(self, opened: float) -> None:
        """Units change over that must begin after so many open seconds."""
        while self._beginning and self._beginning[0][0] <= opened:
            _, unit = heapq.heappop(self._beginning)
            if unit in self._queue_of:
                self._leave(unit)
                self._insert(unit, self.floor.units[unit].sort)

    def _ranks(self, number: int) -> Sequence[Key]:
        return self.rank if self.ahead is None or number < len(self.floor.sorts) else self.ahead.rank

    def _enter(self, unit: int) -> int:
        """The queue for a unit that has come."""
        number = self._queue_of[unit] = self.of(self.floor.units[unit].sort)[-1]
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
