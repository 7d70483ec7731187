"""The plan in force: made in the background, kept as rows, followed by every process that takes a load.

It is kept in the database and not in a process's memory, because it is made by one process (a Celery worker,
or the embedded service's own thread) and followed by others. A claim reads the next few loads of its own
station and nothing more: it never makes a plan and never waits for one.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any
from weakref import WeakKeyDictionary

from sqlalchemy.orm import Session

from layout.loading.backlog import Backlog, Bound, Plan, PlannedLoad, Score
from layout.loading.values import Candidate, Filled, Proposal
from layout.shop.shop import Shop
from service.loads import waiting
from service.plan import in_force_rows as rows
from service.plan import paces as learning
from service.plan import planning as plans
from service.plan.backlog import WallClock, floor_of
from service.plan.paces import Paces
from service.plan.planning import Planned
from service.records.db import Database
from service.records.ids import JOB, LOT, number, public
from service.records.tables import KeptLoad, KeptPlan, KeptSlot
from service.shop.tools import Tools

#: A plan is made again as soon as rows have moved, and every minute at the latest. One that is older than
#: this could not be made again, or did not pass its judge, for a while: nobody follows it.
IN_FORCE_FOR = timedelta(minutes=10)
#: So many loads of a station are looked at: the first ones may be taken already, or wait for their plate.
NEXT_LOADS = 4
#: Planning may take so long when nobody waits for it.
PLAN_SECONDS = 60.0


@dataclass(frozen=True, slots=True)
class Ahead:
    """What the plan has next for a station. `planned` are the units of these loads that still wait;
    `newcomers` those of the candidates that no load of the plan has."""

    loads: tuple[Proposal, ...]
    planned: Mapping[str, Candidate]
    newcomers: tuple[Candidate, ...]

    def without(self, lost: set[str]) -> Ahead:
        """The same when others have taken those jobs."""
        planned = {job: one for job, one in self.planned.items() if job not in lost}
        return Ahead(self.loads, planned, tuple(one for one in self.newcomers if one.job not in lost))


def keep(tools: Tools) -> Planned | None:
    """Put a plan of the rows as they are in force; None when the one in force is that, and not a minute old.

    Raises PlanRefused when the judge finds fault: the one before stays in force until it is too old.
    """
    now, shop = tools.clock(), tools.catalogue.current
    with tools.database.reading() as session:
        newest = rows.newest(session)
        if newest is not None and newest.mark == plans.mark_of(session, shop) and _is_young(newest, now):
            return None
    found = plans.current(tools, seconds=PLAN_SECONDS)
    plan = KeptPlan(made_at=found.made_at, catalogue_version=found.catalogue_version, mark=found.mark)
    tools.database.write(lambda session: rows.put(session, plan, _rows(found)))
    return found


def _is_young(plan: KeptPlan, now: datetime) -> bool:
    return timedelta(0) <= now - plan.made_at <= plans.GOOD_FOR


def in_force(session: Session, shop: Shop, *, now: datetime) -> KeptPlan | None:
    """The plan to follow; None when there is none, or it is too old, or of another catalogue."""
    plan = rows.newest(session)
    if plan is None or plan.catalogue_version != shop.version:
        return None
    return plan if timedelta(0) <= now - plan.made_at <= IN_FORCE_FOR else None


def ahead(
    session: Session, shop: Shop, station: str, candidates: Sequence[Candidate], *, now: datetime
) -> Ahead | None:
    """The next loads of a station, with what still waits of them; None when no plan is in force."""
    plan = in_force(session, shop, now=now)
    if plan is None:
        return None
    loads = rows.loads(session, plan.id, station=station, limit=NEXT_LOADS)
    slots = rows.slots(session, plan.id, [load.number for load in loads])
    job_ids = {slot.job_id for some in slots.values() for slot in some if slot.job_id is not None}
    known = rows.planned_jobs(session, plan.id, [number(JOB, one.job) for one in candidates])
    return Ahead(
        loads=tuple(_proposal(shop, load, slots.get(load.number, [])) for load in loads),
        planned=waiting.candidates_among(session, shop, station, job_ids),
        newcomers=tuple(one for one in candidates if number(JOB, one.job) not in known),
    )


@dataclass(frozen=True, slots=True)
class Outlook:
    """The plan in force as far as a promise needs it: stations, plates and loads, without the jobs."""

    plan_id: int
    backlog: Backlog
    plan: Plan
    clock: WallClock
    paces: Paces


_seen: WeakKeyDictionary[Database, Outlook] = WeakKeyDictionary()


def outlook(tools: Tools) -> Outlook | None:
    """The plan in force, read once by each process; None when there is none to promise from."""
    shop = tools.catalogue.current
    with tools.database.reading() as session:
        kept = in_force(session, shop, now=tools.clock())
        if kept is None:
            return None
        seen = _seen.get(tools.database)
        if seen is None or seen.plan_id != kept.id:
            seen = _outlook(session, shop, kept)
    _seen[tools.database] = seen
    return seen


def _outlook(session: Session, shop: Shop, kept: KeptPlan) -> Outlook:
    floor, clock = floor_of(session, shop, now=kept.made_at)
    slots = rows.slots(session, kept.id)
    loads = tuple(
        PlannedLoad(
            station=load.station,
            plate=load.plate,
            copy=load.copy,
            turns=_turns(shop, load, slots.get(load.number, [])),
            prepares=clock.seconds(load.prepares),
            begins=clock.seconds(load.begins),
            ends=clock.seconds(load.ends),
            changes=load.changes,
        )
        for load in rows.loads(session, kept.id)
    )
    return Outlook(
        kept.id, floor, Plan(loads, {}, Score(0, 0, 0, 0, 0), Bound(0, 0)), clock, learning.paces(session)
    )


def _turns(shop: Shop, load: KeptLoad, slots: Sequence[KeptSlot]) -> tuple[tuple[Filled, ...], ...]:
    """Turns of a planned load, slots in the plate's order."""
    plate = shop.plates.get(load.plate)
    order = {slot.slot: at for at, slot in enumerate(plate.slots)} if plate else {}
    turns: dict[int, list[Filled]] = {}
    for slot in sorted(slots, key=lambda slot: (slot.turn, order.get(slot.slot, 0), slot.slot)):
        turns.setdefault(slot.turn, []).append(_filled(slot))
    return tuple(tuple(turn) for turn in turns.values())


def _proposal(shop: Shop, load: KeptLoad, slots: Sequence[KeptSlot]) -> Proposal:
    return Proposal(load.plate, load.copy, _turns(shop, load, slots))


def _filled(slot: KeptSlot) -> Filled:
    if slot.job_id is not None:
        return Filled(slot.slot, slot.face, job=public(JOB, slot.job_id))
    return Filled(slot.slot, slot.face, lot=public(LOT, slot.lot_id or 0))


def _rows(found: Planned) -> rows.Rows:
    loads, slots = [], []
    for at, load in enumerate(found.plan.loads):
        loads.append(_load_row(found, at, load))
        slots += [
            {
                "number": at,
                "turn": turn,
                "slot": one.slot,
                "face": one.face,
                "job_id": number(JOB, one.job) if one.job is not None else None,
                "lot_id": number(LOT, one.lot) if one.lot is not None else None,
            }
            for turn, row in enumerate(load.turns, start=1)
            for one in row
        ]
    return rows.Rows(loads, slots)


def _load_row(found: Planned, at: int, load: PlannedLoad) -> dict[str, Any]:
    return {
        "number": at,
        "station": load.station,
        "plate": load.plate,
        "copy": load.copy,
        "changes": load.changes,
        "prepares": found.moment(load.prepares),
        "begins": found.moment(load.begins),
        "ends": found.moment(load.ends),
    }
