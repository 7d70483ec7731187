"""What stores are told about an order and its units, always with the ids that the store knows them by."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime
from typing import Any

from sqlalchemy.orm import Session

from service.records.ids import JOB, ORDER, public
from service.records.outgoing import event_of, put_events
from service.records.tables import Event, Job, Order


def tell_order(session: Session, event_type: str, order: Order, *, now: datetime, **more: Any) -> None:
    """Tell the store what happened to an order; `more` goes into the event's data."""
    put_events(session, [order_event(session, event_type, order, now=now, **more)])


def tell_orders(session: Session, event_type: str, orders: Iterable[Order], *, now: datetime) -> None:
    """Tell the stores the same of several orders, one after the other."""
    put_events(session, [order_event(session, event_type, order, now=now) for order in orders])


def order_event(session: Session, event_type: str, order: Order, *, now: datetime, **more: Any) -> Event:
    """What the store is told of an order, not written yet."""
    return event_of(
        session,
        event_type,
        client=order.client,
        now=now,
        order=public(ORDER, order.id),
        order_ref=order.order_ref,
        **more,
    )


def tell_unit(session: Session, event_type: str, job: Job, *, now: datetime, **more: Any) -> None:
    """Tell the store what happened to one unit: its order, line and job; `more` goes into the event's
    data."""
    put_events(session, [_unit_event(session, event_type, job, now=now, **more)])


def tell_units(session: Session, event_type: str, jobs: Iterable[Job], *, now: datetime) -> None:
    """Tell the stores the same of several units, one after the other."""
    put_events(session, [_unit_event(session, event_type, job, now=now) for job in jobs])


def _unit_event(session: Session, event_type: str, job: Job, *, now: datetime, **more: Any) -> Event:
    return order_event(
        session,
        event_type,
        job.line.order,
        now=now,
        line_ref=job.line.line_ref,
        job=public(JOB, job.id),
        **more,
    )
