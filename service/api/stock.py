"""Boxed units by bin and product."""

from __future__ import annotations

from typing import Any

from fastapi import APIRouter
from sqlalchemy.orm import Session

from service.api.security import Desk, House
from service.api.wire import StockIn
from service.doorway import AtHand
from service.stock import reservations as stock
from service.stock import stock_rows as rows

router = APIRouter(tags=["stock"])


@router.get("/v1/stock")
def get_stock(tools: AtHand, who: House) -> dict[str, Any]:
    """What every bin holds, in walking order."""
    with tools.database.reading() as session:
        return _stock_json(session)


@router.put("/v1/stock")
def put_stock(tools: AtHand, body: StockIn, who: Desk) -> dict[str, Any]:
    """Set what was counted. Jobs that waited for a unit become ready; all counts are taken or none."""
    counts = [stock.Count(c.bin, c.sku, c.boxed, c.walking_order, c.version) for c in body.counts]

    def work(session: Session) -> dict[str, Any]:
        stock.put_counts(session, counts, by=tools.by(who))
        return _stock_json(session)

    return tools.database.write(work)


def _stock_json(session: Session) -> dict[str, Any]:
    return {
        "stock": [
            {
                "bin": row.bin,
                "walking_order": order,
                "sku": row.sku,
                "boxed": row.boxed,
                "reserved": row.reserved,
                "available": row.boxed - row.reserved,
                "version": row.version,
            }
            for row, order in rows.all_rows(session)
        ]
    }
