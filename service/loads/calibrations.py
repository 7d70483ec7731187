"""Where a plate copy really lies at a station: measured marks in, a transform on record out.

The newest record of a copy is in force; older ones stay. What is still to be burned of a load on that copy is
given the new one and its files become stale; a turn that burns or has burned keeps what it was burned with.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

from sqlalchemy.orm import Session

from layout.seating.calibration import plate_of
from layout.seating.registration import Lie, lie_of, nominal, off_mm
from layout.shop.plates import Plate
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
    """Give what a load still has to burn the newest calibration of its plate; whether that was another one.

    A load that burns is left alone until its turn is over.
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
    return {(one.station, one.copy): value_of(one) for one in rows.calibrations_in_force(session)}


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


def named_json(stored: Mapping[str, Any]) -> dict[str, Any]:
    """Which calibration a load is built with; `nominal`: where the station's description has the plate."""
    return {
        "id": stored["calibration"],
        "measured_at": stored.get("at"),
        "residual_mm": round(stored["residual_mm"], 4),
    }


# --- as JSON ---


def calibration_json(row: CalibrationRecord, shop: Shop, *, newest: bool) -> dict[str, Any]:
    """One record, its matrix taken apart, and how far from the description while the shop has the plate."""
    station = shop.stations.get(row.station)
    axes = station.axes if station is not None else (1.0, 1.0)
    fitted = value_of(row)
    places = [(x, y) for x, y, *_ in row.points]
    points = [(x, y) for *_, x, y in row.points]
    lie = lie_of(fitted, axes=axes)
    off = off_mm(fitted, places, points, axes=axes) if places else ()
    plate = _plate(shop, row)
    return {
        "id": public(CALIBRATION, row.id),
        "station": row.station,
        "copy": row.copy,
        "plate": plate.plate if plate is not None else None,
        "model": row.model,
        "in_force": newest,
        "transform": {**_lie_json(lie), "matrix": row.matrix},
        "from_description": _apart(shop, row, lie, plate),
        "residual_mm": round(row.residual_mm, 4),
        "predicted_error": {"worst_mm": _rounded(row.error_mm), "slot": row.error_slot},
        "marks": [
            {
                "mark": _number(plate, place),
                "plate_mm": list(place),
                "station_mm": list(point),
                "off_mm": round(away, 4),
            }
            for place, point, away in zip(places, points, off, strict=True)
        ],
        "at": row.at.isoformat(),
        "by": row.by,
    }


def newest_ids(session: Session) -> set[int]:
    """Records in force."""
    return {row.id for row in rows.calibrations_in_force(session)}


def _lie_json(lie: Lie) -> dict[str, Any]:
    return {
        "shift_mm": [round(v, 4) for v in lie.shift_mm],
        "turn_deg": round(lie.turn_deg, 5),
        "scale": [round(v, 6) for v in lie.scale],
        "skew_deg": round(lie.skew_deg, 5),
    }


def _apart(shop: Shop, row: CalibrationRecord, lie: Lie, plate: Plate | None) -> dict[str, Any] | None:
    if plate is None:
        return None
    station = shop.stations[row.station]
    expected = lie_of(nominal(station, plate, row.copy), axes=station.axes)
    moved = [round(a - b, 4) for a, b in zip(lie.shift_mm, expected.shift_mm, strict=True)]
    return {"shift_mm": moved, "turn_deg": round(lie.turned_from(expected), 5)}


def _plate(shop: Shop, row: CalibrationRecord) -> Plate | None:
    try:
        return plate_of(shop, row.station, row.copy)
    except KeyError:
        return None  # the shop's description has changed since


def _number(plate: Plate | None, place: Sequence[float]) -> int | None:
    known = [] if plate is None else [tuple(map(float, mark)) for mark in plate.fiducials]
    return known.index(tuple(place)) + 1 if tuple(place) in known else None


def _rounded(value: float | None) -> float | None:
    return None if value is None else round(value, 4)
