"""A measured calibration: where the laser's pointer met a plate's marks, and how good the fit is.

Nobody can bolt a plate down to a hundredth of a millimetre. So the operator drives the laser's red pointer to
each of the plate's marks (fiducials) and types in the coordinates; the best fit through them says where this
copy of the plate really lies at this station.

The residual says how well the marks agree with one another, the predicted error what to expect at a blade.
A plate that seems to lie far from where the station's description has it is more often a slip of the pen.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from shapely import get_coordinates

from layout.seating.registration import (
    FEWEST,
    MOST_POINTS,
    Lie,
    Model,
    calibrate,
    error_at,
    lie_of,
    nominal,
    off_mm,
)
from layout.shop.findings import Finding, Severity
from layout.shop.plates import Plate
from layout.shop.shop import Shop
from layout.shop.stations import Calibration, Station

# Common practice, no source: all of them a few spots of the laser, and less than a seat's play.
#: Root mean square over all marks.
RESIDUAL_LIMIT_MM = 0.15
#: Any mark by itself: among nine, one bad one could hide under the root mean square.
MARK_LIMIT_MM = 0.25
#: Predicted error at the worst place of any slot.
ERROR_LIMIT_MM = 0.25
#: How far from its description a plate lies when nobody has typed anything wrong.
SHIFT_LIMIT_MM = 10.0
TURN_LIMIT_DEG = 3.0
SCALE_LIMIT = 0.01


@dataclass(frozen=True, slots=True)
class MarkReading:
    """One mark: its number on the plate (from 1), its place there, where the pointer met it (station
    coordinates), and how far that is from where the calibration puts it."""

    mark: int
    plate_mm: tuple[float, float]
    station_mm: tuple[float, float]
    off_mm: float


@dataclass(frozen=True, slots=True)
class Measured:
    """A fit and what it is worth. `error_mm` is the largest error to expect, `slot` the slot it is expected
    in; both None when there are too few marks to tell. With a refusing finding it must not be used."""

    calibration: Calibration
    model: Model
    plate: str
    met: tuple[MarkReading, ...]
    lie: Lie
    expected: Lie
    error_mm: float | None
    slot: str | None
    findings: tuple[Finding, ...]

    @property
    def is_refused(self) -> bool:
        return any(finding.severity is Severity.REFUSE for finding in self.findings)


def measure(
    shop: Shop, station: str, copy: str, met: Mapping[int, tuple[float, float]], *, model: Model = "rigid"
) -> Measured:
    """Fit a plate copy at a station to readings of its marks: station coordinates by mark number.

    Raises KeyError for a station, copy or mark that is not there, or a plate that the station does not take;
    ValueError for marks that determine nothing (too few, in one place, in one line).
    """
    plate, at = plate_of(shop, station, copy), shop.stations[station]
    marks = {}
    for mark in sorted(met):
        if not 1 <= mark <= len(plate.fiducials):
            raise KeyError(f"{plate.plate} has no mark {mark}; it has {len(plate.fiducials)}")
        marks[mark] = plate.fiducials[mark - 1]
    places, points = list(marks.values()), [met[mark] for mark in marks]
    if not FEWEST[model] <= len(points) <= MOST_POINTS:
        raise ValueError(f"measure {FEWEST[model]} to {MOST_POINTS} marks for a {model} fit")
    fitted = calibrate(
        "measured", station, copy, plate_points=places, measured=points, model=model, axes=at.axes
    )
    off = off_mm(fitted, places, points, axes=at.axes)
    pairs = tuple(
        MarkReading(mark, place, point, away)
        for (mark, place), point, away in zip(marks.items(), points, off, strict=True)
    )
    lie, expected = lie_of(fitted, axes=at.axes), lie_of(nominal(at, plate, copy), axes=at.axes)
    error, slot = _worst(fitted, plate, places, model)
    findings = (*_agreement(fitted, pairs), *_plausible(lie, expected, at), *_prediction(error, slot))
    if math.isinf(error):
        return Measured(fitted, model, plate.plate, pairs, lie, expected, None, None, findings)
    return Measured(fitted, model, plate.plate, pairs, lie, expected, error, slot, findings)


def plate_of(shop: Shop, station: str, copy: str) -> Plate:
    """The plate that a copy is of. Raises KeyError when there is none, or the station does not take it."""
    if station not in shop.stations:
        raise KeyError(f"there is no station {station}")
    plate = next((plate for plate in shop.plates.values() if copy in plate.copies), None)
    if plate is None or plate.plate not in shop.stations[station].plates:
        raise KeyError(f"{station} does not take a plate copy named {copy}")
    return plate


def _worst(
    fitted: Calibration, plate: Plate, places: list[tuple[float, float]], model: Model
) -> tuple[float, str | None]:
    """The largest predicted error at any corner of any slot."""
    errors = [
        (error_at(fitted, places, (float(x), float(y)), model=model), slot.slot)
        for slot in plate.slots
        for x, y in get_coordinates(slot.outline)
    ]
    return max(errors, key=lambda error_and_slot: error_and_slot[0], default=(math.inf, None))


def _agreement(fitted: Calibration, readings: tuple[MarkReading, ...]) -> list[Finding]:
    findings = []
    if fitted.residual_mm > RESIDUAL_LIMIT_MM:
        findings.append(
            _refuse(
                "residual_too_large",
                fitted.residual_mm,
                RESIDUAL_LIMIT_MM,
                "mm",
                f"The marks disagree by {fitted.residual_mm:.3f} mm (root mean square), more than "
                f"{RESIDUAL_LIMIT_MM} mm: measure again, and look whether the plate lies against its stops.",
            )
        )
    findings += [
        _refuse(
            "mark_off",
            reading.off_mm,
            MARK_LIMIT_MM,
            "mm",
            f"Mark {reading.mark} was met {reading.off_mm:.3f} mm from where the others put it: "
            "measure it again.",
        )
        for reading in readings
        if reading.off_mm > MARK_LIMIT_MM
    ]
    return findings


def _plausible(lie: Lie, expected: Lie, station: Station) -> list[Finding]:
    shift = math.dist(lie.shift_mm, expected.shift_mm)
    turn = abs(lie.turned_from(expected))
    scale = max(abs(factor - 1) for factor in lie.scale)
    findings = []
    if turn > TURN_LIMIT_DEG:
        findings.append(
            _refuse(
                "turned_away",
                turn,
                TURN_LIMIT_DEG,
                "deg",
                f"The plate would lie {turn:.1f} degrees from how {station.station} is described: were two "
                "marks taken for one another? If it does lie so, correct the station's description first.",
            )
        )
    elif shift > SHIFT_LIMIT_MM:
        findings.append(
            _refuse(
                "shifted_away",
                shift,
                SHIFT_LIMIT_MM,
                "mm",
                f"The plate would lie {shift:.1f} mm from where {station.station}'s description has it: look "
                "for a slip of the pen. If it does lie there, correct the station's description first.",
            )
        )
    if scale > SCALE_LIMIT:
        findings.append(
            _refuse(
                "scaled",
                scale,
                SCALE_LIMIT,
                "1",
                f"The marks lie apart by {100 * scale:.1f} % more or less than on the plate, or mirrored: "
                "look for a slip of the pen, and at the scale of the station's axes.",
            )
        )
    return findings


def _prediction(error_mm: float, slot: str | None) -> list[Finding]:
    if math.isinf(error_mm):
        return [
            Finding(
                "error_unknown",
                Severity.NOTE,
                "So few marks say nothing about the error at a blade: measure one more, far from the others.",
            )
        ]
    if error_mm > ERROR_LIMIT_MM:
        return [
            _refuse(
                "error_too_large",
                error_mm,
                ERROR_LIMIT_MM,
                "mm",
                f"Marks on blades in slot {slot} would be off by {error_mm:.3f} mm (root mean square), more "
                f"than {ERROR_LIMIT_MM} mm: measure again, with marks farther apart.",
            )
        ]
    return []


def _refuse(code: str, measured: float, limit: float, unit: str, message: str) -> Finding:
    return Finding(code, Severity.REFUSE, message, measured=measured, limit=limit, unit=unit)
