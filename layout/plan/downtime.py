"""A station's hours changed for a question: spans in which it is down, longer days.

Times are seconds of the shop's wall clock since a Monday, 00:00, as in `layout.shop.hours`.
"""

from __future__ import annotations

from collections.abc import Sequence

from layout.shop.hours import DAY_S, WEEK_S, Hours, joined, laid_out


class Shift:
    """A station's hours without the spans (begin, end) in which it is down."""

    def __init__(self, hours: Hours, down: Sequence[tuple[float, float]] = ()) -> None:
        self._open = laid_out(hours)
        self._down = sorted(span for span in down if span[1] > span[0])

    def fit(self, ready: float, seconds: float) -> float:
        """The earliest moment, not before `ready`, at which uninterrupted work can begin.

        Raises ValueError when no open span is that long.
        """
        begin = self._open.fit(ready, seconds)
        for down, up in self._down:
            if down <= begin < up or begin < down < begin + seconds:
                begin = self._open.fit(up, seconds)
        return begin

    def spend(self, begin: float, seconds: float) -> float:
        """When work begun at `begin` ends, if it pauses while the station is shut or down."""
        for down, up in self._down:
            if up <= begin:
                continue
            if self._open.spend(begin, seconds) <= down:
                break
            if begin < down:
                seconds -= self._open.open_s(down) - self._open.open_s(begin)
            begin = up
        return self._open.spend(begin, seconds)

    def open_s(self, begin: float, end: float) -> float:
        """Seconds between two moments in which the station works."""
        lost = sum(self._between(max(a, begin), min(b, end)) for a, b in joined(self._down))
        return self._between(begin, end) - lost

    def _between(self, begin: float, end: float) -> float:
        return self._open.open_s(end) - self._open.open_s(begin) if end > begin else 0.0


def longer(hours: Hours, seconds: float) -> Hours:
    """The hours with every working day longer by so much at its end, until midnight at the most.

    >>> from layout.shop.hours import Hours
    >>> longer(Hours.of_week({0: ((0, 3600), (7200, 10800))}), 1800).week
    ((0.0, 3600.0), (7200.0, 12600.0))
    """
    last = {int(begin // DAY_S): (begin, end) for begin, end in hours.week}
    spans = []
    for begin, end in hours.week:
        day = int(begin // DAY_S)
        is_last = last[day] == (begin, end)
        midnight = min((day + 1) * DAY_S, WEEK_S)
        spans.append((begin, max(end, min(end + seconds, midnight)) if is_last else end))
    return Hours(tuple(joined(spans)), hours.shut)
