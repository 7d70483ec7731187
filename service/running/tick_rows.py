"""Leases on the runs of periodic tasks."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from sqlalchemy import delete
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.orm import Session

from service.records.tables import Tick


def take(session: Session, task: str, *, every_seconds: float, now: datetime) -> bool:
    """Whether this caller is the one to run `task` in the period that `now` lies in."""
    tick = int(now.timestamp() // every_seconds)
    dialect: Any = sqlite if session.get_bind().dialect.name == "sqlite" else postgresql
    taken = session.execute(
        dialect.insert(Tick).values(task=task, tick=tick, at=now).on_conflict_do_nothing().returning(Tick.id)
    ).scalar_one_or_none()
    return taken is not None


def forget(session: Session, *, before: datetime) -> None:
    """Delete leases on periods long gone."""
    session.execute(delete(Tick).where(Tick.at < before))
