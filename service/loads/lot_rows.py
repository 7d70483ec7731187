"""Lots."""

from __future__ import annotations

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.records.states import LotState
from service.records.tables import Lot


def find(session: Session, lot_id: int) -> Lot | None:
    return session.get(Lot, lot_id)


def lock(session: Session, lot_id: int) -> Lot | None:
    """One lot as it is now, its row locked against others who would change it."""
    return session.scalars(
        select(Lot).where(Lot.id == lot_id).with_for_update().execution_options(populate_existing=True)
    ).one_or_none()


def newest(session: Session, *, limit: int) -> list[Lot]:
    """Lots that are still worked at, the earliest due first, then those that are over, newest first."""
    over = Lot.state.in_([LotState.HANDED_OVER.value, LotState.CANCELLED.value])
    undone = session.scalars(select(Lot).where(~over).order_by(Lot.due, Lot.id).limit(limit)).all()
    done = session.scalars(select(Lot).where(over).order_by(Lot.id.desc()).limit(limit)).all()
    return [*undone, *done][:limit]


def page(session: Session, *, after_id: int | None, limit: int, state: str | None) -> list[Lot]:
    """Lots in order of their making, after a cursor."""
    wanted = select(Lot).order_by(Lot.id).limit(limit)
    if after_id is not None:
        wanted = wanted.where(Lot.id > after_id)
    if state is not None:
        wanted = wanted.where(Lot.state == state)
    return list(session.scalars(wanted))
