"""Pulls: the queue of finished units to fetch."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Select, and_, func, select
from sqlalchemy.orm import Session

from service.loads.load_rows import UNSTARTED
from service.records.states import JobState
from service.records.tables import Bin, History, Job, KeptLoad, KeptSlot, Load, LoadJob


@dataclass(frozen=True, slots=True)
class Pull:
    """So many units of a product from a bin, for these jobs of a load. `load` is None while no load has them;
    `planned` is then the number of the planned load that will (None: the plan does not know them)."""

    load: int | None
    bin: str
    walking_order: int
    sku: str
    jobs: tuple[int, ...]
    planned: int | None = None
    station: str | None = None


def of_load(session: Session, load_id: int) -> list[Pull]:
    """What a load still waits for, in walking order."""
    return _grouped(session.execute(_claimed().where(LoadJob.load_id == load_id)))


def claimed(session: Session) -> list[Pull]:
    """What claimed loads still wait for: the oldest load first, in walking order within each."""
    return _grouped(session.execute(_claimed().where(*UNSTARTED)))


def planned(session: Session, plan_id: int | None) -> list[Pull]:
    """Units to be engraved, reserved for jobs that no load has taken yet: load by load of the plan, then
    those it does not know; in walking order within each, the most urgent jobs first."""
    seat = and_(KeptSlot.job_id == Job.id, KeptSlot.plan_id == plan_id, KeptSlot.turn == 1)
    rows = session.execute(
        select(Job.id, Job.sku, Bin.bin, Bin.walking_order, KeptLoad.number, KeptLoad.station)
        .select_from(Job)
        .join(Bin, Bin.bin == Job.bin)
        .outerjoin(KeptSlot, seat)
        .outerjoin(KeptLoad, and_(KeptLoad.plan_id == plan_id, KeptLoad.number == KeptSlot.number))
        .where(Job.state == JobState.READY.value, Job.blade != "")
        .order_by(
            KeptLoad.number.is_(None),
            KeptLoad.begins,
            KeptLoad.number,
            Bin.walking_order,
            Bin.bin,
            Job.sku,
            Job.priority.desc(),
            Job.ship_by,
            Job.id,
        )
    )
    first: dict[int, Any] = {}
    for row in rows:
        first.setdefault(row.id, row)  # a unit that needs two visits is pulled for the first
    return _grouped(first.values(), load=False)


def rounds(session: Session, load: Load) -> int:
    """How often units of a load were reported missing or blemished, or such a report was undone. A page drawn
    before the last time speaks of other units than those now fetched."""
    calls = select(func.count()).where(
        History.subject == "job",
        History.subject_id.in_([claim.job_id for claim in load.jobs]),
        History.move_to.in_(("missing", "blemished", "kept")),
        History.at >= load.created_at,
    )
    return int(session.execute(calls).scalar_one())


def notes(session: Session, job_id: int) -> list[History]:
    """Reports about a job's units when they were fetched, in order, since the last one that was undone."""
    moves = session.scalars(
        select(History)
        .where(History.subject == "job", History.subject_id == job_id)
        .where(History.move_to.in_(("found", "missing", "blemished", "kept")))
        .order_by(History.id)
    ).all()
    taken_back = max((at for at, move in enumerate(moves, start=1) if move.move_to == "kept"), default=0)
    return list(moves[taken_back:])


def _claimed() -> Select[int, str, str, int, int, str]:
    return (
        select(Job.id, Job.sku, Bin.bin, Bin.walking_order, LoadJob.load_id, Load.station)
        .select_from(LoadJob)
        .join(Job, Job.id == LoadJob.job_id)
        .join(Bin, Bin.bin == Job.bin)
        .join(Load, Load.id == LoadJob.load_id)
        .where(LoadJob.active, LoadJob.fetched == "to_pull")
        .order_by(LoadJob.load_id, Bin.walking_order, Bin.bin, Job.sku, Job.id)
    )


def _grouped(rows: Iterable[Any], *, load: bool = True) -> list[Pull]:
    pulls: dict[tuple[int | None, str, str], tuple[Any, list[int]]] = {}
    for row in rows:
        key = (row.load_id if load else row.number, row.bin, row.sku)
        pulls.setdefault(key, (row, []))[1].append(row.id)
    return [
        Pull(
            load=row.load_id if load else None,
            bin=row.bin,
            walking_order=row.walking_order,
            sku=row.sku,
            jobs=tuple(jobs),
            planned=None if load else row.number,
            station=row.station,
        )
        for row, jobs in pulls.values()
    ]
