"""Where a plate copy really lies at a station: measured marks in, a transform on record out.

The newest record of a copy counts for loads granted from then on; a load under way keeps the one it was
granted with.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from sqlalchemy.orm import Session

from layout.parts import Shop
from layout.register import Model, ResidualTooLarge, calibrate
from service.errors import BadRequest
from service.models import CalibrationRecord
from service.repositories.moves import write_history
from service.who import Who

#: Measured marks may differ from the fitted plate by this root mean square and no more (common practice, no
#: source): a few spots, far less than a seat's play.
LIMIT_MM = 0.15

Points = Sequence[tuple[float, float]]


def record(
    session: Session,
    shop: Shop,
    station: str,
    copy: str,
    *,
    plate_points: Points,
    measured: Points,
    model: Model,
    who: Who,
    now: datetime,
) -> CalibrationRecord:
    """Fit and write down. Raises BadRequest for what is not there, or for points that don't agree."""
    if station not in shop.stations:
        raise BadRequest("there is no such station", field="station")
    plates = [plate for plate in shop.plates.values() if copy in plate.copies]
    if not plates or plates[0].plate not in shop.stations[station].plates:
        raise BadRequest("this station does not take that plate copy", field="copy")
    try:
        fitted = calibrate(
            "new", station, copy, plate_points=plate_points, measured=measured, model=model, limit_mm=LIMIT_MM
        )
    except ResidualTooLarge as error:
        raise BadRequest(
            f"the marks differ from the plate by {error.residual_mm:.3f} mm, more than {LIMIT_MM} mm: "
            "measure again, and check that the plate lies against its stops",
            field="points",
        ) from None
    except ValueError as error:
        raise BadRequest(str(error), field="points") from None
    row = CalibrationRecord(
        station=station, copy=copy, model=model, matrix=list(fitted.matrix), residual_mm=fitted.residual_mm,
        points=[[*a, *b] for a, b in zip(plate_points, measured, strict=True)], at=now, by=who.name,
    )  # fmt: skip
    session.add(row)
    session.flush()
    write_history(
        session, "plate", row.id, move_from=None, move_to="calibrated", who=who, now=now,
        why=f"{copy} at {station}, {fitted.residual_mm:.3f} mm",
    )  # fmt: skip
    return row
