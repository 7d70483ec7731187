"""Calibrations of plate copies at stations: enter what was measured, see what is and was in force."""

from __future__ import annotations

from typing import Annotated, Literal

from fastapi import APIRouter, Query, Request, Response
from pydantic import Field, field_validator

from service.api import wire
from service.api.contract import details
from service.api.security import Bench, House
from service.doorway import AtHand, Route
from service.loads import calibrations
from service.loads import proving_rows as rows
from service.loads.calibration_answers import (
    CalibrationAnswer,
    CalibrationsAnswer,
    NewCalibrationAnswer,
    calibration_answer,
)
from service.proving import measurements
from service.records import errors
from service.records.errors import NotFound
from service.records.ids import CALIBRATION, number
from service.requests.inscriptions import Decimal, Name, Strict, Whole

router = APIRouter(tags=["calibrations"], route_class=Route)

Millimetres = Annotated[Decimal, Field(gt=-1e5, lt=1e5)]


class MarkIn(Strict):
    """A mark by its number on the plate, and where the station says that its pointer met it."""

    mark: Whole = Field(ge=1, le=99, description="The mark's number on the plate.", examples=[1])
    station_mm: tuple[Millimetres, Millimetres] = Field(
        description="Where the pointer met it, in the station's coordinates, in mm.", examples=[[17.5, 13.0]]
    )


class CalibrationIn(Strict):
    station: Name = Field(description="The station.", examples=["fibre-1"])
    plate_copy: Name = Field(
        alias="copy", description="The plate's copy, as its label says.", examples=["parer-8-a"]
    )
    model: Literal["rigid", "similarity", "affine"] = Field(
        default="rigid", description="Which kind of transform is fitted.", examples=["rigid"]
    )
    marks: Annotated[list[MarkIn], Field(min_length=1, max_length=9)] = Field(
        description="What was measured."
    )

    @field_validator("marks")
    @classmethod
    def _each_once(cls, marks: list[MarkIn]) -> list[MarkIn]:
        if len({mark.mark for mark in marks}) != len(marks):
            raise ValueError("a mark is named twice")
        return marks


@router.post(
    "/v1/calibrations",
    status_code=201,
    response_model=NewCalibrationAnswer,
    openapi_extra=details(errors.BadRequest, errors.CalibrationRefused),
)
def record_calibration(
    tools: AtHand, body: CalibrationIn, who: Bench, idempotency_key: wire.IdempotencyKey = None
) -> Response:
    """Put on record where a plate copy lies; files of what is still to be burned on it are made anew."""
    readings = measurements.Readings(
        body.station, body.plate_copy, {mark.mark: mark.station_mm for mark in body.marks}, body.model
    )
    return wire.json_answer(measurements.take(tools, readings, idempotency_key, who=who))


@router.get("/v1/calibrations")
def list_calibrations(
    request: Request,
    tools: AtHand,
    response: Response,
    who: House,
    limit: wire.Limit = 50,
    cursor: wire.Cursor = None,
    station: Annotated[
        str | None, Query(max_length=60, description="Keep that station's.", examples=["fibre-1"])
    ] = None,
    copy: Annotated[
        str | None, Query(max_length=60, description="Keep those of that copy.", examples=["parer-8-a"])
    ] = None,
) -> CalibrationsAnswer:
    """All calibrations, newest first; `in_force` says which count."""
    with tools.database.reading() as session:
        page = rows.calibrations_page(
            session, before_id=wire.read_cursor(cursor), limit=limit + 1, station=station, copy=copy
        )
        if len(page) > limit:
            response.headers["Link"] = wire.next_link(request, page[limit - 1].id, limit)
        newest, shop = calibrations.newest_ids(session), tools.catalogue.current
        return CalibrationsAnswer(
            calibrations=tuple(
                calibration_answer(row, shop, is_newest=row.id in newest) for row in page[:limit]
            )
        )


@router.get("/v1/calibrations/{identity}")
def get_calibration(tools: AtHand, identity: wire.CalibrationId, who: House) -> CalibrationAnswer:
    """One calibration, whether it is still in force or not."""
    with tools.database.reading() as session:
        row = rows.calibration(session, number(CALIBRATION, identity))
        if row is None:
            raise NotFound("no such calibration", id=identity)
        is_newest = row.id in calibrations.newest_ids(session)
        return calibration_answer(row, tools.catalogue.current, is_newest=is_newest)
