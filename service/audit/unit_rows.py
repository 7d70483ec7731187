"""Orders, units and frozen marks that no act of the service leaves behind."""

from __future__ import annotations

from collections.abc import Iterator

from sqlalchemy import exists, func, not_, or_, select
from sqlalchemy.orm import Session, aliased

from layout.shop.outline import Outline
from service.audit.damage_rows import BATCH, Found, J, every
from service.records.search_words import SAYING
from service.records.tables import (
    FrozenMark,
    IdempotentRequest,
    Job,
    MarkPhoto,
    Order,
    OrderLine,
    OrderWord,
)


def units_missing(session: Session) -> Iterator[Found]:
    """A line with more or fewer units than its quantity; a scrapped unit counts by its replacement."""
    living = func.count(Job.id).filter(Job.state != J.SCRAPPED.value)
    units = func.count(func.distinct(Job.unit))
    query = (
        select(
            OrderLine.order_id.label("order"),
            OrderLine.line_ref.label("line"),
            OrderLine.quantity,
            living.label("living"),
        )
        .outerjoin(Job, Job.line_id == OrderLine.id)
        .group_by(OrderLine.id)
        .having(or_(living != OrderLine.quantity, units != OrderLine.quantity))
    )
    return every(session, query)


def orders_without_lines(session: Session) -> Iterator[Found]:
    has_lines = exists().where(OrderLine.order_id == Order.id)
    return every(session, select(Order.id.label("order")).where(not_(has_lines)))


def not_replaced(session: Session) -> Iterator[Found]:
    """A scrapped unit without a replacement of its own."""
    successor = aliased(Job)
    replaced = exists().where(
        successor.replaces == Job.id,
        successor.line_id == Job.line_id,
        successor.unit == Job.unit,
        successor.take == Job.take + 1,
    )
    return every(session, select(Job.id.label("job")).where(Job.state == J.SCRAPPED.value, not_(replaced)))


def of_another_order(session: Session) -> Iterator[Found]:
    """A unit whose order, product or line don't belong together."""
    query = select(Job.id.label("job"), Job.order_id.label("order")).join(
        OrderLine, OrderLine.id == Job.line_id
    )
    return every(session, query.where(or_(Job.order_id != OrderLine.order_id, Job.sku != OrderLine.sku)))


def marks_changed(session: Session) -> Iterator[Found]:
    """A frozen outline that is no longer what was approved."""
    query = (
        select(FrozenMark.id.label("mark"), FrozenMark.line_id, FrozenMark.outline, FrozenMark.digest)
        .outerjoin(OrderLine, OrderLine.id == FrozenMark.line_id)
        .outerjoin(Order, Order.id == OrderLine.order_id)
        .where(Order.erased_at.is_(None))
    )
    for row in every(session, query):
        try:
            is_same = Outline.from_record(row["outline"]).digest == row["digest"]
        except (KeyError, TypeError, ValueError, IndexError):
            is_same = False
        if not is_same:
            yield row


def erased_in_part(session: Session) -> Iterator[Found]:
    """An erased order of which words, names or outlines are left."""
    said = or_(Order.buyer != "", Order.order_note != "", Order.gift_note != "", Order.bench_note != "")
    findable = exists().where(OrderWord.order_id == Order.id)
    query = select(Order.id.label("order")).where(Order.erased_at.is_not(None), or_(said, findable))
    yield from every(session, query)
    compared = exists().where(
        MarkPhoto.job_id == Job.id, Job.order_id == Order.id, MarkPhoto.look.is_not(None)
    )
    yield from every(session, select(Order.id.label("order")).where(Order.erased_at.is_not(None), compared))
    of_erased = (
        select(Order.id.label("order"), OrderLine.inscriptions, FrozenMark.outline)
        .join(OrderLine, OrderLine.order_id == Order.id)
        .outerjoin(FrozenMark, FrozenMark.line_id == OrderLine.id)
        .where(Order.erased_at.is_not(None))
    )
    for row in every(session, of_erased):
        words = [stored.get(name) for stored in row["inscriptions"] for name in SAYING]
        if any(words) or any((row["outline"] or {}).values()):
            yield {"order": row["order"]}


def marks_missing(session: Session) -> Iterator[Found]:
    """A unit that may be engraved, or was, without a frozen outline of its words for each of its faces."""
    faces: dict[tuple[int, int], set[str]] = {}
    for line_id, revision, face in session.execute(
        select(FrozenMark.line_id, FrozenMark.words_revision, FrozenMark.face).where(
            FrozenMark.line_id.is_not(None)
        )
    ):
        faces.setdefault((line_id or 0, revision), set()).add(face)
    query = select(Job.id, Job.line_id, Job.words_revision, Job.faces).where(
        Job.state.not_in((J.HELD.value, J.CANCELLED.value))
    )
    for job_id, line_id, revision, wanted in session.execute(query.execution_options(yield_per=BATCH)):
        for face in wanted:
            if face not in faces.get((line_id, revision), ()):
                yield {"job": job_id, "face": face}


def answers_without_order(session: Session) -> Iterator[Found]:
    """A store was told that its order was taken, and there is no such order."""
    orders = set(session.scalars(select(Order.id)))
    query = select(IdempotentRequest.client, IdempotentRequest.headers).where(
        IdempotentRequest.route == "POST /v1/orders", IdempotentRequest.status == 201
    )
    for client, headers in session.execute(query):
        number = (headers or "").partition("/v1/orders/O")[2].partition('"')[0]
        if not number.isdecimal() or int(number) not in orders:
            yield {"client": client, "order": number}
