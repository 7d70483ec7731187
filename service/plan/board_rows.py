"""What the board and the bench's first page show: work by day, loads in hand, scrap."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import exists, func, select
from sqlalchemy.orm import Session, selectinload

from service.loads.load_rows import IS_ACTIVE
from service.records.states import JobState, LotState
from service.records.tables import History, Job, Load, LoadJob, LoadSlot, Lot, Order, OrderLine, TurnFile

#: Jobs that still need work at a bench.
UNDONE = tuple(
    state.value
    for state in (
        JobState.HELD,
        JobState.SHORT,
        JobState.READY,
        JobState.LOADED,
        JobState.ENGRAVED,
        JobState.DOUBTFUL,
        JobState.PASSED,
    )
)
#: Those of them that still have to be burned.
UNBURNED = tuple(
    state.value
    for state in (JobState.HELD, JobState.SHORT, JobState.READY, JobState.LOADED, JobState.DOUBTFUL)
)


def active_loads(session: Session) -> list[Load]:
    """Loads that hold a plate, by station, oldest first."""
    return list(
        session.scalars(
            select(Load)
            .where(IS_ACTIVE)
            .options(selectinload(Load.jobs), selectinload(Load.slots))
            .order_by(Load.station, Load.id)
        )
    )


def recent_loads(session: Session, *, limit: int = 12) -> list[Load]:
    """Loads that are over, newest first."""
    return list(
        session.scalars(
            select(Load).where(Load.ended_at.is_not(None)).order_by(Load.ended_at.desc()).limit(limit)
        )
    )


@dataclass(frozen=True, slots=True)
class InHand:
    """A unit out of its bin that no load has now: it waits beside the bench for its job."""

    job: int
    sku: str
    order_ref: str
    state: str
    faces_done: list[str]
    why: str


def in_hand(session: Session) -> list[InHand]:
    """Units that were pulled, belong to a job and are in no load: misfits, left over, taken back."""
    is_loaded = exists().where(LoadJob.job_id == Job.id, LoadJob.active)
    waiting = session.execute(
        select(Job.id, Job.sku, Order.order_ref, Job.state, Job.faces_done)
        .join(Order, Order.id == Job.order_id)
        .where(Job.unit_in_hand, Job.state.in_(UNDONE), ~is_loaded)
        .order_by(Job.id)
    ).all()
    last = (
        select(func.max(History.id))
        .where(History.subject == "job", History.subject_id.in_([row.id for row in waiting]))
        .group_by(History.subject_id)
    )
    moves = session.scalars(select(History).where(History.id.in_(last)))
    reason_of = {move.subject_id: move.why for move in moves}
    return [InHand(*row, reason_of.get(row.id, "")) for row in waiting]


def open_lots(session: Session) -> list[Lot]:
    """Lots of which bare blades still wait."""
    is_open = (Lot.state == LotState.OPEN.value, Lot.waiting > 0)
    return list(session.scalars(select(Lot).where(*is_open).order_by(Lot.due, Lot.id)))


def counts(session: Session) -> dict[str, int]:
    """How many jobs that still need work are in each state."""
    rows = session.execute(select(Job.state, func.count()).where(Job.state.in_(UNDONE)).group_by(Job.state))
    return {row[0]: row[1] for row in rows}


def unburned(session: Session) -> Sequence[tuple[datetime, float | None, int]]:
    """(ship by, seconds a unit, how many) of every job that has not been burned."""
    rows = session.execute(
        select(Job.ship_by, OrderLine.burn_seconds, func.count())
        .join(OrderLine, OrderLine.id == Job.line_id)
        .where(Job.state.in_(UNBURNED), Job.blade != "")
        .group_by(Job.ship_by, OrderLine.burn_seconds)
        .order_by(Job.ship_by, OrderLine.burn_seconds)
    )
    return [(ship_by, seconds, count) for ship_by, seconds, count in rows]


def work_by_ship_by(
    session: Session, since: datetime, until: datetime
) -> Sequence[tuple[datetime, float | None, int]]:
    """The same of every job to be shipped between two moments, done or not; replacements are not counted
    once more."""
    rows = session.execute(
        select(Job.ship_by, OrderLine.burn_seconds, func.count())
        .join(OrderLine, OrderLine.id == Job.line_id)
        .join(Order, Order.id == Job.order_id)
        .where(
            Order.ship_by >= since,
            Order.ship_by < until,
            Job.state != JobState.CANCELLED.value,
            Job.take == 1,
            Job.blade != "",
        )
        .group_by(Job.ship_by, OrderLine.burn_seconds)
    )
    return [(ship_by, seconds, count) for ship_by, seconds, count in rows]


def late(session: Session, *, before: datetime, limit: int = 30) -> list[Job]:
    """Jobs whose ship-by time is before a moment and that are not released, most urgent first."""
    return list(
        session.scalars(
            select(Job)
            .where(Job.state.in_(UNDONE), Job.ship_by < before)
            .options(selectinload(Job.line).selectinload(OrderLine.order))
            .order_by(Job.ship_by, Job.id)
            .limit(limit)
        )
    )


def short(session: Session) -> Sequence[tuple[str, int, datetime]]:
    """(product, how many jobs wait for a unit, the earliest ship-by) where stock has run out."""
    rows = session.execute(
        select(Job.sku, func.count(), func.min(Job.ship_by))
        .where(Job.state == JobState.SHORT.value)
        .group_by(Job.sku)
        .order_by(func.min(Job.ship_by), Job.sku)
    )
    return [(sku, count, ship_by) for sku, count, ship_by in rows]


def scrapped(session: Session, *, since: datetime) -> Sequence[tuple[str, int]]:
    """(reason, how many units) scrapped since a moment, the commonest first."""
    count = func.count()
    rows = session.execute(
        select(History.why, count)
        .where(History.subject == "job", History.move_to == JobState.SCRAPPED.value, History.at >= since)
        .group_by(History.why)
        .order_by(count.desc(), History.why)
    )
    return [(why, how_many) for why, how_many in rows]


def moved_to(session: Session, state: JobState, *, since: datetime) -> int:
    """How many moves of jobs to a state were made since a moment."""
    return (
        session.scalar(
            select(func.count())
            .select_from(History)
            .where(History.subject == "job", History.move_to == state.value, History.at >= since)
        )
        or 0
    )


def held_orders(session: Session, *, limit: int = 100) -> list[Order]:
    """Orders with a held job, the earliest ship-by first."""
    held = select(Job.order_id).where(Job.state == JobState.HELD.value)
    return list(
        session.scalars(
            select(Order)
            .where(Order.id.in_(held))
            .options(selectinload(Order.lines).selectinload(OrderLine.jobs))
            .order_by(Order.ship_by, Order.id)
            .limit(limit)
        )
    )


def units_in(session: Session, load_ids: Sequence[int]) -> dict[int, int]:
    """How many units each load holds."""
    rows = session.execute(
        select(LoadJob.load_id, func.count())
        .where(LoadJob.load_id.in_(load_ids), LoadJob.active)
        .group_by(LoadJob.load_id)
    )
    return {row[0]: row[1] for row in rows}


def newest_move(session: Session) -> int:
    """The number of the newest row of history: it rises with every move of anything."""
    return session.scalar(select(func.max(History.id))) or 0


def load_signature(session: Session, load_id: int) -> str:
    """Changes with everything that the page of a load shows, except the time."""
    load = session.execute(
        select(Load.state, Load.fence, Load.revision, Load.current_turn, Load.operator).where(
            Load.id == load_id
        )
    ).one_or_none()
    slots = session.execute(
        select(LoadSlot.turn, LoadSlot.slot, LoadSlot.state, LoadSlot.attempt, LoadSlot.removed_why)
        .where(LoadSlot.load_id == load_id)
        .order_by(LoadSlot.id)
    ).all()
    jobs = session.execute(
        select(LoadJob.job_id, LoadJob.active, LoadJob.fetched, Job.state, Job.bin)
        .join(Job, Job.id == LoadJob.job_id)
        .where(LoadJob.load_id == load_id)
        .order_by(LoadJob.id)
    ).all()
    boxed = session.scalar(
        select(func.count())
        .select_from(History)
        .where(
            History.subject == "job",
            History.subject_id.in_([job.job_id for job in jobs]),
            History.move_to == "boxed",
        )
    )
    files = session.scalar(select(func.count()).select_from(TurnFile).where(TurnFile.load_id == load_id))
    return f"{load} {slots} {jobs} {boxed} {files}"
