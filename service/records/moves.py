"""Guarded moves: the only way a job, load, lot, returned unit, work order, built unit or count changes its
state, each with its row of history.

A move is one UPDATE that names the state it starts from. If somebody else was faster, it changes no row and
is refused: of two people who press the same button, one has done it and the other is told.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from enum import StrEnum
from typing import Any

from sqlalchemy import update
from sqlalchemy.orm import Session

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


def move_job(session: Session, job: Job, to: JobState, *, by: By, why: str = "", **changes: Any) -> None:
    """Move one job from the state it was read in. Raises MoveNotAllowed when it has moved meanwhile."""
    changes = {"version": Job.version + 1, **changes}
    _move(session, Job, job, to, JOB_MOVES, subject="job", by=by, why=why, changes=changes)


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
    if to not in allowed[came_from]:
        raise MoveNotAllowed(
            f"{subject} {row.id} is {came_from.value}; it can't become {to.value}",
            subject=subject,
            id=row.id,
            state=came_from.value,
            wanted=to.value,
        )
    session.flush()  # what was changed on the row before must not be lost by the refresh below
    conditions = [model.id == row.id, model.state == came_from.value]  # type: ignore[attr-defined]
    if isinstance(row, Load):
        conditions.append(Load.fence == row.fence)
    moved = session.execute(
        update(model).where(*conditions).values(state=to.value, **changes),
        execution_options={"synchronize_session": False},
    )
    if moved.rowcount != 1:  # type: ignore[attr-defined]
        raise MoveNotAllowed(
            f"{subject} {row.id} is no longer {came_from.value}", subject=subject, id=row.id, wanted=to.value
        )
    session.refresh(row)
    write_history(session, subject, row.id, to.value, move_from=came_from.value, by=by, why=why)
