"""Units to be looked at when the shop has changed since they were accepted."""

from __future__ import annotations

from sqlalchemy import ColumnElement, select
from sqlalchemy.orm import Session

from service.loads.waiting_rows import Waiting
from service.records.states import JobState
from service.records.tables import Job, OrderLine


def ready_since_other_catalogues(session: Session, version: str) -> list[Waiting]:
    """Ready jobs that were accepted by another version of the catalogue than this."""
    return _waiting(session, Job.state == JobState.READY.value, OrderLine.catalogue_version != version)


def held(session: Session, reason: str) -> list[Waiting]:
    """Jobs that are held for that reason."""
    return _waiting(session, Job.state == JobState.HELD.value, Job.hold_reason == reason)


def _waiting(session: Session, *conditions: ColumnElement[bool]) -> list[Waiting]:
    jobs = session.scalars(
        select(Job)
        .join(OrderLine, OrderLine.id == Job.line_id)
        .where(*conditions)
        .order_by(Job.id)
        .execution_options(populate_existing=True)
    )
    return [
        Waiting(
            id=job.id,
            order_id=job.order_id,
            line_id=job.line_id,
            words_revision=job.words_revision,
            sku=job.sku,
            blade=job.blade,
            faces=tuple(face for face in job.faces if face not in job.faces_done),
            priority=job.priority,
            ship_by=job.ship_by,
            replaces=job.replaces,
        )
        for job in jobs
    ]
