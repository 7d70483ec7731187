"""Calibrations of plate copies as the service answers them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Literal

from pydantic import Field

from layout.seating.calibration import plate_of
from layout.seating.registration import Lie, lie_of, nominal, off_mm
from layout.shop.plates import Plate
from layout.shop.shop import Shop
from service.loads.calibrations import value_of
from service.records.ids import CALIBRATION, public
from service.records.tables import CalibrationRecord
from service.requests.answers import AnswerBody, Moment

_SHIFT = Field(description="Where the plate's origin lies, x and y in mm.", examples=[[12.5, 8.0]])
_TURN = Field(description="How far it is turned, in degrees counter-clockwise.", examples=[0.03])


class LoadCalibrationAnswer(AnswerBody):
    """The calibration that a load's files are built with."""

    id: str = Field(
        description="The calibration; `nominal`: where the station's description has the plate.",
        examples=["C3"],
    )
    measured_at: Moment | None = Field(description="When it was measured; null: never.")
    residual_mm: float = Field(
        description="By how much its marks disagree at the most, in mm.", examples=[0.012]
    )


class TransformAnswer(AnswerBody):
    """From the plate's coordinates to the station's, taken apart."""

    shift_mm: tuple[float, float] = _SHIFT
    turn_deg: float = _TURN
    scale: tuple[float, float] = Field(
        description="Stretch along the plate's x and y.", examples=[[1.0, 1.0]]
    )
    skew_deg: float = Field(
        description="How far its axes are from a right angle, in degrees.", examples=[0.0]
    )
    matrix: tuple[float, ...] = Field(
        description="The transform itself, a, b, c, d, e, f: x' = a x + b y + c, y' = d x + e y + f.",
        examples=[[1.0, 0.0, 12.5, 0.0, 1.0, 8.0]],
    )


class ApartAnswer(AnswerBody):
    """How far a plate lies from where the station's description has it."""

    shift_mm: tuple[float, float] = Field(
        description="Shift of its origin, x and y in mm.", examples=[[0.1, 0.0]]
    )
    turn_deg: float = _TURN


class PredictedErrorAnswer(AnswerBody):
    """Where the calibration is worst."""

    worst_mm: float | None = Field(
        description="Largest error to expect at a blade, in mm; null: too few marks to say.", examples=[0.02]
    )
    slot: str | None = Field(description="The slot where it is to be expected.", examples=["8"])


class MeasuredMarkAnswer(AnswerBody):
    """One mark of the plate, and where the pointer met it."""

    mark: int | None = Field(
        description="Its number on the plate; null: the description has changed since.", examples=[1]
    )
    plate_mm: tuple[float, float] = Field(description="Its place on the plate, in mm.", examples=[[5.0, 5.0]])
    station_mm: tuple[float, float] = Field(
        description="Where it was met, in the station's coordinates.", examples=[[17.5, 13.0]]
    )
    off_mm: float = Field(
        description="How far that is from where the transform puts it, in mm.", examples=[0.01]
    )


class CalibrationAnswer(AnswerBody):
    """One measurement of where a plate copy lies at a station."""

    id: str = Field(description="The calibration.", examples=["C3"])
    station: str = Field(description="Station.", examples=["fibre-1"])
    plate_copy: str = Field(
        serialization_alias="copy", description="Which of the plates made alike.", examples=["parer-8-a"]
    )
    plate: str | None = Field(
        description="Its plate; null: the description has changed since.", examples=["parer-8"]
    )
    model: Literal["rigid", "similarity", "affine"] = Field(
        description="Which kind of transform was fitted.", examples=["rigid"]
    )
    in_force: bool = Field(description="Whether new loads are built with it.", examples=[True])
    transform: TransformAnswer = Field(description="What was fitted.")
    from_description: ApartAnswer | None = Field(
        description="How far from the description; null: the description has changed since."
    )
    residual_mm: float = Field(
        description="By how much the marks disagree at the most, in mm.", examples=[0.012]
    )
    predicted_error: PredictedErrorAnswer = Field(description="Where it is worst.")
    marks: tuple[MeasuredMarkAnswer, ...] = Field(description="What was measured.")
    at: Moment = Field(description="When.")
    by: str = Field(description="By whom.", examples=["Kit"])


class NewCalibrationAnswer(CalibrationAnswer):
    """A calibration just put on record."""

    stale_loads: tuple[str, ...] = Field(
        description="Loads whose files were made anew because of it.", examples=[["L5"]]
    )


class CalibrationsAnswer(AnswerBody):
    """A page of calibrations."""

    calibrations: tuple[CalibrationAnswer, ...] = Field(description="Newest first.")


def load_calibration_answer(stored: Mapping[str, Any]) -> LoadCalibrationAnswer:
    """Which calibration a load is built with, as the load keeps it."""
    return LoadCalibrationAnswer(
        id=stored["calibration"],
        measured_at=stored.get("at"),
        residual_mm=round(stored["residual_mm"], 4),
    )


def calibration_answer(row: CalibrationRecord, shop: Shop, *, is_newest: bool) -> CalibrationAnswer:
    """One record, its matrix taken apart, and how far from the description while the shop has the plate."""
    station = shop.stations.get(row.station)
    axes = station.axes if station is not None else (1.0, 1.0)
    fitted = value_of(row)
    places = [(x, y) for x, y, *_ in row.points]
    points = [(x, y) for *_, x, y in row.points]
    lie = lie_of(fitted, axes=axes)
    off = off_mm(fitted, places, points, axes=axes) if places else ()
    plate = _plate(shop, row)
    return CalibrationAnswer(
        id=public(CALIBRATION, row.id),
        station=row.station,
        plate_copy=row.copy,
        plate=plate.plate if plate is not None else None,
        model=row.model,  # type: ignore[arg-type]  # the database holds it to these
        in_force=is_newest,
        transform=TransformAnswer(
            shift_mm=(round(lie.shift_mm[0], 4), round(lie.shift_mm[1], 4)),
            turn_deg=round(lie.turn_deg, 5),
            scale=(round(lie.scale[0], 6), round(lie.scale[1], 6)),
            skew_deg=round(lie.skew_deg, 5),
            matrix=tuple(row.matrix),
        ),
        from_description=_apart(shop, row, lie, plate),
        residual_mm=round(row.residual_mm, 4),
        predicted_error=PredictedErrorAnswer(
            worst_mm=None if row.error_mm is None else round(row.error_mm, 4), slot=row.error_slot
        ),
        marks=tuple(
            MeasuredMarkAnswer(
                mark=_number(plate, place), plate_mm=place, station_mm=point, off_mm=round(away, 4)
            )
            for place, point, away in zip(places, points, off, strict=True)
        ),
        at=row.at,
        by=row.by,
    )


def new_calibration_answer(
    row: CalibrationRecord, shop: Shop, stale_loads: Sequence[str]
) -> NewCalibrationAnswer:
    """A record just made, and the loads that it changed."""
    return NewCalibrationAnswer(
        **dict(calibration_answer(row, shop, is_newest=True)), stale_loads=tuple(stale_loads)
    )


def _apart(shop: Shop, row: CalibrationRecord, lie: Lie, plate: Plate | None) -> ApartAnswer | None:
    if plate is None:
        return None
    station = shop.stations[row.station]
    expected = lie_of(nominal(station, plate, row.copy), axes=station.axes)
    dx, dy = (round(a - b, 4) for a, b in zip(lie.shift_mm, expected.shift_mm, strict=True))
    return ApartAnswer(shift_mm=(dx, dy), turn_deg=round(lie.turned_from(expected), 5))


def _plate(shop: Shop, row: CalibrationRecord) -> Plate | None:
    try:
        return plate_of(shop, row.station, row.copy)
    except KeyError:
        return None  # the shop's description has changed since


def _number(plate: Plate | None, place: Sequence[float]) -> int | None:
    numbered = [] if plate is None else [tuple(map(float, mark)) for mark in plate.fiducials]
    return numbered.index(tuple(place)) + 1 if tuple(place) in numbered else None
