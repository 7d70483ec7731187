"""The log of routine checks."""

from __future__ import annotations

from collections.abc import Sequence

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.records.tables import RoutineEntry


def newest(session: Session, station: str, routine: str, process: str) -> RoutineEntry | None:
    """The last entry of a check; of one process, where it is tried for each."""
    return session.scalars(
        select(RoutineEntry)
        .where(
            RoutineEntry.station == station,
            RoutineEntry.routine == routine,
            RoutineEntry.process == process,
        )
        .order_by(RoutineEntry.number.desc())
        .limit(1)
    ).first()


def page(
    session: Session, *, station: str | None, before_id: int | None, limit: int
) -> Sequence[RoutineEntry]:
    """A page of the log, newest first."""
    query = select(RoutineEntry).order_by(RoutineEntry.id.desc()).limit(limit)
    if station is not None:
        query = query.where(RoutineEntry.station == station)
    if before_id is not None:
        query = query.where(RoutineEntry.id < before_id)
    return session.scalars(query).all()
