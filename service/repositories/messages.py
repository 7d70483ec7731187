"""Rows that tell: tasks for the relay, events for pages and callbacks."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from sqlalchemy.orm import Session

from service.models import Event, Outbox


def ask_for(
    session: Session, task: str, *, now: datetime, due_at: datetime | None = None, **arguments: Any
) -> None:
    """Ask for a task after this transaction (ids only: messages never carry a customer's words)."""
    session.add(Outbox(task=task, arguments=arguments, due_at=due_at or now, created_at=now))


def tell(session: Session, event_type: str, *, client: str, now: datetime, **data: Any) -> None:
    """Record that something happened, thin: type and ids."""
    session.add(Event(type=event_type, client=client, data=data, at=now))
