"""When a station works: spans of the week, days on which the shop is shut, and counting in working days.

Times are seconds of the shop's wall clock since a Monday, 00:00 (the plan's origin); the caller knows which.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterable
from dataclasses import dataclass
from itertools import pairwise
from typing import Protocol

DAY_S = 86_400.0
WEEK_S = 7 * DAY_S
#: Nothing is planned beyond so many weeks: what does not fit into a week, repeated so often, never will.
MOST_WEEKS = 600


@dataclass(frozen=True, slots=True)
class Hours:
    """Open spans of a week as (begin, end) in seconds since Monday 00:00, sorted, not touching.

    Empty: always open. `shut` are whole days (0 is the first Monday) on which nobody works.

    >>> early = Hours.of_week({0: ((8 * 3600, 12 * 3600),)})
    >>> early.fit(0, 3600) / 3600, early.fit(11.5 * 3600, 3600) / 3600  # the next Monday
    (8.0, 176.0)
    """

    week: tuple[tuple[float, float], ...] = ()
    shut: frozenset[int] = frozenset()

    @staticmethod
    def of_week(days: dict[int, Iterable[tuple[float, float]]], *, shut: Iterable[int] = ()) -> Hours:
        """Hours from spans by weekday (0 is Monday), each in seconds since that day's midnight."""
        week = sorted((day * DAY_S + a, day * DAY_S + b) for day, spans in days.items() for a, b in spans)
        return Hours(tuple(week), frozenset(shut))

    @property
    def longest_s(self) -> float:
        """The longest span: no load may burn longer, because nobody leaves a burning laser alone."""
        return max((end - begin for begin, end in self.week), default=float("inf"))

    def is_working_day(self, day: int) -> bool:
        """Whether any of that day is open."""
        if day in self.shut:
            return False
        begin = day % 7 * DAY_S
        return not self.week or any(a < begin + DAY_S and b > begin for a, b in self.week)

    def fit(self, ready: float, seconds: float) -> float:
        """Earliest begin, not before `ready`, of work that is not interrupted.

        Raises ValueError when no span is as long as that.
        """
        return _Opening(self).fit(ready, seconds)

    def spend(self, begin: float, seconds: float) -> float:
        """When work begun at `begin` ends, if it pauses while the station is shut."""
        return _Opening(self).spend(begin, seconds)


def open_spans(hours: Hours, begins: float, ends: float) -> list[tuple[float, float]]:
    """Open spans between two moments, cut to them."""
    if not hours.week:
        return [(begins, ends)]
    return [
        (max(opens, begins), min(closes, ends))
        for week in range(int(begins // WEEK_S), int(ends // WEEK_S) + 1)
        for opens, closes in ((a + week * WEEK_S, b + week * WEEK_S) for a, b in hours.week)
        if opens < ends and closes > begins and int(opens // DAY_S) not in hours.shut
    ]


@dataclass(frozen=True, slots=True)
class Hands:
    """People at work: by shift its hours, and how many people they are (a share of one where people look
    after several stations).

    >>> early = Hours.of_week({0: ((8 * 3600, 12 * 3600),)})
    >>> late = Hours.of_week({0: ((10 * 3600, 14 * 3600),)})
    >>> both = laid_out_hands(Hands(((early, 1.0), (late, 1.0))))
    >>> both.spend(8 * 3600, 4 * 3600) / 3600  # two hours alone, one hour together
    11.0
    """

    shifts: tuple[tuple[Hours, float], ...]

    def spans(self, begins: float, ends: float) -> list[tuple[float, float, float]]:
        """When somebody works between two moments, as (begin, end, people), in order, not overlapping."""
        present = [
            (a, b, people) for hours, people in self.shifts for a, b in open_spans(hours, begins, ends)
        ]
        edges = sorted({edge for a, b, _ in present for edge in (a, b)})
        counted = [
            (a, b, sum(people for x, y, people in present if x <= a and b <= y)) for a, b in pairwise(edges)
        ]
        return [span for span in counted if span[2] > 0]


#: A shift that works longer than this without a break at midnight is two, and days change at midnight.
_LONGEST_SHIFT_S = 16 * 3600.0


def day_starts(hours: Hours, day: int) -> float:
    """When a working day starts (0 is the first Monday): at midnight, or at the end of a shift that works
    through it: until then the day before goes on.

    >>> late = Hours.of_week({0: ((20 * 3600, 24 * 3600),), 1: ((0, 4 * 3600),)})
    >>> day_starts(late, 1) / 3600, day_starts(late, 2) / 3600
    (28.0, 48.0)
    """
    midnight = day * DAY_S
    for begin, end in joined(open_spans(hours, midnight - DAY_S, midnight + DAY_S)):
        if begin < midnight < end and end - begin <= _LONGEST_SHIFT_S:
            return end
    return midnight


def working_day(hours: Hours, moment: float) -> int:
    """The working day that a moment belongs to; see `day_starts`."""
    day = int(moment // DAY_S)
    return day if moment >= day_starts(hours, day) else day - 1


def joined(spans: Iterable[tuple[float, float]]) -> list[tuple[float, float]]:
    """Sorted spans with those that touch or overlap joined into one."""
    merged: list[tuple[float, float]] = []
    for begin, end in spans:
        if merged and begin <= merged[-1][1]:
            merged[-1] = merged[-1][0], max(merged[-1][1], end)
        else:
            merged.append((begin, end))
    return merged


class _LaidOut:
    """Spans (begin, end, people at work) laid out in time week after week, as far as anybody has asked."""

    always = False

    def __init__(self) -> None:
        self.begins: list[float] = []
        self.ends: list[float] = []
        self.people: list[float] = []
        self._weeks = 0

    def reach(self, until: float) -> None:
        """Lay the spans out beyond a moment. Raises ValueError when there are none that late."""
        while not self.ends or self.ends[-1] <= until:
            if self._weeks >= MOST_WEEKS:
                raise ValueError("nobody works within the planner's horizon")
            self._lay_next_week()

    def spend(self, begin: float, seconds: float) -> float:
        """When so many seconds of one person's work are done, begun at `begin` and left alone while nobody
        works."""
        if self.always or seconds <= 0:
            return begin + max(0.0, seconds)
        at = self._span_at(begin)
        while True:
            now = max(begin, self.begins[at])
            if now + seconds / self.people[at] <= self.ends[at]:
                return now + seconds / self.people[at]
            seconds -= (self.ends[at] - now) * self.people[at]
            at = self._next_span(at)

    def _span_at(self, ready: float) -> int:
        """The first span that ends after `ready`."""
        self.reach(ready)
        return bisect_right(self.ends, ready)

    def _next_span(self, at: int) -> int:
        if at + 1 >= len(self.ends):
            self.reach(self.ends[-1])
        return at + 1

    def _lay_next_week(self) -> None:
        begins = self._weeks * WEEK_S
        for begin, end, people in self._spans(begins, begins + WEEK_S):
            self.begins.append(begin)
            self.ends.append(end)
            self.people.append(people)
        self._weeks += 1

    def _spans(self, begins: float, ends: float) -> list[tuple[float, float, float]]:
        raise NotImplementedError


class _Opening(_LaidOut):
    """When a station is open; work in it is not shared out, so one person counts."""

    def __init__(self, hours: Hours) -> None:
        super().__init__()
        self.hours = hours
        self.always = not hours.week
        self.longest_s = hours.longest_s

    def fit(self, ready: float, seconds: float) -> float:
        """As `Hours.fit`."""
        if self.always:
            return ready
        if seconds > self.longest_s:
            raise ValueError(f"no span of the week is {seconds:.0f} s long")
        at = self._span_at(ready)
        while True:
            begin = max(ready, self.begins[at])
            if begin + seconds <= self.ends[at]:
                return begin
            at = self._next_span(at)

    def open_s(self, until: float) -> float:
        """Open seconds from 0 to `until`, counted as far as the planner's horizon."""
        if self.always:
            return until
        while self._weeks < MOST_WEEKS and (not self.ends or self.ends[-1] <= until):
            self._lay_next_week()
        last = bisect_left(self.begins, until)
        return sum(min(until, self.ends[i]) - self.begins[i] for i in range(last))

    def _spans(self, begins: float, ends: float) -> list[tuple[float, float, float]]:
        return [(begin, end, 1.0) for begin, end in open_spans(self.hours, begins, ends)]


class _AtWork(_LaidOut):
    """When people are at work, and how many."""

    def __init__(self, hands: Hands) -> None:
        super().__init__()
        self.hands = hands

    def fit(self, ready: float, seconds: float = 0.0) -> float:
        """The first moment from `ready` on at which somebody works."""
        at = self._span_at(ready)
        return max(ready, self.begins[at])

    def _spans(self, begins: float, ends: float) -> list[tuple[float, float, float]]:
        return self.hands.spans(begins, ends)


class HandTime(Protocol):
    """When hands are there: any hours, laid out."""

    def fit(self, ready: float, seconds: float) -> float: ...

    def spend(self, begin: float, seconds: float) -> float: ...


class WorkingDays:
    """Counts the days on which at least one of the stations works."""

    def __init__(self, hours: Iterable[Hours]) -> None:
        self._hours = tuple(dict.fromkeys(hours))
        self._count: list[int] = []

    def count(self, day: int) -> int:
        """Working days up to and including `day` (0 is the first Monday); none before it."""
        if day < 0:
            return day  # the weeks before the plan: only how long ago something was due matters
        while len(self._count) <= day:
            before = self._count[-1] if self._count else 0
            today = any(hours.is_working_day(len(self._count)) for hours in self._hours)
            self._count.append(before + today)
        return self._count[day]

    def late(self, due: float, done: float) -> int:
        """Working days late: 0 when done by the due time, else at least 1."""
        if done <= due:
            return 0
        return max(1, self.count(int(done // DAY_S)) - self.count(int(due // DAY_S)))


def laid_out(hours: Hours) -> _Opening:
    """The hours laid out in time, kept between questions; for callers that ask often."""
    return _Opening(hours)


def laid_out_hands(hands: Hands) -> _AtWork:
    """The people at work as something that remembers how far it was laid out."""
    return _AtWork(hands)
