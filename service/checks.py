"""The check as the service answers it: geometry, stock, and the calibrations in force."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from sqlalchemy.orm import Session

from layout.parts import Calibration, Inscription
from service.answers import result_json
from service.db import Database
from service.geometry import Geometry
from service.repositories import orders, stock


def check(
    database: Database, geometry: Geometry, sku: str, inscriptions: Sequence[Inscription]
) -> dict[str, Any]:
    """The whole answer of `POST /v1/checks`.

    `promise.engraved_by` is null until there is a planner that can keep a promise.
    """
    with database.reading() as session:
        calibrations = calibrations_in_force(session)
        available = stock.available(session, sku)
    result, pictures = geometry.proof(sku, inscriptions, calibrations=calibrations)
    return {
        **result_json(result),
        "promise": {"engraved_by": None},
        "stock": {"available": available},
        "proof_svg": next(iter(pictures.values()), None),
        "proofs": pictures,
    }


def calibrations_in_force(session: Session) -> dict[tuple[str, str], Calibration]:
    """The newest calibration of each plate copy at each station."""
    return {
        (record.station, record.copy): Calibration(
            f"C{record.id}", record.station, record.copy, tuple(record.matrix), record.residual_mm
        )
        for record in orders.calibrations(session)
    }
