"""Events, oldest first."""

from __future__ import annotations

from collections.abc import Sequence

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from service.records.tables import Event


def after(session: Session, event_id: int, *, client: str | None, limit: int) -> Sequence[Event]:
    """Events with a larger id, a client's own or everybody's."""
    query = select(Event).where(Event.id > event_id).order_by(Event.id).limit(limit)
    return session.scalars(query if client is None else query.where(Event.client == client)).all()


def newest_id(session: Session) -> int:
    """0 when nothing has happened yet."""
    return session.scalar(select(func.max(Event.id))) or 0
