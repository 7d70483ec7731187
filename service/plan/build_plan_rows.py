"""What the build plan reads: boxed and promised units, bare blades, and what sold."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import case, func, select
from sqlalchemy.orm import Session

from service.records.states import ENDED_UNITS, JobState, LotState, UnitState, WorkOrderState
from service.records.tables import BuiltUnit, History, Job, Lot, Order, Stock, WorkOrder

_AT_ONCE = 500


@dataclass(frozen=True, slots=True)
class Counts:
    """Units of a product: boxed, of these reserved for orders, and asked for without a box: `waiting` ones
    are short or held."""

    boxed: int = 0
    reserved: int = 0
    waiting: int = 0

    @property
    def free(self) -> int:
        """Units that nobody waits for; less than nought where more are asked for than boxed."""
        return self.boxed - self.reserved - self.waiting


def counts(session: Session) -> dict[str, Counts]:
    """By product, of all that are boxed or asked for."""
    boxed = {
        sku: (int(total), int(reserved))
        for sku, total, reserved in session.execute(
            select(Stock.sku, func.sum(Stock.boxed), func.sum(Stock.reserved))
            .group_by(Stock.sku)
            .having(func.sum(Stock.boxed) > 0)
        )
    }
    waiting = {
        sku: int(count)
        for sku, count in session.execute(
            select(Job.sku, func.count())
            .where(Job.state.in_([JobState.SHORT.value, JobState.HELD.value]))
            .group_by(Job.sku)
        )
    }
    return {sku: Counts(*boxed.get(sku, (0, 0)), waiting.get(sku, 0)) for sku in sorted({*boxed, *waiting})}


def being_built(session: Session) -> list[tuple[str, datetime, int]]:
    """(product, when its work order is due, units) of what assembly is still to bring into a bin."""
    open_units = [state.value for state in UnitState if state not in ENDED_UNITS]
    rows = session.execute(
        select(WorkOrder.sku, WorkOrder.due, func.count())
        .join(BuiltUnit, BuiltUnit.work_order_id == WorkOrder.id)
        .where(WorkOrder.state == WorkOrderState.OPEN.value, BuiltUnit.state.in_(open_units))
        .group_by(WorkOrder.id, WorkOrder.sku, WorkOrder.due)
        .order_by(WorkOrder.id)
    )
    return [(sku, due, int(count)) for sku, due, count in rows]


def bare_blades(session: Session, skus: Collection[str], *, since: datetime) -> dict[str, int]:
    """By bare blade, how many there are that no work order has yet: counted in bins, and in lots that are not
    handed over or were since then, less those of work orders since then that have no lot of their own. Blades
    of which neither bins nor lots tell anything are left out."""

    def lately(subject: str, move_to: str) -> list[int]:
        moved = select(History.subject_id).where(History.subject == subject, History.move_to == move_to)
        return list(session.scalars(moved.where(History.at >= since).distinct()))

    in_bins = select(Stock.sku, func.sum(Stock.boxed - Stock.reserved)).where(Stock.sku.in_(skus))
    found = Counter({sku: int(count) for sku, count in session.execute(in_bins.group_by(Stock.sku))})
    is_given = Lot.state == LotState.HANDED_OVER.value
    of_lot = case((is_given, Lot.marked), else_=Lot.waiting + Lot.loaded + Lot.marked)
    lots = session.execute(
        select(Lot.id, Lot.sku, of_lot).where(
            Lot.sku.in_(skus),
            Lot.state.in_([LotState.OPEN.value, LotState.DONE.value])
            | (is_given & Lot.id.in_(lately("lot", LotState.HANDED_OVER.value))),
        )
    ).all()
    # By their numbers, as what sold: joined, all work orders there ever were might be looked at.
    of_orders = select(WorkOrder.lot_id).where(WorkOrder.lot_id.in_([lot for lot, _, _ in lots]))
    taken_lots = set(session.scalars(of_orders))
    for lot, sku, count in lots:
        if lot not in taken_lots:
            found[sku] += int(count)
    taken = session.execute(
        select(WorkOrder.blade, func.count())
        .join(BuiltUnit, BuiltUnit.work_order_id == WorkOrder.id)
        .where(
            WorkOrder.id.in_(lately("work", WorkOrderState.OPEN.value)),
            WorkOrder.lot_id.is_(None),
            WorkOrder.blade.in_(list(found)),
            BuiltUnit.state != UnitState.CANCELLED.value,
        )
        .group_by(WorkOrder.blade)
    )
    found.subtract({sku: int(count) for sku, count in taken if sku is not None})
    return {sku: max(0, count) for sku, count in found.items()}


def sold(session: Session, *, since: datetime) -> list[tuple[str, datetime, int]]:
    """(product, when its order came, units) of all that was ordered since then, but for what was cancelled; a
    scrapped unit and its replacement are one."""
    recent = session.execute(select(Order.id, Order.created_at).where(Order.created_at >= since))
    came = {row.id: row.created_at for row in recent}
    units = (
        select(Job.order_id, Job.sku, func.count())
        .where(Job.take == 1, Job.state != JobState.CANCELLED.value)
        .group_by(Job.order_id, Job.sku)
    )
    orders = sorted(came)
    # By their orders' numbers, so many at once: joined, all units there ever were might be looked at.
    return [
        (sku, came[order], int(count))
        for at in range(0, len(orders), _AT_ONCE)
        for order, sku, count in session.execute(units.where(Job.order_id.in_(orders[at : at + _AT_ONCE])))
    ]
