"""Boxed units by bin and product."""

from __future__ import annotations

from typing import Any

from fastapi import APIRouter, Request
from sqlalchemy.orm import Session

from service.api.security import Desk, House
from service.api.wire import StockIn
from service.records.who import By
from service.stock import reservations as stock
from service.stock import stock_rows as rows

router = APIRouter(tags=["stock"])


@router.get("/v1/stock")
def get_stock(request: Request, who: House) -> dict[str, Any]:
    """What every bin holds, in walking order."""
    with request.app.state.database.reading() as session:
        return _stock_json(session)


@router.put("/v1/stock")
def put_stock(request: Request, body: StockIn, who: Desk) -> dict[str, Any]:
    """Set what was counted. Jobs that waited for a unit become ready; all counts are taken or none."""
    counts = [stock.Count(c.bin, c.sku, c.boxed, c.walking_order, c.version) for c in body.counts]

    def work(session: Session) -> dict[str, Any]:
        stock.put_counts(session, counts, by=By(who, request.app.state.clock()))
        return _stock_json(session)

    return request.app.state.database.write(work)  # type: ignore[no-any-return]


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
