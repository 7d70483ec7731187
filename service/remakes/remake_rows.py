"""Remakes, and the orders they are about."""

from __future__ import annotations

from collections.abc import Sequence

from sqlalchemy import func, or_, select
from sqlalchemy.orm import Session, aliased

from service.records.states import JobState
from service.records.tables import Job, Order, OrderLine, Remake


def of_unit(session: Session, job_id: int) -> Sequence[tuple[Remake, Job]]:
    """Remakes of a unit, each with the unit that was made, the first one first."""
    rows = session.execute(
        select(Remake, Job)
        .join(Job, Job.id == Remake.replacement_id)
        .where(Remake.job_id == job_id)
        .order_by(Remake.attempt)
    )
    return [(row[0], row[1]) for row in rows]


def is_made(session: Session, job: Job) -> bool:
    """Whether the unit, or what replaces it when it was spoiled, is made or will be: none was called off."""
    line = select(func.count()).where(
        Job.line_id == job.line_id,
        Job.unit == job.unit,
        Job.take >= job.take,
        Job.state == JobState.CANCELLED.value,
    )
    return not session.scalar(line)


def lock(session: Session, remake_id: int) -> Remake | None:
    """One remake, its row locked: of two people who say where the unit went, one waits."""
    return session.scalars(
        select(Remake)
        .where(Remake.id == remake_id)
        .with_for_update()
        .execution_options(populate_existing=True)
    ).one_or_none()


def first_unit(session: Session, remake: Remake) -> Job:
    """The unit that another is made for."""
    return session.get_one(Job, remake.job_id)


def free_ref(session: Session, client: str, order_ref: str) -> str:
    """The first reference of the kind `AQ-17-R1` that the store has not used."""
    base = order_ref[:90]
    taken = set(
        session.scalars(
            select(Order.order_ref).where(
                Order.client == client, Order.order_ref.startswith(f"{base}-R", autoescape=True)
            )
        )
    )
    return next(ref for number in range(1, len(taken) + 2) if (ref := f"{base}-R{number}") not in taken)


def page(
    session: Session,
    *,
    client: str | None,
    limit: int,
    before_id: int | None = None,
    order_id: int | None = None,
    state: str | None = None,
    remake_id: int | None = None,
) -> Sequence[tuple[Remake, Job, OrderLine, Order, Job, Order]]:
    """Remakes, newest first, each with the first unit, its line and order, and the unit made with its order:
    those of a store, with the first unit in a state, that an order is about on either side."""
    first, made = aliased(Job), aliased(Job)
    of_first, of_made = aliased(Order), aliased(Order)
    wanted = (
        select(Remake, first, OrderLine, of_first, made, of_made)
        .join(first, first.id == Remake.job_id)
        .join(OrderLine, OrderLine.id == first.line_id)
        .join(of_first, of_first.id == Remake.order_id)
        .join(made, made.id == Remake.replacement_id)
        .join(of_made, of_made.id == made.order_id)
        .order_by(Remake.id.desc())
        .limit(limit)
    )
    if client is not None:
        wanted = wanted.where(of_first.client == client)
    if before_id is not None:
        wanted = wanted.where(Remake.id < before_id)
    if order_id is not None:
        wanted = wanted.where(or_(Remake.order_id == order_id, of_made.id == order_id))
    if state is not None:
        wanted = wanted.where(Remake.state == state)
    if remake_id is not None:
        wanted = wanted.where(Remake.id == remake_id)
    return [(r[0], r[1], r[2], r[3], r[4], r[5]) for r in session.execute(wanted)]
