"""Work orders and built units that no act of assembly leaves behind."""

from __future__ import annotations

from collections.abc import Iterator

from sqlalchemy import and_, func, or_, select
from sqlalchemy.orm import Session

from service.audit.damage_rows import Found, every
from service.records.states import ENDED_UNITS, StockChange, UnitState, WorkOrderState
from service.records.tables import BinChange, BuiltUnit, WorkOrder

_UNENDED = [state.value for state in UnitState if state not in ENDED_UNITS]


def work_orders_do_not_add_up(session: Session) -> Iterator[Found]:
    """A work order with other than its quantity of units, or whose units are not as its state says."""
    open_units = func.count(BuiltUnit.id).filter(BuiltUnit.state.in_(_UNENDED))
    to_build = func.count(BuiltUnit.id).filter(BuiltUnit.state == UnitState.TO_BUILD.value)
    query = (
        select(
            WorkOrder.id.label("work"),
            WorkOrder.state,
            WorkOrder.quantity,
            func.count(BuiltUnit.id).label("units"),
            open_units.label("open"),
        )
        .outerjoin(BuiltUnit, BuiltUnit.work_order_id == WorkOrder.id)
        .group_by(WorkOrder.id, WorkOrder.state, WorkOrder.quantity)
        .having(
            or_(
                func.count(BuiltUnit.id) != WorkOrder.quantity,
                and_(WorkOrder.state == WorkOrderState.OPEN.value, open_units == 0),
                and_(WorkOrder.state == WorkOrderState.DONE.value, open_units > 0),
                and_(WorkOrder.state == WorkOrderState.CANCELLED.value, to_build > 0),
            )
        )
    )
    return every(session, query)


def stocked_unlike_bin(session: Session) -> Iterator[Found]:
    """A unit that was counted in a bin other than once, or in another bin, or as another product."""
    counted = func.count(BinChange.id)
    query = (
        select(BuiltUnit.id.label("unit"), BuiltUnit.state, BuiltUnit.bin, counted.label("times"))
        .join(WorkOrder, WorkOrder.id == BuiltUnit.work_order_id)
        .outerjoin(
            BinChange,
            and_(
                BinChange.unit_id == BuiltUnit.id,
                BinChange.what == StockChange.BUILT.value,
                BinChange.bin == BuiltUnit.bin,
                BinChange.sku == WorkOrder.sku,
                BinChange.units == 1,
            ),
        )
        .group_by(BuiltUnit.id, BuiltUnit.state, BuiltUnit.bin)
    )
    is_stocked = BuiltUnit.state == UnitState.STOCKED.value
    yield from every(session, query.having(and_(is_stocked, counted != 1)))
    elsewhere = (
        select(BuiltUnit.id.label("unit"), BuiltUnit.state, BinChange.bin, BinChange.units.label("times"))
        .join(BinChange, BinChange.unit_id == BuiltUnit.id)
        .where(or_(~is_stocked, BinChange.bin != BuiltUnit.bin))
    )
    yield from every(session, elsewhere)
