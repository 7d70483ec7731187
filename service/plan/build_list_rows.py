"""What the build list reads besides the jobs themselves: free units, blades in lots."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import case, func, select
from sqlalchemy.orm import Session

from service.records.states import LotState
from service.records.tables import History, Lot, Order, Stock


@dataclass(frozen=True, slots=True)
class BladesInLots:
    """Bare blades of a product on their way to assembly, and the earliest due time of those not marked."""

    sku: str
    waiting: int
    loaded: int
    marked: int
    handed_over: int
    next_due: datetime | None


def free_units(session: Session) -> dict[str, int]:
    """Boxed units that nobody has reserved, by product, where there are any."""
    free = func.sum(Stock.boxed - Stock.reserved)
    rows = session.execute(select(Stock.sku, free).group_by(Stock.sku).having(free > 0))
    return {sku: int(count) for sku, count in rows}


def blades_in_lots(session: Session, *, since: datetime) -> list[BladesInLots]:
    """Blades in lots that are open or done, and those handed over since a moment, by product."""
    given = (
        select(History.subject_id)
        .where(History.subject == "lot", History.move_to == LotState.HANDED_OVER.value, History.at >= since)
        .distinct()
    )
    is_given = Lot.state == LotState.HANDED_OVER.value
    rows = session.execute(
        select(
            Lot.sku,
            func.sum(case((is_given, 0), else_=Lot.waiting)),
            func.sum(case((is_given, 0), else_=Lot.loaded)),
            func.sum(case((is_given, 0), else_=Lot.marked)),
            func.sum(case((is_given, Lot.marked), else_=0)),
            func.min(case((Lot.state == LotState.OPEN.value, Lot.due))),
        )
        .where(Lot.state.in_([LotState.OPEN.value, LotState.DONE.value]) | (is_given & Lot.id.in_(given)))
        .group_by(Lot.sku)
        .order_by(Lot.sku)
    )
    return [BladesInLots(sku, int(w), int(on), int(m), int(h), due) for sku, w, on, m, h, due in rows]


def order_refs(session: Session, order_ids: Collection[int]) -> dict[int, str]:
    """What the stores call the orders."""
    rows = session.execute(select(Order.id, Order.order_ref).where(Order.id.in_(sorted(order_ids))))
    return {row.id: row.order_ref for row in rows}
