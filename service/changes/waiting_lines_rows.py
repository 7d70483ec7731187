"""Lines of orders with units that wait: of these a change of the description has something to say."""

from __future__ import annotations

from collections.abc import Sequence

from sqlalchemy import delete, func, select
from sqlalchemy.orm import Session, selectinload

from service.records.states import JobState, LotState
from service.records.tables import Job, Lot, OrderLine, Tick

#: Not burned yet. A loaded unit is burned by the description that its load was claimed under.
WAITING = (JobState.HELD, JobState.READY, JobState.SHORT, JobState.LOADED)
_STATES = tuple(state.value for state in WAITING)
_IS_WAITING = (Job.state.in_(_STATES), Job.blade != "")


def count(session: Session) -> int:
    """How many lines have units that wait to be engraved."""
    return session.scalar(select(func.count(Job.line_id.distinct())).where(*_IS_WAITING)) or 0


def next_lines(session: Session, *, after: int, limit: int) -> Sequence[OrderLine]:
    """The next such lines by number, with their order and units."""
    ids = select(Job.line_id).where(*_IS_WAITING, Job.line_id > after).distinct()
    numbers = session.scalars(ids.order_by(Job.line_id).limit(limit)).all()
    query = select(OrderLine).where(OrderLine.id.in_(numbers)).order_by(OrderLine.id)
    return session.scalars(query.options(selectinload(OrderLine.jobs), selectinload(OrderLine.order))).all()


def lots(session: Session) -> Sequence[Lot]:
    """Lots with blades that wait for their mark."""
    is_open = (Lot.state == LotState.OPEN.value, Lot.waiting > 0)
    return session.scalars(select(Lot).where(*is_open).order_by(Lot.id)).all()


def line_of(session: Session, order_id: int, line_ref: str) -> OrderLine | None:
    """A line of an order, with its order."""
    query = select(OrderLine).where(OrderLine.order_id == order_id, OrderLine.line_ref == line_ref)
    return session.scalar(query.options(selectinload(OrderLine.order)))


def look_at_places_soon(session: Session) -> None:
    """Have accepted units looked at in the new description at once, not at the sweep's next turn."""
    session.execute(delete(Tick).where(Tick.task == "sweep_places"))
