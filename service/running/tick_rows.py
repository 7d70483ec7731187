"""When periodic tasks last ran, so that only one of several schedulers runs each."""

from __future__ import annotations

from collections.abc import Collection
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import or_, select, update
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.orm import Session

from service.records.tables import Tick


def last(session: Session, tasks: Collection[str]) -> dict[str, datetime]:
    """When each of those tasks ran last; one that never ran is left out. Locks nothing."""
    rows = session.execute(select(Tick.task, Tick.at).where(Tick.task.in_(tasks)))
    return {row.task: row.at for row in rows}


def is_due(ran: datetime | None, *, every: timedelta, now: datetime) -> bool:
    """Whether a task that ran then, or never, is due. One that ran in the future is: a clock was set back."""
    return ran is None or ran <= now - every or ran > now


def take(session: Session, task: str, *, every: timedelta, now: datetime) -> bool:
    """Take the task if its last run is at least `every` ago, or lies in the future: then a clock was set
    back, and waiting for that time to come again would leave everything lying."""
    again = session.execute(
        update(Tick).where(Tick.task == task, or_(Tick.at <= now - every, Tick.at > now)).values(at=now)
    )
    if again.rowcount == 1:  # type: ignore[attr-defined]
        return True
    dialect: Any = sqlite if session.get_bind().dialect.name == "sqlite" else postgresql
    first = session.execute(
        dialect.insert(Tick).values(task=task, at=now).on_conflict_do_nothing().returning(Tick.id)
    ).scalar_one_or_none()
    return first is not None
