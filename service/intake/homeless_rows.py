"""Units accepted under an earlier description of the shop."""

from __future__ import annotations

from collections.abc import Collection, Sequence

from sqlalchemy import ColumnElement, select
from sqlalchemy.orm import Session

from service.loads.waiting_rows import Waiting, waiting_of
from service.records.states import JobState
from service.records.tables import Job, Order, OrderLine


def open_since_other_catalogues(session: Session, version: str) -> list[Waiting]:
    """Ready and short jobs accepted under another version of the catalogue."""
    is_open = Job.state.in_((JobState.READY.value, JobState.SHORT.value))
    return _waiting(session, is_open, OrderLine.catalogue_version != version)


def held(session: Session, reasons: Sequence[str]) -> list[Waiting]:
    """Jobs that are held for one of those reasons."""
    return _waiting(session, Job.state == JobState.HELD.value, Job.hold_reason.in_(reasons))


def order_refs(session: Session, order_ids: Collection[int]) -> dict[int, str]:
    """The stores' own references, by order id."""
    named = session.execute(select(Order.id, Order.order_ref).where(Order.id.in_(sorted(order_ids))))
    return {row.id: row.order_ref for row in named}


def _waiting(session: Session, *conditions: ColumnElement[bool]) -> list[Waiting]:
    jobs = session.scalars(
        select(Job)
        .join(OrderLine, OrderLine.id == Job.line_id)
        .where(*conditions)
        .order_by(Job.id)
        .execution_options(populate_existing=True)
    )
    return [waiting_of(job) for job in jobs]
