"""Lots."""

from __future__ import annotations

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.models import Lot


def find(session: Session, lot_id: int) -> Lot | None:
    return session.get(Lot, lot_id)


def lock(session: Session, lot_id: int) -> Lot | None:
    """One lot as it is now, its row locked against others who would change it."""
    return session.scalars(
        select(Lot).where(Lot.id == lot_id).with_for_update().execution_options(populate_existing=True)
    ).one_or_none()


def page(session: Session, *, after_id: int | None, limit: int, state: str | None) -> list[Lot]:
    """Lots in order of their making, after a cursor."""
    wanted = select(Lot).order_by(Lot.id).limit(limit)
    if after_id is not None:
        wanted = wanted.where(Lot.id > after_id)
    if state is not None:
        wanted = wanted.where(Lot.state == state)
    return list(session.scalars(wanted))
