"""The one place that asks what time it is, so that a test can set the time."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime

Clock = Callable[[], datetime]


def now() -> datetime:
    """The current time, aware, UTC."""
    return datetime.now(UTC)
