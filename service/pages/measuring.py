"""Measuring where a plate copy lies: its marks as the laser's pointer met them, for whoever is at the
laser."""

from __future__ import annotations

from typing import Any

from fastapi import APIRouter, Request, Response
from sqlalchemy.orm import Session

from layout.seating import calibration as measured
from layout.seating.registration import nominal, to_station
from layout.shop.shop import Shop
from service.doorway import AtHand
from service.loads import load_rows
from service.loads import proving_rows as rows
from service.loads.calibration_answers import calibration_answer
from service.pages.gate import BenchVisitor, Form, Visitor
from service.pages.render import PageRoute, page, status_of
from service.proving import measurements
from service.records.errors import BadRequest, Refusal
from service.records.ids import LOAD, public
from service.records.tables import CalibrationRecord
from service.shop.tools import Tools

router = APIRouter(include_in_schema=False, route_class=PageRoute)

_SHOWN = 20


@router.get("/calibration")
def get_calibration(
    request: Request, tools: AtHand, visitor: BenchVisitor, station: str = "", copy: str = ""
) -> Response:
    """The marks of a plate copy to be measured, and earlier measurements."""
    return _calibration(request, tools, visitor, station, copy)


@router.post("/calibration")
def post_calibration(request: Request, tools: AtHand, visitor: BenchVisitor, form: Form) -> Response:
    """Record where the laser's pointer met the plate's marks."""
    station, copy = str(form.get("station", "")), str(form.get("copy", ""))

    def work(session: Session) -> tuple[CalibrationRecord, tuple[str, ...]]:
        readings = measurements.Readings(station, copy, _met(form))
        fit = measurements.measured(tools.catalogue.current, readings)
        return measurements.record(session, fit, by=tools.by(visitor.who))

    try:
        made, stale = tools.database.write(work)
    except Refusal as refusal:
        return _calibration(request, tools, visitor, station, copy, refused=refusal, typed=form)
    shown = calibration_answer(made, tools.catalogue.current, is_newest=True)
    return _calibration(request, tools, visitor, station, copy, made=shown, stale=stale)


def _calibration(
    request: Request,
    tools: Tools,
    visitor: Visitor,
    station: str,
    copy: str,
    *,
    refused: Refusal | None = None,
    **shown: Any,
) -> Response:
    shop: Shop = tools.catalogue.current
    pairs = [
        (name, plate_copy, plate)
        for name, mounted in shop.stations.items()
        for plate in mounted.plates
        for plate_copy in shop.plates[plate].copies
    ]
    chosen = next((pair for pair in pairs if pair[:2] == (station, copy)), pairs[0])
    plate = shop.plates[chosen[2]]
    with tools.database.reading() as session:
        in_force = rows.calibrations_in_force(session)
        newest = {row.id for row in in_force}
        records = [
            calibration_answer(row, shop, is_newest=row.id in newest)
            for row in rows.calibrations_page(
                session, before_id=None, limit=_SHOWN, station=chosen[0], copy=chosen[1]
            )
        ]
        measured_pairs = {(row.station, row.copy) for row in in_force}
        here = [public(LOAD, load_id) for load_id in load_rows.on_copy(session, chosen[0], chosen[1])]
    expected = to_station(plate.fiducials, nominal(shop.stations[chosen[0]], plate, chosen[1]))
    marks = [(*at, float(x), float(y)) for at, (x, y) in zip(plate.fiducials, expected, strict=True)]
    return page(
        request,
        "calibration.html",
        visitor,
        status=status_of(refused) if refused else 200,
        refused=refused,
        pairs=pairs,
        chosen=chosen,
        marks=marks,
        records=records,
        measured_pairs=measured_pairs,
        loads=here,
        limit=measured.RESIDUAL_LIMIT_MM,
        **{"made": None, "stale": (), "typed": {}, **shown},
    )


def _met(form: Form) -> dict[int, tuple[float, float]]:
    """Where marks were met, by number; a mark left empty was not measured. Raises BadRequest."""
    met = {}
    for number in range(1, 10):
        x, y = (str(form.get(f"{name}-{number}", "")).strip().replace(",", ".") for name in "xy")
        if not x and not y:
            continue
        try:
            met[number] = float(x), float(y)
        except ValueError:
            raise BadRequest(f"mark {number} needs two numbers, x and y in mm", field="marks") from None
        if not all(abs(value) < 1e5 for value in met[number]):
            raise BadRequest(f"mark {number} is no place at a station", field="marks")
    return met
