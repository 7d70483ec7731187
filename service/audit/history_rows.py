"""Histories that no act of the service leaves behind."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from enum import StrEnum
from typing import Any

from sqlalchemy import ColumnElement, and_, func, literal, or_, select
from sqlalchemy.orm import Session

from service.audit.damage_rows import BATCH, Found, every
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
    BuiltUnit,
    History,
    Job,
    Load,
    Lot,
    Remake,
    StockCount,
    WorkOrder,
)

_Moving = (
    type[Job] | type[Load] | type[Lot] | type[Remake] | type[WorkOrder] | type[BuiltUnit] | type[StockCount]
)
_MOVES: Mapping[str, tuple[_Moving, Mapping[Any, frozenset[Any]], type[StrEnum]]] = {
    "job": (Job, JOB_MOVES, JobState),
    "load": (Load, LOAD_MOVES, LoadState),
    "lot": (Lot, LOT_MOVES, LotState),
    "remake": (Remake, RETURN_MOVES, ReturnState),
    "work": (WorkOrder, WORK_ORDER_MOVES, WorkOrderState),
    "unit": (BuiltUnit, UNIT_MOVES, UnitState),
    "count": (StockCount, COUNT_MOVES, CountState),
}


def state_not_in_history(session: Session) -> Iterator[Found]:
    """A thing in a state into which no move on record brought it."""
    for subject, (model, _, states) in _MOVES.items():
        last = (
            select(History.subject_id, func.max(History.id).label("id"))
            .where(_is_move(subject, states))
            .group_by(History.subject_id)
            .subquery()
        )
        query = (
            select(
                literal(subject).label("subject"),
                model.id.label("number"),
                model.state,
                func.coalesce(History.move_to, "nothing").label("history"),
            )
            .outerjoin(last, last.c.subject_id == model.id)
            .outerjoin(History, History.id == last.c.id)
            .where(or_(History.id.is_(None), History.move_to != model.state))
        )
        yield from every(session, query)


def history_torn(session: Session) -> Iterator[Found]:
    """A move that does not begin where the one before it ended."""
    for subject, (_, _, states) in _MOVES.items():
        before: tuple[int, str] | None = None
        query = select(History.subject_id, History.move_from, History.move_to).where(
            _is_move(subject, states)
        )
        in_order = query.order_by(History.subject_id, History.id).execution_options(yield_per=BATCH)
        for number, came_from, to in session.execute(in_order):
            is_first = before is None or before[0] != number
            if (came_from is None and not is_first) or (
                came_from is not None and (is_first or (before is not None and before[1] != came_from))
            ):
                yield {"subject": subject, "number": number, "came_from": came_from or "nothing", "to": to}
            before = (number, to)


def moves_not_allowed(session: Session) -> Iterator[Found]:
    """A move that the table of moves does not have."""
    for subject, (_, moves, states) in _MOVES.items():
        allowed = {(state.value, to.value) for state, targets in moves.items() for to in targets}
        query = select(History.subject_id, History.move_from, History.move_to).where(
            _is_move(subject, states), History.move_from.is_not(None)
        )
        for number, came_from, to in session.execute(query.execution_options(yield_per=BATCH)):
            if (came_from, to) not in allowed:
                yield {"subject": subject, "number": number, "came_from": came_from, "to": to}


def _is_move(subject: str, states: type[StrEnum]) -> ColumnElement[bool]:
    """Rows of history that name a state; others only note something."""
    return and_(History.subject == subject, History.move_to.in_([state.value for state in states]))
