"""Measuring a plate copy: marks in, a calibration on record out, and the loads in hand follow it.

Older records stay, and a turn that burns or has burned keeps the calibration it was burned with.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass

from sqlalchemy.orm import Session

from layout.seating.calibration import Measured, measure
from layout.seating.registration import Model
from layout.shop.shop import Shop
from service.loads import load_rows, repeats
from service.loads import waiting_rows as claims
from service.loads.calibration_answers import new_calibration_answer
from service.loads.calibrations import adopt
from service.records.errors import BadRequest, CalibrationRefused
from service.records.ids import CALIBRATION, JOB, LOAD, public
from service.records.moves import write_history
from service.records.states import LoadState
from service.records.tables import CalibrationRecord, Load
from service.records.who import By, Who
from service.requests.check_answers import findings_answer
from service.requests.idempotency import Answer, create_once, created
from service.shop.tools import Tools

Points = Mapping[int, tuple[float, float]]


@dataclass(frozen=True, slots=True)
class Readings:
    """What somebody measured: marks of a plate copy by number, each with its station coordinates."""

    station: str
    copy: str
    met: Points
    model: Model = "rigid"


def take(tools: Tools, readings: Readings, idempotency_key: str | None, *, who: Who) -> Answer:
    """Answer `POST /v1/calibrations` once per key. Raises as `measured`."""
    shop = tools.catalogue.current

    def work(session: Session) -> Answer:
        row, stale = record(session, measured(shop, readings), by=tools.by(who))
        body = new_calibration_answer(row, shop, stale)
        return created(body, {"Location": f"/v1/calibrations/{public(CALIBRATION, row.id)}"})

    return create_once(
        tools.database,
        tools.clock,
        client=who.client,
        route="POST /v1/calibrations",
        header=idempotency_key,
        body=asdict(readings),
        work=work,
    )


def measured(shop: Shop, readings: Readings) -> Measured:
    """The fit through the readings.

    Raises BadRequest for an unknown station, copy or mark and for marks that determine nothing,
    CalibrationRefused with its findings for marks that don't agree.
    """
    try:
        fit = measure(shop, readings.station, readings.copy, readings.met, model=readings.model)
    except KeyError as error:
        raise BadRequest(str(error.args[0]), field="copy") from None
    except ValueError as error:
        raise BadRequest(str(error), field="marks") from None
    if fit.is_refused:
        raise CalibrationRefused(
            "these marks are not put on record; nothing was changed",
            residual_mm=round(fit.calibration.residual_mm, 4),
            findings=findings_answer(fit.findings),
        )
    return fit


def record(session: Session, fit: Measured, *, by: By) -> tuple[CalibrationRecord, tuple[str, ...]]:
    """Put a calibration on record; returns it and the loads whose remaining turns it changes."""
    fitted = fit.calibration
    # A claim at this station is either over, and seen below, or waits and reads the new record.
    claims.lock_station(session, fitted.station)
    row = CalibrationRecord(
        station=fitted.station,
        copy=fitted.copy,
        model=fit.model,
        matrix=list(fitted.matrix),
        residual_mm=fitted.residual_mm,
        error_mm=fit.error_mm,
        error_slot=fit.slot,
        points=[[*reading.plate_mm, *reading.station_mm] for reading in fit.met],
        at=by.at,
        by=by.who.name,
    )
    session.add(row)
    session.flush()
    write_history(
        session,
        "plate",
        row.id,
        "calibrated",
        by=by,
        why=f"{row.copy} at {row.station}, {row.residual_mm:.3f} mm",
    )
    stale = []
    for load_id in load_rows.on_copy(session, row.station, row.copy):
        load = load_rows.lock(session, load_id)
        if load is None:
            continue
        why = f"{row.copy} was measured again ({public(CALIBRATION, row.id)})"
        called_off = _call_off_repeats(session, load, why=why, by=by)
        if adopt(session, load, by=by) or called_off:
            stale.append(public(LOAD, load.id))
    return row, tuple(stale)


def _call_off_repeats(session: Session, load: Load, *, why: str, by: By) -> bool:
    """Withdraw repeats not yet started: they would now lie beside the first mark. Returns whether there were
    any."""
    if LoadState(load.state) is not LoadState.SEATED:
        return False
    jobs = [
        public(JOB, slot.job_id) for slot in repeats.to_burn_again(session, load) if slot.job_id is not None
    ]
    if jobs:
        repeats.withdraw(session, load, load.current_turn, jobs, why, by=by)
    return bool(jobs)
