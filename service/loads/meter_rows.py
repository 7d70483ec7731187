"""How long each station has burned, and which processes it burned last: what its routine checks go by."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime

from sqlalchemy.orm import Session

from service.records.tables import ProcessBurned, StationMeter


def count_burn(session: Session, station: str, *, started_at: datetime, seconds: float) -> None:
    """Add a burn to a station's meter; where the clock was set back meanwhile nothing is added.

    A station burns one load at a time, so nobody else writes its row.
    """
    meter = session.get(StationMeter, station, with_for_update=True)
    if meter is None:
        meter = StationMeter(station=station, burned_s=0.0, since=started_at)
        session.add(meter)
    meter.burned_s += max(0.0, seconds)
    session.flush()


def burned_seconds(session: Session, station: str) -> float:
    """What the station's meter says."""
    meter = session.get(StationMeter, station)
    return meter.burned_s if meter is not None else 0.0


def note_processes(session: Session, station: str, processes: Iterable[str], *, at: datetime) -> None:
    """A turn with these processes starts now."""
    for process in processes:
        row = session.get(ProcessBurned, (station, process))
        if row is None:
            session.add(ProcessBurned(station=station, process=process, at=at))
        else:
            row.at = at
    session.flush()


def last_burned(session: Session, station: str, process: str) -> datetime | None:
    """When the station started a turn with a process last; None where that is not on record."""
    row = session.get(ProcessBurned, (station, process))
    return row.at if row is not None else None
