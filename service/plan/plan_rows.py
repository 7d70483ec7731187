"""What a plan of the whole backlog reads, and what was promised."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass

from sqlalchemy import ColumnElement, func, or_, select
from sqlalchemy.orm import Session

from service.loads.load_rows import IS_ACTIVE
from service.loads.waiting_rows import WAITING, Waiting, waiting_of
from service.records.states import JobState, LotState
from service.records.tables import Bin, History, Job, Load, LoadSlot, Lot, Order, OrderLine, Promise, TurnFile


@dataclass(frozen=True, slots=True)
class Timed:
    """A ready job with what planning needs besides its places."""

    waiting: Waiting
    burn_seconds: float
    faces: int
    walking_order: int | None


def ready(session: Session) -> list[Timed]:
    """All ready jobs with a unit to be engraved, in queue order."""
    has_unit = or_(Job.bin.is_not(None), Job.unit_in_hand)
    return _timed(session, Job.state == JobState.READY.value, Job.blade != "", has_unit)


def waiting_for_stock(session: Session) -> list[Timed]:
    """All short jobs, in queue order."""
    return _timed(session, Job.state == JobState.SHORT.value)


def of_orders(session: Session, order_ids: Collection[int]) -> list[Timed]:
    """The units to be engraved that those orders came with, as whole as they came, whatever has become of
    them since; those held or cancelled left out."""
    return _timed(
        session,
        Job.order_id.in_(sorted(order_ids)),
        Job.take == 1,
        Job.blade != "",
        Job.state.not_in([JobState.HELD.value, JobState.CANCELLED.value]),
        whole=True,
    )


def _timed(session: Session, *conditions: ColumnElement[bool], whole: bool = False) -> list[Timed]:
    rows = session.execute(
        select(
            *WAITING,
            OrderLine.burn_seconds,
            Bin.walking_order,
        )
        .join(OrderLine, OrderLine.id == Job.line_id)
        .outerjoin(Bin, Bin.bin == Job.bin)
        .where(*conditions)
        .order_by(Job.priority.desc(), Job.ship_by, Job.id)
    )
    return [
        Timed(
            waiting_of(row, whole=whole),
            row.burn_seconds or 0.0,
            len(row.faces),
            row.walking_order,
        )
        for row in rows
    ]


def active_loads(session: Session) -> list[Load]:
    """Loads that hold a plate, the one longest at it first."""
    # Sorted here: asked for their order, databases walk along all loads that there have ever been.
    return sorted(session.scalars(select(Load).where(IS_ACTIVE)), key=lambda load: load.id)


def units_in(session: Session, load_ids: Sequence[int]) -> dict[int, int]:
    """By load, how many units and blades sit in it."""
    rows = session.execute(
        select(LoadSlot.load_id, func.count())
        .where(LoadSlot.load_id.in_(load_ids), LoadSlot.turn == 1, LoadSlot.state != "removed")
        .group_by(LoadSlot.load_id)
    )
    return {row[0]: row[1] for row in rows}


def last_burned(session: Session) -> dict[str, tuple[str, str | None]]:
    """By station, the plate of the load that was started there last, and the process that it ended with."""
    newest = (
        select(func.max(Load.id)).where(Load.started_at.is_not(None)).group_by(Load.station).scalar_subquery()
    )
    loads = {load.id: load for load in session.scalars(select(Load).where(Load.id.in_(newest)))}
    turns = session.execute(
        select(TurnFile.load_id, TurnFile.process)
        .where(TurnFile.load_id.in_(loads))
        .order_by(TurnFile.turn, TurnFile.revision, TurnFile.id)
    )
    processes = {load_id: process.split("+")[-1] for load_id, process in turns if process}
    return {load.station: (load.plate, processes.get(load.id)) for load in loads.values()}


def mark(session: Session) -> tuple[int, ...]:
    """Changes whenever a job, load, lot or order moves: their moves are rows of history."""
    newest = select(func.coalesce(func.max(History.id), 0))
    lots = select(func.coalesce(func.sum(Lot.version), 0)).where(Lot.state == LotState.OPEN.value)
    return int(session.scalar(newest) or 0), int(session.scalar(lots) or 0)


def stuck_orders(session: Session, states: Iterable[JobState]) -> set[int]:
    """Orders with a unit in one of those states."""
    named = sorted(state.value for state in states)
    return set(session.scalars(select(Job.order_id).where(Job.state.in_(named)).distinct()))


def order(session: Session, order_id: int) -> Order:
    """One order that is known to be there."""
    return session.get_one(Order, order_id)


def promises(session: Session, order_ids: Sequence[int]) -> dict[int, Promise]:
    """What was promised, by order."""
    rows = session.scalars(select(Promise).where(Promise.order_id.in_(sorted(order_ids))))
    return {promise.order_id: promise for promise in rows}


def promise(session: Session, order_id: int) -> Promise | None:
    return session.get(Promise, order_id)
