"""Histories of bins that no act of the service leaves behind."""

from __future__ import annotations

from collections.abc import Iterator

from sqlalchemy import and_, case, func, literal, select
from sqlalchemy.orm import Session

from service.audit.damage_rows import BATCH, Found, every
from service.records.states import StockChange
from service.records.tables import BinChange, Stock


def count_unlike_history(session: Session) -> Iterator[Found]:
    """A bin that holds other than what its changes come to."""
    changed = (
        select(BinChange.bin, BinChange.sku, func.sum(BinChange.units).label("units"))
        .group_by(BinChange.bin, BinChange.sku)
        .subquery()
    )
    come_to = func.coalesce(changed.c.units, 0)
    query = (
        select(Stock.bin, Stock.sku, Stock.boxed, come_to.label("history"))
        .outerjoin(changed, and_(changed.c.bin == Stock.bin, changed.c.sku == Stock.sku))
        .where(Stock.boxed != come_to)
    )
    yield from every(session, query)
    nowhere = (
        select(changed.c.bin, changed.c.sku, literal(0).label("boxed"), changed.c.units.label("history"))
        .outerjoin(Stock, and_(changed.c.bin == Stock.bin, changed.c.sku == Stock.sku))
        .where(Stock.bin.is_(None), changed.c.units != 0)
    )
    yield from every(session, nowhere)


def changes_torn(session: Session) -> Iterator[Found]:
    """A change that does not begin with what the one before it left."""
    before: tuple[str, str, int] | None = None
    query = select(BinChange.id, BinChange.bin, BinChange.sku, BinChange.units, BinChange.boxed)
    in_order = query.order_by(BinChange.bin, BinChange.sku, BinChange.id).execution_options(yield_per=BATCH)
    for number, bin_name, sku, units, boxed in session.execute(in_order):
        stood = before[2] if before is not None and before[:2] == (bin_name, sku) else 0
        if stood + units != boxed:
            yield {
                "change": number,
                "bin": bin_name,
                "sku": sku,
                "stood": stood,
                "units": units,
                "boxed": boxed,
            }
        before = (bin_name, sku, boxed)


def moved_one_way(session: Session) -> Iterator[Found]:
    """Units that left one bin for another, and did not all come there."""
    is_out = BinChange.what == StockChange.MOVED_OUT.value
    came_from = case((is_out, BinChange.bin), else_=BinChange.other_bin)
    to = case((is_out, BinChange.other_bin), else_=BinChange.bin)
    lost = func.sum(BinChange.units)
    query = (
        select(came_from.label("bin"), to.label("to"), BinChange.sku, lost.label("units"))
        .where(BinChange.what.in_([StockChange.MOVED_OUT.value, StockChange.MOVED_IN.value]))
        .group_by(came_from, to, BinChange.sku)
        .having(lost != 0)
    )
    return every(session, query)
