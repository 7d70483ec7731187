"""The plan in force: written whole, read load by load by whoever takes the next one."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, NamedTuple

from sqlalchemy import bindparam, delete, func, insert, select, update
from sqlalchemy.orm import Session, defer

from service.loads import proving_rows
from service.records.among import among
from service.records.db import send
from service.records.tables import KeptLoad, KeptPlan, KeptSlot


@dataclass(frozen=True, slots=True)
class Rows:
    """A plan as rows; `number` in a slot is that of its load."""

    loads: Sequence[Mapping[str, Any]]
    slots: Sequence[Mapping[str, Any]]


_NEWEST = select(KeptPlan).order_by(KeptPlan.id.desc()).limit(1).options(defer(KeptPlan.summary))


_NEWEST_ID = select(func.max(KeptPlan.id))
_NEWEST_OF_ALL = select(*proving_rows.NEWEST, _NEWEST_ID.scalar_subquery())


def newest_id(session: Session) -> int | None:
    """The number of the plan that was made last."""
    return send(session, _NEWEST_ID).scalar_one_or_none()


def newest_of_all(session: Session) -> tuple[proving_rows.Newest, int | None]:
    """What checks and promises go by: the newest calibration and test card, and the plan made last."""
    calibration_id, card_id, plan_id = send(session, _NEWEST_OF_ALL).one()
    return (calibration_id, card_id), plan_id


def newest(session: Session) -> KeptPlan | None:
    """The plan in force; what it says of itself is read when it is asked for, by pages alone."""
    return session.scalars(_NEWEST).one_or_none()


def put(session: Session, plan: KeptPlan, rows: Rows, *, now: datetime) -> bool:
    """Put a plan in force and forget those before it; False, and nothing is written, when a newer one is.
    One that is of the future, by a clock that was set back since, is no newer one."""
    before = newest(session)
    if before is not None and plan.made_at < before.made_at <= now:
        return False
    session.add(plan)
    session.flush()
    if rows.loads:
        session.execute(insert(KeptLoad), [{"plan_id": plan.id, **load} for load in rows.loads])
        session.execute(insert(KeptSlot), [{"plan_id": plan.id, **slot} for slot in rows.slots])
    for model in (KeptSlot, KeptLoad):
        session.execute(delete(model).where(model.plan_id < plan.id))
    session.execute(delete(KeptPlan).where(KeptPlan.id < plan.id))
    return True


def confirm(
    session: Session, plan_id: int, mark: str, *, planned_at: datetime, compared_at: datetime
) -> None:
    """Say that a plan is that of the rows as they are by now; it stays as it is otherwise."""
    confirmed = {"mark": mark, "planned_at": planned_at, "compared_at": compared_at}
    session.execute(update(KeptPlan).where(KeptPlan.id == plan_id).values(**confirmed))


def is_missed(session: Session, plan_id: int, *, before: datetime) -> bool:
    """Whether a load of the plan should have been taken before that moment."""
    missed = select(KeptLoad.number).where(KeptLoad.plan_id == plan_id, KeptLoad.prepares < before)
    return session.scalars(missed.limit(1)).first() is not None


def count_units(session: Session, plan_id: int) -> int:
    """How many seats of loads of the plan are taken."""
    return session.scalar(select(func.count()).where(KeptSlot.plan_id == plan_id)) or 0


def loads(
    session: Session, plan_id: int, *, station: str | None = None, limit: int | None = None
) -> list[KeptLoad]:
    """Loads of a plan (the first of one station) in order of time."""
    in_time = KeptLoad.begins, KeptLoad.station, KeptLoad.number
    wanted = select(KeptLoad).where(KeptLoad.plan_id == plan_id).order_by(*in_time).limit(limit)
    if station is not None:
        wanted = wanted.where(KeptLoad.station == station)
    return list(session.scalars(wanted))


class Seated(NamedTuple):
    """A seat of a planned load: of a job or a lot, the other is None."""

    number: int
    turn: int
    slot: str
    face: str
    job_id: int | None
    lot_id: int | None


_SEATED = (
    select(*(getattr(KeptSlot, name) for name in Seated._fields))
    .where(KeptSlot.plan_id == bindparam("plan"))
    .order_by(KeptSlot.number, KeptSlot.turn, KeptSlot.slot)
)
_SEATED_IN = _SEATED.where(among(KeptSlot.number, "numbers"))


def slots(session: Session, plan_id: int, numbers: Collection[int] | None = None) -> dict[int, list[Seated]]:
    """What sits in those loads of a plan (None: in all), by load, turn by turn, slots by name."""
    # A plan has thousands: as bare values they are read in a fifth of the time.
    if numbers is None:
        found = send(session, _SEATED, {"plan": plan_id})
    else:
        found = send(session, _SEATED_IN, {"plan": plan_id, "numbers": numbers})
    slots_of: dict[int, list[Seated]] = {}
    for row in found:
        slots_of.setdefault(row.number, []).append(Seated(*row))
    return slots_of


_PLANNED = (
    select(KeptSlot.job_id)
    .where(KeptSlot.plan_id == bindparam("plan"), among(KeptSlot.job_id, "jobs"))
    .distinct()
)


def planned_jobs(session: Session, plan_id: int, job_ids: Collection[int]) -> set[int]:
    """Those of the jobs that some load of the plan has."""
    return set(send(session, _PLANNED, {"plan": plan_id, "jobs": job_ids}).scalars())
