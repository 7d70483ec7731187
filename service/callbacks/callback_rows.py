"""Callbacks of stores and the deliveries to them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import lru_cache
from typing import Any

from sqlalchemy import (
    ColumnElement,
    Executable,
    bindparam,
    case,
    exists,
    func,
    not_,
    or_,
    select,
    update,
)
from sqlalchemy.orm import Session, aliased

from service.records.clock import APART
from service.records.db import send
from service.records.tables import Callback, Delivery, Event

_DELIVERIES: Any = Delivery.__table__
_CALLBACKS: Any = Callback.__table__


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


def given_up(
    session: Session, callback: Callback, *, limit: int, before_id: int | None = None
) -> Sequence[tuple[Delivery, Event]]:
    """The deliveries of a callback that are not tried any more without having been taken, newest first."""
    query = (
        select(Delivery, Event)
        .join(Event, Event.id == Delivery.event_id)
        .where(_is_given_up(callback))
        .order_by(Delivery.id.desc())
        .limit(limit)
    )
    rows = session.execute(query if before_id is None else query.where(Delivery.id < before_id))
    return [(row[0], row[1]) for row in rows]


def count_given_up(session: Session, callback: Callback) -> int:
    """How many deliveries of a callback are not tried any more without having been taken."""
    return session.scalar(select(func.count(Delivery.id)).where(_is_given_up(callback))) or 0


def _is_given_up(callback: Callback) -> ColumnElement[bool]:
    """Its schedule is over, or nothing is sent to its callback any more."""
    not_taken = (Delivery.callback_id == callback.id) & Delivery.delivered_at.is_(None)
    return not_taken if callback.disabled_at is not None else not_taken & Delivery.next_at.is_(None)


@dataclass(frozen=True, slots=True)
class Shares:
    """How many deliveries may be under way at once: to one callback, to one that was late `late` times in a
    row, and to all callbacks of one store."""

    callback: int
    late: int
    late_callback: int
    client: int


def claim_due(
    session: Session, *, now: datetime, until: datetime, limit: int, shares: Shares
) -> list[tuple[Delivery, Event, Callback]]:
    """Claim deliveries that are due, within what each receiver and each store may have under way; nobody else
    gets them before `until`. Receivers take turns, the oldest of each first; what is told of one order goes
    to a receiver in the order in which it happened, each when the one before was delivered or given up."""
    claimed = send(session, _claiming(shares), {"at": now, "until": until, "most": limit}).scalars().all()
    if not claimed:
        return []
    rows = session.execute(_CLAIMED, {"claimed": claimed})
    return [(row[0], row[1], row[2]) for row in rows]


@lru_cache(maxsize=8)
def _claiming(shares: Shares) -> Executable:
    """The statement, kept because putting it together takes several times as long as running it. Where much
    is to be told it is sent for every one or two deliveries."""
    at: Any = bindparam("at", type_=Delivery.next_at.type)
    most: Any = bindparam("most")
    under_way = (
        select(Delivery.callback_id, Callback.client)
        .join(Callback, Callback.id == Delivery.callback_id)
        .where(Delivery.next_at.is_not(None), Delivery.claimed_until >= at)
        .cte("under_way")
    )
    to_callback = (
        select(func.count()).where(under_way.c.callback_id == Delivery.callback_id).scalar_subquery()
    )
    to_client = select(func.count()).where(under_way.c.client == Callback.client).scalar_subquery()
    in_turn = (Delivery.next_at, Delivery.id)
    earlier = aliased(Delivery)
    one_before = exists().where(
        earlier.callback_id == Delivery.callback_id,
        earlier.order_id == Delivery.order_id,
        earlier.id < Delivery.id,
        earlier.next_at.is_not(None),
    )
    waiting = (
        select(
            Delivery.id,
            (to_callback + func.row_number().over(partition_by=Delivery.callback_id, order_by=in_turn)).label(
                "of_callback"
            ),
            (to_client + func.row_number().over(partition_by=Callback.client, order_by=in_turn)).label(
                "of_client"
            ),
            case((Callback.late_answers >= shares.late, shares.late_callback), else_=shares.callback).label(
                "share"
            ),
        )
        .join(Callback, Callback.id == Delivery.callback_id)
        .where(
            Delivery.next_at <= at,
            or_(Delivery.claimed_until.is_(None), Delivery.claimed_until < at),
            Callback.disabled_at.is_(None),
            or_(Callback.rests_until.is_(None), Callback.rests_until <= at),
            not_(one_before),
        )
        .subquery("waiting")
    )
    pick = (
        select(Delivery.id)
        .join(waiting, waiting.c.id == Delivery.id)
        .where(
            waiting.c.of_callback <= waiting.c.share,
            waiting.c.of_client <= shares.client,
            # Read again under the lock: another sender may have claimed it since.
            or_(Delivery.claimed_until.is_(None), Delivery.claimed_until < at),
        )
        .order_by(waiting.c.of_callback, Delivery.next_at, Delivery.id)
        .limit(most)
        .with_for_update(skip_locked=True, of=Delivery)
        .cte("pick")
        .prefix_with("MATERIALIZED", dialect="postgresql")
    )
    return (
        update(_DELIVERIES)
        .where(_DELIVERIES.c.id == pick.c.id)
        .values(claimed_until=bindparam("until"), attempts=_DELIVERIES.c.attempts + 1)
        .returning(_DELIVERIES.c.id)
    )


_CLAIMED = (
    select(Delivery, Event, Callback)
    .join(Event, Event.id == Delivery.event_id)
    .join(Callback, Callback.id == Delivery.callback_id)
    .where(Delivery.id.in_(bindparam("claimed", expanding=True)))
    .order_by(Delivery.id)
)


def count_anew(
    session: Session, *, now: datetime, claims_until: datetime, rests_until: datetime, latest: datetime
) -> int:
    """Bring back what a clock wrote that has been set back since: first attempts due after now, others due
    after `latest`, claims and rests that reach beyond theirs. Returns how many rows."""
    changed = 0
    waits = Delivery.next_at.is_not(None)
    first = (Delivery.next_at > now + APART) & (Delivery.attempts == 0)
    for table, column, beyond, becomes in (
        (Delivery, Delivery.next_at, or_(Delivery.next_at > latest, first), now),
        (Delivery, Delivery.claimed_until, waits & (Delivery.claimed_until > claims_until), None),
        (Callback, Callback.rests_until, Callback.rests_until > rests_until, None),
    ):
        done = session.execute(update(table).where(beyond).values({column: becomes}))
        changed += int(done.rowcount)  # type: ignore[attr-defined]
    return changed


#: What of it is recorded comes with the values.
_OUTCOME = update(_DELIVERIES).where(
    _DELIVERIES.c.id == bindparam("of_delivery"),
    _DELIVERIES.c.attempts == bindparam("of_attempt"),
    _DELIVERIES.c.delivered_at.is_(None),
)


def record(session: Session, delivery_id: int, *, attempt: int, **values: Any) -> bool:
    """Record the outcome of an attempt if it is still the newest; False otherwise."""
    named = {"of_delivery": delivery_id, "of_attempt": attempt, "claimed_until": None}
    return send(session, _OUTCOME, {**named, **values}).rowcount == 1


def disable(session: Session, callback_id: int, *, now: datetime, why: str) -> bool:
    """Send nothing there any more; undelivered events wait for a resend."""
    done = session.execute(
        update(Callback)
        .where(Callback.id == callback_id, Callback.disabled_at.is_(None))
        .values(disabled_at=now, disabled_why=why)
    )
    return bool(done.rowcount == 1)  # type: ignore[attr-defined]


def note_late(session: Session, callback_id: int) -> int:
    """Count a receiver that did not answer in time; returns how often in a row."""
    return session.scalars(
        update(Callback)
        .where(Callback.id == callback_id)
        .values(late_answers=Callback.late_answers + 1)
        .returning(Callback.late_answers),
        execution_options={"synchronize_session": False},
    ).one()


def let_rest(session: Session, callback_id: int, *, until: datetime) -> None:
    """Leave a receiver alone for a while."""
    session.execute(update(Callback).where(Callback.id == callback_id).values(rests_until=until))


_ANSWERS_AGAIN = (
    update(_CALLBACKS)
    .where(_CALLBACKS.c.id == bindparam("of_callback"), _CALLBACKS.c.late_answers > 0)
    .values(late_answers=0, rests_until=None)
)


def note_answer(session: Session, callback_id: int) -> None:
    """Record that the receiver answers, whatever its answer."""
    send(session, _ANSWERS_AGAIN, {"of_callback": callback_id})


def count_in_force(session: Session, client: str) -> int:
    """How many callbacks of a store are in force."""
    return (
        session.scalar(select(func.count()).where(Callback.client == client, Callback.disabled_at.is_(None)))
        or 0
    )


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
