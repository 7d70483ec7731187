"""What happened to units and loads in some days. Everything is found by when it happened."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.records.states import JobState, LoadState
from service.records.tables import BurnStart, History, Job, Load, LoadJob, Order, Promise, Remake

#: So many at once: databases limit how many values a query may have.
_AT_ONCE = 500


@dataclass(frozen=True, slots=True)
class Released:
    """A unit that was released: when, when its order came and was to be shipped, and when it was promised to
    be ready; None: nothing was promised."""

    at: datetime
    came: datetime
    ship_by: datetime
    promised: datetime | None


def released(session: Session, since: datetime, until: datetime) -> list[Released]:
    """Units released from one moment to before another."""
    at = _moved(session, JobState.RELEASED, since, until)
    query = (
        select(Job.id, Order.created_at, Order.ship_by, Promise.ready_by)
        .join(Order, Order.id == Job.order_id)
        .outerjoin(Promise, Promise.order_id == Order.id)
    )
    return [
        Released(at[job], came, ship_by, promised)
        for ids in _in_parts(sorted(at))
        for job, came, ship_by, promised in session.execute(query.where(Job.id.in_(ids)))
    ]


def scrapped(session: Session, since: datetime, until: datetime) -> list[datetime]:
    """When units were scrapped at the bench; those that were scrapped because they are made once more are
    left out."""
    at = _moved(session, JobState.SCRAPPED, since, until)
    remade = {
        job
        for ids in _in_parts(sorted(at))
        for job in session.scalars(select(Remake.job_id).where(Remake.job_id.in_(ids)))
    }
    return [moment for job, moment in at.items() if job not in remade]


@dataclass(frozen=True, slots=True)
class ClosedLoad:
    """A load that was released: when, its states with when each began, when its units were inspected, and how
    many units or blades it burned."""

    ended: datetime
    moves: tuple[tuple[str, datetime], ...]
    inspected: tuple[datetime, ...]
    units: int


def closed_loads(session: Session, since: datetime, until: datetime) -> list[ClosedLoad]:
    """Loads released from one moment to before another."""
    rows = session.execute(
        select(Load.id, Load.ended_at)
        .where(Load.ended_at >= since, Load.ended_at < until, Load.state == LoadState.CLOSED.value)
        .order_by(Load.id)
    )
    ended = {load: at for load, at in rows if at is not None}
    return [load for ids in _in_parts(sorted(ended)) for load in _closed(session, ids, ended)]


def _closed(session: Session, ids: Sequence[int], ended: Mapping[int, datetime]) -> Iterator[ClosedLoad]:
    moves: dict[int, list[tuple[str, datetime]]] = {}
    of_loads = select(History.subject_id, History.move_to, History.at).where(
        History.subject == "load", History.subject_id.in_(ids)
    )
    for load, to, at in session.execute(of_loads.order_by(History.id)):
        moves.setdefault(load, []).append((to, at))
    burned: dict[int, set[tuple[int | None, int | None, str]]] = {}
    starts = select(BurnStart.load_id, BurnStart.job_id, BurnStart.lot_id, BurnStart.slot)
    for load, job, lot, slot in session.execute(starts.where(BurnStart.load_id.in_(ids))):
        burned.setdefault(load, set()).add((job, lot, slot if lot is not None else ""))
    inspected: dict[int, list[datetime]] = {}
    for load, at in _inspections(session, ids):
        inspected.setdefault(load, []).append(at)
    for load in ids:
        yield ClosedLoad(
            ended[load], tuple(moves.get(load, ())), tuple(inspected.get(load, ())), len(burned.get(load, ()))
        )


def _inspections(session: Session, ids: Sequence[int]) -> Iterator[tuple[int, datetime]]:
    """Each load with when one of its units was seen to be good or not."""
    loads_of: dict[int, list[int]] = {}
    for load, job in session.execute(select(LoadJob.load_id, LoadJob.job_id).where(LoadJob.load_id.in_(ids))):
        loads_of.setdefault(job, []).append(load)
    seen = (JobState.PASSED.value, JobState.SCRAPPED.value)
    # By the units' numbers: joined, all history there ever was might be looked at.
    for jobs in _in_parts(sorted(loads_of)):
        for job, at in session.execute(
            select(History.subject_id, History.at).where(
                History.subject == "job", History.subject_id.in_(jobs), History.move_to.in_(seen)
            )
        ):
            yield from ((load, at) for load in loads_of[job])


def _moved(session: Session, to: JobState, since: datetime, until: datetime) -> dict[int, datetime]:
    """Jobs that moved to a state in that time, each with when."""
    rows = session.execute(
        select(History.subject_id, History.at)
        .where(History.move_to == to.value, History.at >= since, History.at < until, History.subject == "job")
        .order_by(History.at)
    )
    return {row[0]: row[1] for row in rows}


def _in_parts(ids: Sequence[int]) -> Iterator[Sequence[int]]:
    return (ids[at : at + _AT_ONCE] for at in range(0, len(ids), _AT_ONCE))
