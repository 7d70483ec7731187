"""The rows that hold what is known of people."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Any

from sqlalchemy import ColumnElement, Select, and_, delete, or_, select, update
from sqlalchemy.orm import Session

from layout.shop.outline import Outline
from service.records.ids import ORDER, public
from service.records.search_words import SAYING
from service.records.states import ENDED_JOBS, JobState
from service.records.tables import (
    BatchOrder,
    FrozenMark,
    History,
    IdempotentRequest,
    Job,
    LoadJob,
    MarkPhoto,
    Order,
    OrderLine,
    OrderWord,
    Promise,
    Remake,
    TurnFile,
)
from service.records.who import Role

#: What is left of an outline; its digest stays beside it.
NO_OUTLINE = Outline().to_record()


def is_over(order: Order) -> bool:
    """Whether no unit of an order can be engraved any more."""
    return all(JobState(job.state) in ENDED_JOBS for line in order.lines for job in line.jobs)


def due(session: Session, *, before: datetime, limit: int) -> Sequence[int]:
    """Orders to be shipped before a moment that are over and not erased, the oldest first."""
    waiting = select(Job.id).where(
        Job.order_id == Order.id, Job.state.not_in([state.value for state in ENDED_JOBS])
    )
    wanted = select(Order.id).where(Order.erased_at.is_(None), Order.ship_by < before, ~waiting.exists())
    return session.scalars(wanted.order_by(Order.ship_by).limit(limit)).all()


def blank(session: Session, order: Order, *, now: datetime) -> None:
    """Take from an order's rows what is known of people."""
    order.buyer = order.order_note = order.gift_note = order.bench_note = ""
    order.erased_at, order.version = now, order.version + 1
    for line in order.lines:
        line.inscriptions = [blanked(stored) for stored in line.inscriptions]
        line.findings, line.checked, line.preview = [], [], None
        line.wish = line.approved_by = None
    lines = select(OrderLine.id).where(OrderLine.order_id == order.id)
    session.execute(update(FrozenMark).where(FrozenMark.line_id.in_(lines)).values(outline=NO_OUTLINE))
    session.execute(delete(OrderWord).where(OrderWord.order_id == order.id))
    # Reasons that were typed beside the bench: what a buyer wants, or who telephoned.
    jobs = select(Job.id).where(Job.order_id == order.id)
    about_jobs = and_(History.subject == "job", History.subject_id.in_(jobs))
    in_talk = or_(*(History.who.startswith(f"{role.value}:") for role in Role if role is not Role.BENCH))
    about_order = and_(History.subject == "order", History.subject_id == order.id)
    session.execute(update(History).where(or_(about_order, and_(about_jobs, in_talk))).values(why=""))
    session.execute(update(Remake).where(_about_remakes(order)).values(note=""))
    session.execute(update(MarkPhoto).where(MarkPhoto.job_id.in_(jobs)).values(look=None))
    # The order's reference still keeps the store from taking it twice.
    session.execute(delete(IdempotentRequest).where(*_answers_about(order)))


def about(session: Session, order: Order) -> dict[str, list[dict[str, Any]]]:
    """Every row about an order, by table, each column as it is stored."""
    lines = select(OrderLine.id).where(OrderLine.order_id == order.id)
    jobs = select(Job.id).where(Job.order_id == order.id)
    happened = or_(
        and_(History.subject == "order", History.subject_id == order.id),
        and_(History.subject == "line", History.subject_id.in_(lines)),
        and_(History.subject == "job", History.subject_id.in_(jobs)),
    )
    wanted: tuple[Select[Any], ...] = (
        select(Order).where(Order.id == order.id),
        select(OrderLine).where(OrderLine.order_id == order.id),
        select(OrderWord).where(OrderWord.order_id == order.id),
        select(FrozenMark).where(FrozenMark.line_id.in_(lines)),
        select(Job).where(Job.order_id == order.id),
        select(Promise).where(Promise.order_id == order.id),
        select(BatchOrder).where(BatchOrder.order_id == order.id),
        select(Remake).where(_about_remakes(order)),
        select(MarkPhoto).where(MarkPhoto.job_id.in_(jobs)),
        select(History).where(happened),
        select(IdempotentRequest).where(*_answers_about(order)),
    )
    found: dict[str, list[dict[str, Any]]] = {}
    for query in wanted:
        for row in session.scalars(query):
            values = {column.key: getattr(row, column.key) for column in row.__table__.columns}
            found.setdefault(row.__tablename__, []).append(values)
    return found


def _about_remakes(order: Order) -> ColumnElement[bool]:
    """Remakes of its units, and those that it was made for."""
    jobs = select(Job.id).where(Job.order_id == order.id)
    return or_(Remake.order_id == order.id, Remake.replacement_id.in_(jobs))


def _answers_about(order: Order) -> tuple[ColumnElement[bool], ...]:
    """Kept answers: to the order itself, and to remakes of its units, by whomever they were asked for."""
    identity = public(ORDER, order.id)
    named = IdempotentRequest.headers.contains(f'/v1/orders/{identity}"', autoescape=True)
    taken = and_(IdempotentRequest.client == order.client, named)
    return (or_(taken, IdempotentRequest.route == f"POST /v1/orders/{identity}/remakes"),)


def blanked(stored: dict[str, Any]) -> dict[str, Any]:
    """A stored inscription without what it says."""
    return {name: "" if name in SAYING else value for name, value in stored.items()}


def jobs(session: Session, order: Order) -> Sequence[int]:
    """All units that there ever were of an order, by their numbers."""
    return session.scalars(select(Job.id).where(Job.order_id == order.id)).all()


def photos(session: Session, order: Order) -> Sequence[int]:
    """Photos of its units, by their numbers."""
    shown = select(MarkPhoto.id).join(Job, Job.id == MarkPhoto.job_id).where(Job.order_id == order.id)
    return session.scalars(shown.order_by(MarkPhoto.id)).all()


def burn_files(session: Session, order: Order) -> Sequence[str]:
    """Digests of all burn files that an order's marks are in; other orders' may be in them as well."""
    loads = select(LoadJob.load_id).join(Job, Job.id == LoadJob.job_id).where(Job.order_id == order.id)
    return session.scalars(select(TurnFile.sha256).where(TurnFile.load_id.in_(loads)).distinct()).all()
