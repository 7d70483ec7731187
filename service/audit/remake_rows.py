"""Units made once more that no act of the service leaves behind."""

from __future__ import annotations

from collections.abc import Iterator

from sqlalchemy import exists, func, literal, not_, or_, select
from sqlalchemy.orm import Session, aliased

from service.audit.damage_rows import Found, J, every
from service.records.states import ReturnState
from service.records.tables import History, Job, Remake

_First, _Made = aliased(Job), aliased(Job)


def unlike(session: Session) -> Iterator[Found]:
    """What is made for a unit is of another product or does not stand for it, or it was never released."""
    query = (
        select(Remake.id.label("remake"), _First.id.label("job"), _Made.id.label("made"))
        .join(_First, _First.id == Remake.job_id)
        .join(_Made, _Made.id == Remake.replacement_id)
        .where(
            or_(
                _Made.replaces.is_distinct_from(_First.id),
                _Made.sku != _First.sku,
                _First.order_id != Remake.order_id,
                _First.state.not_in((J.RELEASED.value, J.SCRAPPED.value)),
                # Scrapped: in its own order. Handed over: by another.
                (_First.state == J.SCRAPPED.value) != (_Made.order_id == _First.order_id),
            )
        )
    )
    return every(session, query)


def made_twice(session: Session) -> Iterator[Found]:
    """Two units in the making, or made, for one."""
    stopped = aliased(Job)
    called_off = exists().where(
        stopped.line_id == _Made.line_id,
        stopped.unit == _Made.unit,
        stopped.take >= _Made.take,
        stopped.state == J.CANCELLED.value,
    )
    query = (
        select(Remake.job_id.label("job"), func.count().label("units"))
        .join(_Made, _Made.id == Remake.replacement_id)
        .where(not_(called_off))
        .group_by(Remake.job_id)
        .having(func.count() > literal(1))
    )
    return every(session, query)


def marked_in_stock(session: Session) -> Iterator[Found]:
    """An engraved unit that went back to stock without its mark having been polished away."""
    polished = exists().where(
        History.subject == "remake",
        History.subject_id == Remake.id,
        History.move_to == ReturnState.POLISHING.value,
    )
    burned = select(Remake.id.label("remake"), Remake.job_id.label("job"), Job.faces_done).join(
        Job, Job.id == Remake.job_id
    )
    for row in every(session, burned.where(Remake.state == ReturnState.STOCKED.value, not_(polished))):
        if row["faces_done"]:
            yield row
