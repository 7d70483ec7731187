"""Rows of batches. What became of an order is a guarded update: two at the same batch count it once."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Any

from sqlalchemy import delete, exists, func, select, update
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.orm import Session

from service.records.states import BatchResult
from service.records.tables import Batch, BatchOrder

_WAITING = BatchOrder.result == BatchResult.WAITING.value


def insert(session: Session, **values: Any) -> int | None:
    """A new batch; None where its client used the key before."""
    dialect = sqlite if session.get_bind().dialect.name == "sqlite" else postgresql
    statement = dialect.insert(Batch).values(values).on_conflict_do_nothing().returning(Batch.id)
    return session.execute(statement).scalar_one_or_none()


def by_key(session: Session, client: str, key: str) -> Batch:
    return session.scalars(select(Batch).where(Batch.client == client, Batch.key == key)).one()


def find(session: Session, batch_id: int, *, client: str | None) -> Batch | None:
    """The batch, if it is that client's (None: whosever it is)."""
    batch = session.get(Batch, batch_id)
    return batch if batch is not None and client in {None, batch.client} else None


def count_open(session: Session, client: str) -> int:
    """How many batches of a client are not finished."""
    wanted = select(func.count()).where(Batch.client == client, Batch.finished_at.is_(None))
    return session.scalar(wanted) or 0


def open_batches(session: Session) -> Sequence[Batch]:
    """Those that are not finished, oldest first."""
    return session.scalars(select(Batch).where(Batch.finished_at.is_(None)).order_by(Batch.id)).all()


def orders(session: Session, batch_id: int) -> Sequence[BatchOrder]:
    """All orders of a batch, as they were handed in."""
    wanted = select(BatchOrder).where(BatchOrder.batch_id == batch_id).order_by(BatchOrder.position)
    return session.scalars(wanted).all()


def waiting(session: Session, batch_id: int, *, limit: int) -> Sequence[BatchOrder]:
    """The next orders of a batch that nothing has become of, those first that were tried least."""
    wanted = select(BatchOrder).where(BatchOrder.batch_id == batch_id, _WAITING)
    return session.scalars(wanted.order_by(BatchOrder.tries, BatchOrder.position).limit(limit)).all()


def settle(
    session: Session,
    order: BatchOrder,
    result: BatchResult,
    *,
    now: datetime,
    order_id: int | None = None,
    problem: dict[str, Any] | None = None,
) -> None:
    """Say what became of an order; does nothing where that was said before. The last finishes its batch."""
    values: dict[str, Any] = {"result": result.value, "order_id": order_id, "problem": problem}
    if result is not BatchResult.FAILED:
        values["body"] = None
    session.execute(update(BatchOrder).where(BatchOrder.id == order.id, _WAITING).values(values))
    finish(session, order.batch_id, now=now)


def finish(session: Session, batch_id: int, *, now: datetime) -> None:
    """Finish a batch of which no order waits."""
    left = exists().where(BatchOrder.batch_id == batch_id, _WAITING)
    unfinished = (Batch.id == batch_id, Batch.finished_at.is_(None))
    session.execute(update(Batch).where(*unfinished, ~left).values(finished_at=now))


def count_try(session: Session, order: BatchOrder) -> None:
    """Note that an order was tried in vain."""
    tried = update(BatchOrder).where(BatchOrder.id == order.id, _WAITING)
    session.execute(tried.values(tries=BatchOrder.tries + 1))


def try_again(session: Session, batch: Batch) -> None:
    """Let orders wait again that were given up."""
    failed = (BatchOrder.batch_id == batch.id, BatchOrder.result == BatchResult.FAILED.value)
    again = {"result": BatchResult.WAITING.value, "problem": None, "tries": 0}
    changed = session.execute(update(BatchOrder).where(*failed).values(again).returning(BatchOrder.id)).all()
    if changed:
        batch.finished_at = None


def forget_older(session: Session, before: datetime) -> None:
    """Delete batches that were finished before a moment and have nothing that was given up."""
    failed = exists().where(BatchOrder.batch_id == Batch.id, BatchOrder.result == BatchResult.FAILED.value)
    over = select(Batch.id).where(Batch.finished_at < before, ~failed).scalar_subquery()
    session.execute(delete(BatchOrder).where(BatchOrder.batch_id.in_(over)))
    session.execute(delete(Batch).where(Batch.finished_at < before, ~failed))
