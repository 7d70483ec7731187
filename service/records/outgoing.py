"""Tasks to run and events to report, written as rows in the transaction that they belong to.

Nothing is sent from here. The relay and the callbacks' deliveries read the rows after the commit, so that a
change that was rolled back is never heard of, and one that was made is told even after a crash.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import bindparam, select
from sqlalchemy.orm import Session

from service.records import new_rows
from service.records.db import DIALECTS, as_list, is_test, send
from service.records.ids import ORDER, number
from service.records.tables import Callback, Delivery, Event, Outbox


def ask_for(
    session: Session, task: str, *, now: datetime, after: timedelta = timedelta(0), **arguments: Any
) -> None:
    """Ask for a task `after` this transaction (ids only: messages never carry a customer's words)."""
    session.add(wanted(task, now=now, after=after, **arguments))


def wanted(task: str, *, now: datetime, after: timedelta = timedelta(0), **arguments: Any) -> Outbox:
    """The row of a task that is asked for, not written yet."""
    return Outbox(task=task, arguments=arguments, due_at=now + after, created_at=now)


#: What a store is told by callback; other events are for the shop's own pages.
TOLD = frozenset(
    {
        "order.held",
        "order.accepted",
        "order.released",
        "order.handed_over",
        "order.hand_over_taken_back",
        "order.remade",
        "order.cancelled",
        "order.change_requested",
        "job.engraved",
        "job.scrapped",
        "promise.changed",
    }
)


_LISTENING = select(Callback.id).where(
    Callback.client == bindparam("of_client"), Callback.disabled_at.is_(None)
)
#: The callbacks of `of_client` as one column of another SELECT, for `listed` in `service.records.db`.
LISTENING = {dialect: as_list(_LISTENING, dialect) for dialect in DIALECTS}
#: Tries a receiver: nothing has happened.
PING = "ping"


def tell(session: Session, event_type: str, *, client: str, now: datetime, **data: Any) -> None:
    """Record an event, thin (type and ids), with a delivery to each of the client's callbacks; `order` among
    the ids puts it in line behind what was told of that order before. In the sandbox it says that it is a
    test."""
    put_events(session, [event_of(session, event_type, client=client, now=now, **data)])


def put_events(session: Session, events: Sequence[Event]) -> None:
    """Write events with their deliveries, in their order."""
    new_rows.put(session, events)
    told = [event for event in events if event.type in TOLD]
    listening = {
        client: send(session, _LISTENING, {"of_client": client}).scalars().all()
        for client in {event.client for event in told}
    }
    deliveries = [row for event in told for row in deliveries_of(event, listening[event.client])]
    new_rows.put(session, deliveries)


def event_of(session: Session, event_type: str, *, client: str, now: datetime, **data: Any) -> Event:
    """An event that is not written yet."""
    if is_test(session):
        data["test"] = True
    return Event(type=event_type, client=client, data=data, at=now)


def deliveries_of(event: Event, callbacks: Iterable[int]) -> list[Delivery]:
    """A delivery of an event, which has its number, to each of these callbacks; not written yet."""
    order_id = number(ORDER, event.data["order"]) if "order" in event.data else None
    return [
        Delivery(event_id=event.id, callback_id=callback, order_id=order_id, next_at=event.at)
        for callback in callbacks
    ]


def try_callback(session: Session, callback: Callback, *, named: str, now: datetime) -> None:
    """Send a callback something that says nothing; `named`: its public id."""
    data: dict[str, Any] = {"callback": named}
    if is_test(session):
        data["test"] = True
    event = Event(type=PING, client=callback.client, data=data, at=now)
    session.add(event)
    session.flush()
    session.add(Delivery(event_id=event.id, callback_id=callback.id, next_at=now))
