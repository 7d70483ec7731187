"""Burned files with the slots that each of them burned."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.records.tables import BurnStart, Job, Load, LoadSlot, Order, TurnFile


def burned_files(session: Session) -> Iterator[tuple[Load, int, TurnFile, Sequence[LoadSlot]]]:
    """Load, turn, file and slots of everything that was burned, in order of the loads."""
    starts = select(BurnStart.load_id, BurnStart.turn, BurnStart.file_sha256).distinct()
    for load_id, turn, sha256 in session.execute(starts.order_by(BurnStart.load_id, BurnStart.turn)).all():
        file = session.scalars(
            select(TurnFile)
            .where(TurnFile.load_id == load_id, TurnFile.turn == turn, TurnFile.sha256 == sha256)
            .order_by(TurnFile.id)
        ).first()
        load = session.get(Load, load_id)
        if file is None or load is None:
            continue  # said by a rule of its own
        burned = select(BurnStart.slot).where(
            BurnStart.load_id == load_id, BurnStart.turn == turn, BurnStart.file_sha256 == sha256
        )
        slots = session.scalars(
            select(LoadSlot)
            .where(LoadSlot.load_id == load_id, LoadSlot.turn == turn, LoadSlot.slot.in_(burned))
            .order_by(LoadSlot.id)
        ).all()
        yield load, turn, file, slots


def has_erased_marks(session: Session, slots: Sequence[LoadSlot]) -> bool:
    """Whether one of the slots burned a unit of an order that was erased."""
    jobs = [slot.job_id for slot in slots if slot.job_id is not None]
    of_jobs = select(Job.id).join(Order, Order.id == Job.order_id).where(Job.id.in_(jobs))
    return session.scalars(of_jobs.where(Order.erased_at.is_not(None)).limit(1)).first() is not None
