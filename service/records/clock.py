"""The one place that asks what time it is, so that a test can set the time."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime, timedelta

Clock = Callable[[], datetime]
#: Clocks of one shop's machines are no further apart. What lies further in the future than it may, and this
#: on top, was written by a clock that has been set back since: it counts anew from now.
APART = timedelta(seconds=60)


def now() -> datetime:
    """The current time, aware, UTC."""
    return datetime.now(UTC)
