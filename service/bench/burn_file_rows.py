"""Burn files on record."""

from __future__ import annotations

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.records.tables import TurnFile


def find(session: Session, load_id: int, turn: int, revision: int, format_name: str) -> TurnFile | None:
    return session.scalars(
        select(TurnFile).where(
            TurnFile.load_id == load_id,
            TurnFile.turn == turn,
            TurnFile.revision == revision,
            TurnFile.format == format_name,
        )
    ).one_or_none()


def add(session: Session, row: TurnFile) -> None:
    """Put a file on record; the caller holds the load's lock and has looked."""
    session.add(row)
    session.flush()
