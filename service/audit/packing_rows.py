"""Gathered boxes and ended orders that no act of packing leaves behind."""

from __future__ import annotations

from collections.abc import Iterator

from sqlalchemy import not_, or_, select
from sqlalchemy.orm import Session, aliased

from service.audit.damage_rows import Found, J, every
from service.records.states import GONE_JOBS
from service.records.tables import History, Job, Order

_Later = aliased(History)
#: Its history says that it was handed over, and not that this was taken back since.
_IN_HISTORY = (
    select(History.id)
    .where(
        History.subject == "order",
        History.subject_id == Order.id,
        History.move_to == "handed_over",
        ~select(_Later.id)
        .where(
            _Later.subject == "order",
            _Later.subject_id == Order.id,
            _Later.move_to == "hand_over_taken_back",
            _Later.id > History.id,
        )
        .exists(),
    )
    .exists()
)


def gathered_unreleased(session: Session) -> Iterator[Found]:
    """A box that packing has, of a unit that was not released."""
    query = select(Job.id.label("job"), Job.state)
    return every(session, query.where(Job.gathered_at.is_not(None), Job.state != J.RELEASED.value))


def handed_over_incomplete(session: Session) -> Iterator[Found]:
    """A unit that was not released, or whose box was not gathered, of an order that was handed over."""
    query = select(Order.id.label("order"), Job.id.label("job"), Job.state).join(
        Job, Job.order_id == Order.id
    )
    is_missing = or_(Job.gathered_at.is_(None), Job.state != J.RELEASED.value)
    units = Job.state.not_in([state.value for state in GONE_JOBS])
    return every(session, query.where(Order.handed_over_at.is_not(None), units, is_missing))


def hand_over_unrecorded(session: Session) -> Iterator[Found]:
    """An order that was handed over by nobody, or at no time; or of whose end the history knows, not the row.
    A hand-over that was taken back is none.

    An order that left before packing was kept here has no such history.
    """
    unsigned = Order.handed_over_at.is_(None) != Order.handed_over_by.is_(None)
    for order_id in session.scalars(select(Order.id).where(unsigned)):
        yield {"order": order_id, "what": "handed over without a time or a name"}
    forgotten = select(Order.id).where(Order.handed_over_at.is_(None), not_(unsigned), _IN_HISTORY)
    for order_id in session.scalars(forgotten):
        yield {"order": order_id, "what": "its history says that it was handed over, its row does not"}
