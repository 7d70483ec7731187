"""Units that were scrapped or made once more, and where and by whom they were engraved."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import and_, select
from sqlalchemy.orm import Session

from service.records.states import JobState
from service.records.tables import BurnStart, History, Job, Load, OrderLine, Remake, TurnFile


@dataclass(frozen=True, slots=True)
class Spoiled:
    """A unit, why it was spoiled, and what its line asks for."""

    job: int
    sku: str
    reason: str
    inscriptions: list[Any]
    is_remade: bool  # after its release; else scrapped at the bench


def spoiled(session: Session, since: datetime, until: datetime) -> list[Spoiled]:
    """Units spoiled from one moment to before another; one scrapped because it was made once more counts as
    that alone."""
    made_again = select(Remake.id).where(Remake.job_id == Job.id).exists()
    scrapped = (
        select(Job.id, Job.sku, History.why, OrderLine.inscriptions)
        .join(History, History.subject_id == Job.id)
        .join(OrderLine, OrderLine.id == Job.line_id)
        .where(
            History.subject == "job",
            History.move_to == JobState.SCRAPPED.value,
            History.at >= since,
            History.at < until,
            ~made_again,
        )
        .order_by(Job.id)
    )
    remade = (
        select(Job.id, Job.sku, Remake.reason, OrderLine.inscriptions)
        .join(Remake, Remake.job_id == Job.id)
        .join(OrderLine, OrderLine.id == Job.line_id)
        .where(Remake.created_at >= since, Remake.created_at < until)
        .order_by(Job.id)
    )
    return [
        Spoiled(job, sku, why, asked, is_remade=is_remade)
        for query, is_remade in ((scrapped, False), (remade, True))
        for job, sku, why, asked in session.execute(query)
    ]


@dataclass(frozen=True, slots=True)
class Burned:
    """Where and by whom a unit was engraved, and by which process."""

    job: int
    station: str
    operator: str
    process: str | None


def burned(session: Session, job_ids: Collection[int]) -> list[Burned]:
    """Every burn of those units, once for each place, person and process."""
    its_file = and_(
        TurnFile.load_id == BurnStart.load_id,
        TurnFile.turn == BurnStart.turn,
        TurnFile.sha256 == BurnStart.file_sha256,
    )
    wanted = (
        select(BurnStart.job_id, Load.station, BurnStart.operator, TurnFile.process)
        .join(Load, Load.id == BurnStart.load_id)
        .outerjoin(TurnFile, its_file)
        .where(BurnStart.job_id.in_(sorted(job_ids)))
        .distinct()
    )
    return [
        Burned(job, station, operator, process)
        for job, station, operator, process in session.execute(wanted)
        if job is not None
    ]
