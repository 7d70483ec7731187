"""Callbacks of stores and the deliveries to them."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Any

from sqlalchemy import func, or_, select, update
from sqlalchemy.orm import Session

from service.records.tables import Callback, Delivery, Event


def get(session: Session, callback_id: int, *, client: str | None) -> Callback | None:
    """One callback; `client` set: only if it is that client's."""
    query = select(Callback).where(Callback.id == callback_id)
    return session.scalars(query if client is None else query.where(Callback.client == client)).one_or_none()


def all_of(session: Session, *, client: str | None) -> Sequence[Callback]:
    """The callbacks of a client, or everybody's, oldest first."""
    query = select(Callback).order_by(Callback.id)
    return session.scalars(query if client is None else query.where(Callback.client == client)).all()


def deliveries_of(session: Session, callback_id: int, *, limit: int) -> Sequence[tuple[Delivery, Event]]:
    """The newest deliveries of a callback with their events."""
    rows = session.execute(
        select(Delivery, Event)
        .join(Event, Event.id == Delivery.event_id)
        .where(Delivery.callback_id == callback_id)
        .order_by(Delivery.id.desc())
        .limit(limit)
    )
    return [(row[0], row[1]) for row in rows]


def claim_due(
    session: Session, *, now: datetime, until: datetime, limit: int
) -> list[tuple[Delivery, Event, Callback]]:
    """Claim deliveries that are due; nobody else gets them before `until`."""
    pick = (
        select(Delivery.id)
        .join(Callback, Callback.id == Delivery.callback_id)
        .where(
            Delivery.next_at <= now,
            or_(Delivery.claimed_until.is_(None), Delivery.claimed_until < now),
            Callback.disabled_at.is_(None),
        )
        .order_by(Delivery.next_at, Delivery.id)
        .limit(limit)
        .with_for_update(skip_locked=True, of=Delivery)
        .cte("pick")
        .prefix_with("MATERIALIZED", dialect="postgresql")
    )
    ids = session.scalars(
        update(Delivery)
        .where(Delivery.id == pick.c.id)
        .values(claimed_until=until, attempts=Delivery.attempts + 1)
        .returning(Delivery.id),
        execution_options={"synchronize_session": False},
    ).all()
    rows = session.execute(
        select(Delivery, Event, Callback)
        .join(Event, Event.id == Delivery.event_id)
        .join(Callback, Callback.id == Delivery.callback_id)
        .where(Delivery.id.in_(ids))
        .order_by(Delivery.id)
    )
    return [(row[0], row[1], row[2]) for row in rows]


def record(session: Session, delivery_id: int, *, attempt: int, **values: Any) -> bool:
    """Write what came of an attempt, if it is still the newest one."""
    done = session.execute(
        update(Delivery)
        .where(Delivery.id == delivery_id, Delivery.attempts == attempt, Delivery.delivered_at.is_(None))
        .values(claimed_until=None, **values)
    )
    return bool(done.rowcount == 1)  # type: ignore[attr-defined]


def disable(session: Session, callback_id: int, *, now: datetime, why: str) -> bool:
    """Send nothing there any more; what waits keeps waiting for a resend."""
    done = session.execute(
        update(Callback)
        .where(Callback.id == callback_id, Callback.disabled_at.is_(None))
        .values(disabled_at=now, disabled_why=why)
    )
    return bool(done.rowcount == 1)  # type: ignore[attr-defined]


def last_success(session: Session, callback_id: int) -> datetime | None:
    """When something was last delivered there."""
    return session.scalar(select(func.max(Delivery.delivered_at)).where(Delivery.callback_id == callback_id))


def make_due(session: Session, callback_id: int, *, now: datetime, only: Sequence[int] | None) -> int:
    """Put undelivered deliveries (or those named, delivered or not) at the start of their schedule."""
    query = update(Delivery).where(Delivery.callback_id == callback_id)
    chosen = (
        query.where(Delivery.delivered_at.is_(None)) if only is None else query.where(Delivery.id.in_(only))
    )
    done = session.execute(
        chosen.values(next_at=now, attempts=0, claimed_until=None, delivered_at=None, last_error=None)
    )
    return int(done.rowcount)  # type: ignore[attr-defined]
