"""Orders, lines, jobs and frozen marks."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import ColumnElement, Select, and_, bindparam, delete, func, literal, or_, select, update
from sqlalchemy.orm import Session, selectinload

from service.records import new_rows, outgoing
from service.records.db import DIALECTS, listed, send
from service.records.search_words import folded, range_of, search_words, texts_of
from service.records.tables import Event, FrozenMark, History, Job, LoadSlot, Order, OrderLine, OrderWord

_WHOLE = (
    selectinload(Order.lines).selectinload(OrderLine.jobs),
    selectinload(Order.lines).selectinload(OrderLine.marks),
)


def find(session: Session, order_id: int, *, client: str | None) -> Order | None:
    """One order whole; only the client's own where a client is given."""
    wanted = select(Order).where(Order.id == order_id).options(*_WHOLE)
    if client is not None:
        wanted = wanted.where(Order.client == client)
    return session.scalars(wanted).one_or_none()


def lock(session: Session, order_id: int, *, client: str | None) -> Order | None:
    """One order whole, its row and its jobs' locked: no load can take a job while its words change."""
    wanted = select(Order.id).where(Order.id == order_id)
    if client is not None:
        wanted = wanted.where(Order.client == client)
    if session.scalars(wanted.with_for_update()).one_or_none() is None:
        return None
    jobs = select(Job.id).where(Job.order_id == order_id).order_by(Job.id)
    session.scalars(jobs.with_for_update()).all()
    return find(session, order_id, client=client)


_BY_REF = select(Order.id).where(
    Order.client == bindparam("of_client"), Order.order_ref == bindparam("of_ref")
)
_PLACE = {
    dialect: select(
        _BY_REF.scalar_subquery(),
        new_rows.numbers(Order, literal(1), dialect=dialect),
        new_rows.numbers(OrderLine, bindparam("of_lines"), dialect=dialect),
        new_rows.numbers(Job, bindparam("of_units"), dialect=dialect),
        new_rows.numbers(Event, literal(1), dialect=dialect),
        outgoing.LISTENING[dialect],
    )
    for dialect in DIALECTS
}


@dataclass(frozen=True, slots=True)
class Place:
    """The numbers of a new order, its lines, its units, and the event that tells of it; which callbacks the
    store has."""

    order: int
    lines: Sequence[int]
    jobs: Sequence[int]
    event: int
    callbacks: Sequence[int]


def place(session: Session, client: str, order_ref: str, *, lines: int, units: int) -> Place | int:
    """The place of a new order with so many lines and units, or the number of the order that the store has
    called so before."""
    wanted = {"of_client": client, "of_ref": order_ref, "of_lines": lines, "of_units": units}
    earlier, of_order, of_lines, of_jobs, of_event, callbacks = send(
        session, _PLACE[session.get_bind().dialect.name], wanted
    ).one()
    if earlier is not None:
        return int(earlier)
    (order,), (event,) = new_rows.numbers_from(of_order, 1), new_rows.numbers_from(of_event, 1)
    return Place(
        order,
        new_rows.numbers_from(of_lines, lines),
        new_rows.numbers_from(of_jobs, units),
        event,
        listed(callbacks),
    )


def by_ref(session: Session, client: str, order_ref: str) -> Order | None:
    return session.scalars(
        select(Order).where(Order.client == client, Order.order_ref == order_ref)
    ).one_or_none()


def write_words_anew(session: Session, order: Order) -> None:
    """Keep the words by which the order is found in place of those it had."""
    session.execute(delete(OrderWord).where(OrderWord.order_id == order.id))
    new_rows.put(session, words_of(order))


def words_of(order: Order) -> list[OrderWord]:
    """The words by which an order is found."""
    lines = [(line.sku, line.inscriptions) for line in order.lines]
    words = search_words(texts_of(order.order_ref, order.buyer, lines))
    return [OrderWord(word=word, order_id=order.id) for word in words]


@dataclass(frozen=True, slots=True)
class Sought:
    """A word of a search as it is compared, and the products whose names have a word that begins with it."""

    beginning: str
    skus: tuple[str, ...] = ()


def _with_word(sought: Sought) -> Select[Any]:
    """Orders with a word that begins so, or with a product that is called so; read off the key."""
    since, until = range_of(sought.beginning)
    begins_so = and_(OrderWord.word >= since, OrderWord.word < until)
    skus = [folded(sku)[0] for sku in sought.skus]
    return select(OrderWord.order_id).where(or_(begins_so, OrderWord.word.in_(skus)) if skus else begins_so)


def page(
    session: Session,
    *,
    client: str | None,
    before_id: int | None,
    limit: int,
    job_state: str | None = None,
    handed_over: bool | None = None,
    order_ref: str | None = None,
    sought: Sequence[Sought] = (),
    ship_by: tuple[datetime, datetime] | None = None,
) -> list[Order]:
    """Orders, newest first, after a cursor: those with all words of a search, with a unit in a state, handed
    over by packing or not, to be shipped from one moment to before another."""
    wanted = select(Order).options(*_WHOLE).order_by(Order.id.desc()).limit(limit)
    if client is not None:
        wanted = wanted.where(Order.client == client)
    if before_id is not None:
        wanted = wanted.where(Order.id < before_id)
    if job_state is not None:
        wanted = wanted.where(Order.id.in_(select(Job.order_id).where(Job.state == job_state)))
    if handed_over is not None:
        left = Order.handed_over_at
        wanted = wanted.where(left.is_not(None) if handed_over else left.is_(None))
    if order_ref is not None:
        wanted = wanted.where(Order.order_ref == order_ref)
    if ship_by is not None:
        wanted = wanted.where(Order.ship_by >= ship_by[0], Order.ship_by < ship_by[1])
    for word in sought:
        wanted = wanted.where(Order.id.in_(_with_word(word)))
    return list(session.scalars(wanted))


def job(session: Session, job_id: int, *, client: str | None) -> Job | None:
    wanted = select(Job).where(Job.id == job_id).options(selectinload(Job.line).selectinload(OrderLine.order))
    if client is not None:
        wanted = wanted.join(Order, Order.id == Job.order_id).where(Order.client == client)
    return session.scalars(wanted).one_or_none()


def forget_misfits(session: Session, job_id: int) -> None:
    """Slots in which a unit did not fit may be tried again; the load's record still says that it did not."""
    session.execute(
        update(LoadSlot)
        .where(LoadSlot.job_id == job_id, LoadSlot.removed_why == "does_not_fit")
        .values(removed_why="did_not_fit")
    )


def jobs_page(
    session: Session, *, client: str | None, after_id: int | None, limit: int, state: str | None
) -> list[Job]:
    """Jobs in order of their making, after a cursor."""
    conditions: list[ColumnElement[bool]] = []
    if after_id is not None:
        conditions.append(Job.id > after_id)
    if state is not None:
        conditions.append(Job.state == state)
    wanted = select(Job).order_by(Job.id).limit(limit)
    if client is not None:
        wanted = wanted.join(Order, Order.id == Job.order_id)
        conditions.append(Order.client == client)
    if conditions:
        wanted = wanted.where(and_(*conditions))
    return list(session.scalars(wanted))


def history(session: Session, subject: str, subject_id: int) -> list[History]:
    return list(
        session.scalars(
            select(History)
            .where(History.subject == subject, History.subject_id == subject_id)
            .order_by(History.id)
        )
    )


def count_of(session: Session, order_id: int, what: str) -> int:
    """How often this stands in the history of an order."""
    wanted = select(func.count()).where(
        History.subject == "order", History.subject_id == order_id, History.move_to == what
    )
    return session.scalar(wanted) or 0


def marks(session: Session, line_id: int, words_revision: int) -> list[FrozenMark]:
    """The frozen marks of one wording of a line, in order of position."""
    return list(
        session.scalars(
            select(FrozenMark)
            .where(FrozenMark.line_id == line_id, FrozenMark.words_revision == words_revision)
            .order_by(FrozenMark.position)
        )
    )
