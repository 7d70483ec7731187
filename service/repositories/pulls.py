"""The queue of finished units to fetch."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Select, select
from sqlalchemy.orm import Session

from service.models import Bin, Job, Load, LoadJob
from service.repositories.loads import UNSTARTED
from service.states import JobState


@dataclass(frozen=True, slots=True)
class Pull:
    """So many units of a product from a bin, for these jobs of a load (None: no load has them yet)."""

    load: int | None
    bin: str
    walking_order: int
    sku: str
    jobs: tuple[int, ...]


def of_load(session: Session, load_id: int) -> list[Pull]:
    """What a load still waits for, in walking order."""
    return _grouped(session.execute(_claimed().where(LoadJob.load_id == load_id)))


def claimed(session: Session) -> list[Pull]:
    """What claimed loads still wait for: the oldest load first, in walking order within each."""
    return _grouped(session.execute(_claimed().join(Load, Load.id == LoadJob.load_id).where(*UNSTARTED)))


def planned(session: Session) -> list[Pull]:
    """Units reserved for jobs that no load has taken yet, in walking order, the most urgent jobs first."""
    rows = session.execute(
        select(Job.id, Job.sku, Bin.bin, Bin.walking_order)
        .join(Bin, Bin.bin == Job.bin)
        .where(Job.state == JobState.READY.value)
        .order_by(Bin.walking_order, Bin.bin, Job.sku, Job.priority.desc(), Job.ship_by, Job.id)
    )
    return _grouped(rows, load=False)


def _claimed() -> Select[int, str, str, int, int]:
    return (
        select(Job.id, Job.sku, Bin.bin, Bin.walking_order, LoadJob.load_id)
        .select_from(LoadJob)
        .join(Job, Job.id == LoadJob.job_id)
        .join(Bin, Bin.bin == Job.bin)
        .where(LoadJob.active, LoadJob.fetched == "to_pull")
        .order_by(LoadJob.load_id, Bin.walking_order, Bin.bin, Job.sku, Job.id)
    )


def _grouped(rows: Iterable[Any], *, load: bool = True) -> list[Pull]:
    found: dict[tuple[int | None, str, str], tuple[int, list[int]]] = {}
    for row in rows:
        key = (row.load_id if load else None, row.bin, row.sku)
        found.setdefault(key, (row.walking_order, []))[1].append(row.id)
    return [
        Pull(load_id, bin_name, walking_order, sku, tuple(jobs))
        for (load_id, bin_name, sku), (walking_order, jobs) in found.items()
    ]
