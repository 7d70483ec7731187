"""Calibrations on record: where a plate copy really lies at a station, and which loads are built with it.

The newest record of a copy is in force; older ones stay on record. A load takes over a newer calibration for
whatever it still has to burn, and its files become stale; a turn that burns or has burned keeps its own.
Measuring itself is in `service.proving.measurements`.
"""

from __future__ import annotations

from datetime import datetime
from typing import Any

from sqlalchemy.orm import Session

from layout.seating.registration import nominal
from layout.shop.shop import Shop
from layout.shop.stations import Calibration
from service.loads import contents
from service.loads import proving_rows as rows
from service.records.ids import CALIBRATION, public
from service.records.states import ACTIVE_LOADS, LoadState
from service.records.tables import CalibrationRecord, Load
from service.records.who import By

#: Loads that may still get another calibration; of a burned one nothing is left to burn but by `again`.
_OPEN = ACTIVE_LOADS - {LoadState.BURNING}


def adopt(session: Session, load: Load, *, by: By) -> bool:
    """Build the rest of a load with the newest calibration of its plate; returns whether that changed
    anything.

    A burning load is left alone until its turn is over.
    """
    if LoadState(load.state) not in _OPEN or not contents.pending(load):
        return False
    newest = rows.newest_calibration(session, load.station, load.copy)
    if newest is None or public(CALIBRATION, newest.id) == load.calibration["calibration"]:
        return False
    load.calibration = locked_json(value_of(newest), newest.at)
    contents.raise_revision(
        session,
        load,
        by=by,
        why=f"{load.copy} was measured again ({public(CALIBRATION, newest.id)})",
    )
    return True


def in_force(session: Session) -> dict[tuple[str, str], Calibration]:
    """The newest calibration of each plate copy at each station."""
    return {(record.station, record.copy): value_of(record) for record in rows.calibrations_in_force(session)}


def locked(session: Session, shop: Shop, station: str, plate: str, copy: str) -> dict[str, Any]:
    """The calibration that a new load is built with, as it is kept with the load."""
    newest = rows.newest_calibration(session, station, copy)
    if newest is None:
        return locked_json(nominal(shop.stations[station], shop.plates[plate], copy), None)
    return locked_json(value_of(newest), newest.at)


def value_of(row: CalibrationRecord) -> Calibration:
    return Calibration(public(CALIBRATION, row.id), row.station, row.copy, tuple(row.matrix), row.residual_mm)


def locked_json(calibration: Calibration, at: datetime | None) -> dict[str, Any]:
    return {
        "calibration": calibration.calibration,
        "station": calibration.station,
        "copy": calibration.copy,
        "matrix": list(calibration.matrix),
        "residual_mm": calibration.residual_mm,
        "at": at.isoformat() if at is not None else None,
    }


def newest_ids(session: Session) -> set[int]:
    """Records in force."""
    return {row.id for row in rows.calibrations_in_force(session)}
