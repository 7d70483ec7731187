"""A clock that stands still until a test moves it."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

#: A Tuesday morning, in the trade's busy season.
MORNING = datetime(2026, 11, 24, 8, 0, tzinfo=UTC)


class SetClock:
    """A `service.records.clock.Clock`: call it for the time, `advance` it to make time pass.

    >>> clock = a_clock()
    >>> clock.advance(minutes=15) - MORNING
    datetime.timedelta(seconds=900)
    """

    def __init__(self, at: datetime) -> None:
        self.at = at

    def __call__(self) -> datetime:
        return self.at

    def advance(self, **parts: float) -> datetime:
        """Move on by `datetime.timedelta(**parts)`; gives the new time."""
        self.at += timedelta(**parts)
        return self.at


def a_clock(at: datetime = MORNING) -> SetClock:
    return SetClock(at)
