"""Boxes and bins that no act of the service leaves behind."""

from __future__ import annotations

from collections.abc import Iterator

from sqlalchemy import and_, exists, func, literal, not_, or_, select
from sqlalchemy.orm import Session

from service.audit.damage_rows import ENDED, Found, J, every
from service.records.tables import (
    Job,
    Stock,
)


def reserved_differs(session: Session) -> Iterator[Found]:
    """A bin that holds more or fewer units for jobs than jobs have units there."""
    held = (
        select(Job.bin, Job.sku, func.count().label("jobs"))
        .where(Job.bin.is_not(None))
        .group_by(Job.bin, Job.sku)
        .subquery()
    )
    jobs = func.coalesce(held.c.jobs, 0)
    query = (
        select(Stock.bin, Stock.sku, Stock.reserved, jobs.label("jobs"))
        .outerjoin(held, and_(held.c.bin == Stock.bin, held.c.sku == Stock.sku))
        .where(Stock.reserved != jobs)
    )
    yield from every(session, query)
    counted = exists().where(Stock.bin == held.c.bin, Stock.sku == held.c.sku)
    unknown = select(held.c.bin, held.c.sku, literal(0).label("reserved"), held.c.jobs)
    yield from every(session, unknown.where(not_(counted)))


def counts_impossible(session: Session) -> Iterator[Found]:
    """A bin with less than nothing, or with more units for jobs than stand in it."""
    return every(
        session,
        select(Stock.bin, Stock.sku, Stock.boxed, Stock.reserved).where(
            or_(Stock.reserved < 0, Stock.boxed < Stock.reserved)
        ),
    )


def without_unit(session: Session) -> Iterator[Found]:
    """A unit that is to be engraved next, with no box reserved nor in hand."""
    query = select(Job.id.label("job"), Job.state).where(
        Job.state == J.READY.value, Job.bin.is_(None), not_(Job.unit_in_hand)
    )
    return every(session, query)


def unit_in_two_places(session: Session) -> Iterator[Found]:
    """A unit that is in hand and in a bin, or in a bin though it is gone."""
    query = select(Job.id.label("job"), Job.state, Job.bin).where(
        Job.bin.is_not(None), or_(Job.unit_in_hand, Job.state.in_(ENDED))
    )
    return every(session, query)
