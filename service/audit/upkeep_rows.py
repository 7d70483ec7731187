"""Meters, logs and counts of supplies that no act leaves behind."""

from __future__ import annotations

from collections.abc import Iterator

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from service.audit.damage_rows import Found, every
from service.records.states import LoadState
from service.records.tables import (
    BurnStart,
    History,
    Load,
    RoutineEntry,
    StationMeter,
    SupplyChange,
    SupplyLeft,
)

#: Sums of seconds are rounded.
_APART_S = 1.0


def meter_short(session: Session) -> Iterator[Found]:
    """A station that burned longer, by the burns on record since its meter began, than the meter says. What
    was interrupted is left out: nobody knows how long it burned."""
    interrupted = (
        select(History.id)
        .where(
            History.subject == "load",
            History.subject_id == BurnStart.load_id,
            History.move_to == LoadState.INTERRUPTED.value,
        )
        .exists()
    )
    turns = (
        select(Load.station, BurnStart.started_at, func.max(BurnStart.finished_at))
        .join(Load, Load.id == BurnStart.load_id)
        .join(StationMeter, StationMeter.station == Load.station)
        .where(BurnStart.finished_at.is_not(None), BurnStart.started_at >= StationMeter.since, ~interrupted)
        .group_by(Load.station, BurnStart.load_id, BurnStart.turn, BurnStart.started_at)
    )
    burned: dict[str, float] = {}
    for station, begun, ended in session.execute(turns):
        if ended is not None:
            burned[station] = burned.get(station, 0.0) + max(0.0, (ended - begun).total_seconds())
    for meter in session.scalars(select(StationMeter).order_by(StationMeter.station)):
        on_record = burned.get(meter.station, 0.0)
        if on_record > meter.burned_s + _APART_S:
            yield {"station": meter.station, "meter": round(meter.burned_s), "burned": round(on_record)}


def routines_torn(session: Session) -> Iterator[Found]:
    """A routine check whose entries are not numbered without a gap."""
    query = (
        select(
            RoutineEntry.station,
            RoutineEntry.routine,
            func.count().label("entries"),
            func.max(RoutineEntry.number).label("last"),
        )
        .group_by(RoutineEntry.station, RoutineEntry.routine, RoutineEntry.process)
        .having(func.count() != func.max(RoutineEntry.number))
    )
    return every(session, query)


def supplies_do_not_add_up(session: Session) -> Iterator[Found]:
    """A supply of which the changes on record don't come to what is left."""
    total = func.coalesce(func.sum(SupplyChange.pieces), 0)
    query = (
        select(SupplyLeft.supply, SupplyLeft.remaining, total.label("changes"))
        .outerjoin(SupplyChange, SupplyChange.supply == SupplyLeft.supply)
        .group_by(SupplyLeft.supply, SupplyLeft.remaining)
        .having(total != SupplyLeft.remaining)
    )
    return every(session, query)
