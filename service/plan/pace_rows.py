"""Burns on record, turn by turn, and what was learned from them."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import delete, func, select
from sqlalchemy.orm import Session

from service.records.states import LoadState
from service.records.tables import BurnStart, History, LearnedPace, Load, TurnFile


@dataclass(frozen=True, slots=True)
class BurnedTurn:
    """One start of one turn that was finished: whose file it was, and when."""

    station: str
    plate: str
    process: str
    estimated_s: float
    units: int
    started_at: datetime
    finished_at: datetime


def burned_turns(session: Session, *, loads: int) -> list[BurnedTurn]:
    """Finished turns of so many of the loads that were started last, the newest first.

    A burn that was interrupted is left out: its end is when somebody said what is on the metal. A turn
    burned again has a file of its own, with those units alone, and is a record of its own."""
    recent = (
        select(Load.id, Load.station, Load.plate)
        .where(Load.started_at.is_not(None))
        .order_by(Load.id.desc())
        .limit(loads)
        .subquery()
    )
    interrupted = (
        select(History.id)
        .where(
            History.subject == "load",
            History.subject_id == BurnStart.load_id,
            History.move_to == LoadState.INTERRUPTED.value,
            History.at.between(BurnStart.started_at, BurnStart.finished_at),
        )
        .exists()
    )
    file = (TurnFile.load_id == BurnStart.load_id, TurnFile.sha256 == BurnStart.file_sha256)
    rows = session.execute(
        select(
            recent.c.station,
            recent.c.plate,
            TurnFile.process,
            TurnFile.burn_seconds,
            BurnStart.started_at,
            BurnStart.finished_at,
            func.count(BurnStart.id.distinct()),
        )
        .join(BurnStart, BurnStart.load_id == recent.c.id)
        .join(TurnFile, (file[0]) & (file[1]) & (TurnFile.turn == BurnStart.turn))
        .where(
            BurnStart.finished_at.is_not(None),
            TurnFile.burn_seconds.is_not(None),
            TurnFile.process.is_not(None),
            ~interrupted,
        )
        .group_by(
            recent.c.id,
            recent.c.station,
            recent.c.plate,
            TurnFile.turn,
            TurnFile.process,
            TurnFile.burn_seconds,
            BurnStart.started_at,
            BurnStart.finished_at,
        )
        .order_by(recent.c.id.desc(), BurnStart.started_at.desc())
    )
    return [
        BurnedTurn(station, plate, process or "", seconds or 0.0, units, begun, finished)
        for station, plate, process, seconds, begun, finished, units in rows
        if finished is not None
    ]


_LEARNED = select(LearnedPace).order_by(LearnedPace.station, LearnedPace.plate, LearnedPace.process)


def learned(session: Session) -> list[LearnedPace]:
    """All paces, by station, plate and process; a station's own first."""
    return list(session.scalars(_LEARNED))


def replace_all(session: Session, rows: Iterable[LearnedPace]) -> None:
    """Write what was learned in place of what was known."""
    session.execute(delete(LearnedPace))
    session.add_all(rows)
    session.flush()
