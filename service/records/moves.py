"""Guarded moves: the only way a job, load, lot, returned unit, work order, built unit or count changes its
state, each with its row of history.

A move is one UPDATE that names the state it starts from. If somebody else was faster, it changes no row and
is refused: of two people who press the same button, one has done it and the other is told.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from enum import StrEnum
from typing import Any

from sqlalchemy import RowMapping, update
from sqlalchemy.orm import Session
from sqlalchemy.orm.attributes import set_committed_value

from service.records.among import among
from service.records.db import send
from service.records.errors import MoveNotAllowed
from service.records.states import (
    COUNT_MOVES,
    JOB_MOVES,
    LOAD_MOVES,
    LOT_MOVES,
    RETURN_MOVES,
    UNIT_MOVES,
    WORK_ORDER_MOVES,
    CountState,
    JobState,
    LoadState,
    LotState,
    ReturnState,
    UnitState,
    WorkOrderState,
)
from service.records.tables import (
    Base,
    BuiltUnit,
    History,
    Job,
    Load,
    Lot,
    Remake,
    StockCount,
    WorkOrder,
)
from service.records.who import By

_JOBS: Any = Job.__table__


def move_job(session: Session, job: Job, to: JobState, *, by: By, why: str = "", **changes: Any) -> None:
    """Move one job from the state it was read in. Raises MoveNotAllowed when it has moved meanwhile."""
    move_jobs(session, [job], to, by=by, why=why, **changes)


def move_jobs(
    session: Session,
    jobs: Sequence[Job],
    to: JobState,
    *,
    by: By,
    why: str | Mapping[int, str] = "",
    **changes: Any,
) -> None:
    """Move several jobs, each from the state it was read in, with one statement for those that were read in
    the same one; their rows of history stand in the order of `jobs`. `why`: of all, or by a job's number.
    Raises MoveNotAllowed, and none may be kept, when one of them has moved meanwhile."""
    for job in jobs:
        _must_be_allowed(job, JobState(job.state), to, JOB_MOVES, subject="job")
    came_from = {job.id: job.state for job in jobs}
    for state in sorted(set(came_from.values())):
        some = {job.id: job for job in jobs if came_from[job.id] == state}
        moved = send(
            session,
            update(_JOBS)
            .where(among(_JOBS.c.id, "jobs"), _JOBS.c.state == state)
            .values(state=to.value, version=_JOBS.c.version + 1, **changes)
            .returning(_JOBS),
            {"jobs": some},
        )
        for row in moved.mappings():
            _read_again(some.pop(row["id"]), row)
        if some:
            raise _moved_meanwhile("job", min(some), state, to)
    for job in jobs:
        reason = why if isinstance(why, str) else why[job.id]
        write_history(session, "job", job.id, to.value, move_from=came_from[job.id], by=by, why=reason)


def move_load(session: Session, load: Load, to: LoadState, *, by: By, why: str = "", **changes: Any) -> None:
    """Move one load. The fence it was read with guards the update as well as its state."""
    _move(session, Load, load, to, LOAD_MOVES, subject="load", by=by, why=why, changes=changes)


def move_lot(session: Session, lot: Lot, to: LotState, *, by: By, why: str = "", **changes: Any) -> None:
    """Move one lot."""
    changes = {"version": Lot.version + 1, **changes}
    _move(session, Lot, lot, to, LOT_MOVES, subject="lot", by=by, why=why, changes=changes)


def move_return(
    session: Session, remake: Remake, to: ReturnState, *, by: By, why: str = "", **changes: Any
) -> None:
    """Move the unit that a remake stands for."""
    _move(session, Remake, remake, to, RETURN_MOVES, subject="remake", by=by, why=why, changes=changes)


def move_work_order(
    session: Session, order: WorkOrder, to: WorkOrderState, *, by: By, why: str = "", **changes: Any
) -> None:
    """Move one work order."""
    changes = {"version": WorkOrder.version + 1, **changes}
    _move(session, WorkOrder, order, to, WORK_ORDER_MOVES, subject="work", by=by, why=why, changes=changes)


def move_unit(
    session: Session, unit: BuiltUnit, to: UnitState, *, by: By, why: str = "", **changes: Any
) -> None:
    """Move one unit that assembly builds."""
    changes = {"moved_at": by.at, **changes}
    _move(session, BuiltUnit, unit, to, UNIT_MOVES, subject="unit", by=by, why=why, changes=changes)


def move_count(session: Session, count: StockCount, to: CountState, *, by: By, why: str = "") -> None:
    """End the counting of a bin."""
    changes = {"revision": StockCount.revision + 1}
    _move(session, StockCount, count, to, COUNT_MOVES, subject="count", by=by, why=why, changes=changes)


def signature(by: By) -> str:
    """How rows of history are signed: role and name."""
    return f"{by.who.role.value}:{by.who.name}"[:100]


def write_history(
    session: Session,
    subject: str,
    subject_id: int,
    what: str,
    *,
    by: By,
    move_from: str | None = None,
    why: str = "",
) -> None:
    """Add one row of history: something noted, a creation, or a move that its caller has made in bulk."""
    session.add(noted(subject, subject_id, what, by=by, move_from=move_from, why=why))


def noted(
    subject: str, subject_id: int, what: str, *, by: By, move_from: str | None = None, why: str = ""
) -> History:
    """A row of history that is not written yet."""
    return History(
        subject=subject,
        subject_id=subject_id,
        move_from=move_from,
        move_to=what,
        who=signature(by),
        why=why[:300],
        at=by.at,
    )


def _move(
    session: Session,
    model: type[Base],
    row: Any,
    to: StrEnum,
    allowed: Mapping[Any, Collection[Any]],
    *,
    subject: str,
    by: By,
    why: str,
    changes: Mapping[str, Any],
) -> None:
    came_from = type(to)(row.state)
    _must_be_allowed(row, came_from, to, allowed, subject=subject)
    table: Any = model.__table__
    conditions = [table.c.id == row.id, table.c.state == came_from.value]
    if isinstance(row, Load):
        conditions.append(table.c.fence == row.fence)
    moving = update(table).where(*conditions).values(state=to.value, **changes).returning(table)
    moved = send(session, moving).mappings().one_or_none()
    if moved is None:
        raise _moved_meanwhile(subject, row.id, came_from.value, to)
    _read_again(row, moved)
    write_history(session, subject, row.id, to.value, move_from=came_from.value, by=by, why=why)


def _must_be_allowed(
    row: Any, came_from: StrEnum, to: StrEnum, allowed: Mapping[Any, Collection[Any]], *, subject: str
) -> None:
    if to not in allowed[came_from]:
        raise MoveNotAllowed(
            f"{subject} {row.id} is {came_from.value}; it can't become {to.value}",
            subject=subject,
            id=row.id,
            state=came_from.value,
            wanted=to.value,
        )


def _moved_meanwhile(subject: str, row_id: int, came_from: str, to: StrEnum) -> MoveNotAllowed:
    return MoveNotAllowed(
        f"{subject} {row_id} is no longer {came_from}", subject=subject, id=row_id, wanted=to.value
    )


def _read_again(row: Base, now: RowMapping) -> None:
    """Its columns as they are now. What belongs to it is not looked up again: no move changes that, and of a
    load's slots or a job's line there may be much."""
    for column, value in now.items():
        set_committed_value(row, str(column), value)
