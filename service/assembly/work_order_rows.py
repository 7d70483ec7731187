"""Work orders of assembly and their units."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Sequence
from datetime import datetime
from typing import Any

from sqlalchemy import func, select, update
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.orm import Session

from service.records.states import ENDED_UNITS, UnitState, WorkOrderState
from service.records.tables import BuiltProduct, BuiltUnit, History, Lot, Stock, WorkOrder
from service.stock.count_rows import IN_WORK

_OPEN_ORDER = WorkOrder.state == WorkOrderState.OPEN.value
_UNENDED = tuple(state.value for state in UnitState if state not in ENDED_UNITS)


def find(session: Session, order_id: int) -> WorkOrder | None:
    return session.get(WorkOrder, order_id, populate_existing=True)


def lock(session: Session, order_id: int) -> WorkOrder | None:
    """One work order as it is now, locked: of two people with its units, one waits."""
    return session.get(WorkOrder, order_id, populate_existing=True, with_for_update=True)


def raise_version(session: Session, order: WorkOrder) -> None:
    """A unit of it has moved, which its ETag shows."""
    session.execute(
        update(WorkOrder).where(WorkOrder.id == order.id).values(version=WorkOrder.version + 1),
        execution_options={"synchronize_session": False},
    )
    session.refresh(order)


def listed(
    session: Session, *, limit: int, before_id: int | None = None, state: str | None = None
) -> list[WorkOrder]:
    """Work orders, newest first."""
    wanted = select(WorkOrder).order_by(WorkOrder.id.desc()).limit(limit)
    if before_id is not None:
        wanted = wanted.where(WorkOrder.id < before_id)
    if state is not None:
        wanted = wanted.where(WorkOrder.state == state)
    return list(session.scalars(wanted))


def open_orders(session: Session, *, limit: int) -> list[WorkOrder]:
    """What is to be built, the earliest due first."""
    wanted = select(WorkOrder).where(_OPEN_ORDER).order_by(WorkOrder.due, WorkOrder.id).limit(limit)
    return list(session.scalars(wanted))


def first_open(session: Session, sku: str) -> WorkOrder | None:
    """The work order of a product that is due first."""
    wanted = select(WorkOrder).where(_OPEN_ORDER, WorkOrder.sku == sku).order_by(WorkOrder.due, WorkOrder.id)
    return session.scalars(wanted.limit(1)).first()


def units(session: Session, order_id: int) -> Sequence[BuiltUnit]:
    """All units of a work order, by number."""
    wanted = select(BuiltUnit).where(BuiltUnit.work_order_id == order_id).order_by(BuiltUnit.number)
    return session.scalars(wanted.execution_options(populate_existing=True)).all()


def unit(session: Session, unit_id: int) -> BuiltUnit | None:
    return session.get(BuiltUnit, unit_id, populate_existing=True)


def counts(session: Session, order_ids: Collection[int]) -> dict[int, Counter[str]]:
    """By work order, how many of its units are in each state."""
    found: dict[int, Counter[str]] = {order_id: Counter() for order_id in order_ids}
    rows = session.execute(
        select(BuiltUnit.work_order_id, BuiltUnit.state, func.count())
        .where(BuiltUnit.work_order_id.in_(sorted(order_ids)))
        .group_by(BuiltUnit.work_order_id, BuiltUnit.state)
    )
    for order_id, state, count in rows:
        found[order_id][state] = int(count)
    return found


def in_work(session: Session) -> Sequence[tuple[BuiltUnit, str]]:
    """Units that were built and are in no bin, and the product of each; the longest so first."""
    rows = session.execute(
        select(BuiltUnit, WorkOrder.sku)
        .join(WorkOrder, WorkOrder.id == BuiltUnit.work_order_id)
        .where(IN_WORK)
        .order_by(BuiltUnit.moved_at, BuiltUnit.id)
    )
    return [(row[0], row[1]) for row in rows]


def being_built(session: Session, sku: str) -> int:
    """Units of a product that assembly is to bring into a bin."""
    wanted = (
        select(func.count())
        .select_from(WorkOrder)
        .join(BuiltUnit, BuiltUnit.work_order_id == WorkOrder.id)
        .where(_OPEN_ORDER, WorkOrder.sku == sku, BuiltUnit.state.in_(_UNENDED))
    )
    return int(session.execute(wanted).scalar_one())


def lock_product(session: Session, sku: str) -> None:
    """Of two people who ask for the same product's building, one waits for the other."""
    dialect: Any = sqlite if session.get_bind().dialect.name == "sqlite" else postgresql
    session.execute(dialect.insert(BuiltProduct).values(sku=sku).on_conflict_do_nothing())
    session.scalars(select(BuiltProduct.sku).where(BuiltProduct.sku == sku).with_for_update()).one()


def lots(session: Session, lot_ids: Collection[int]) -> dict[int, Lot]:
    return {lot.id: lot for lot in session.scalars(select(Lot).where(Lot.id.in_(sorted(lot_ids))))}


def usual_bin(session: Session, sku: str) -> str | None:
    """The bin that holds most of a product; None where none does."""
    wanted = (
        select(Stock.bin).where(Stock.sku == sku, Stock.boxed > 0).order_by(Stock.boxed.desc(), Stock.bin)
    )
    return session.scalars(wanted.limit(1)).first()


def failed(session: Session, since: datetime, until: datetime) -> list[tuple[str, str, str]]:
    """(product, what became of the unit, why) of each inspection that failed from one moment to before
    another."""
    rows = session.execute(
        select(WorkOrder.sku, History.move_to, History.why)
        .join(BuiltUnit, BuiltUnit.work_order_id == WorkOrder.id)
        .join(History, History.subject_id == BuiltUnit.id)
        .where(
            History.subject == "unit",
            History.move_to.in_([UnitState.REWORK.value, UnitState.GIVEN_UP.value]),
            History.at >= since,
            History.at < until,
        )
        .order_by(History.id)
    )
    return [(sku, to, why) for sku, to, why in rows]
