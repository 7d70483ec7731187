"""Boxed units by bin and product."""

from __future__ import annotations

from fastapi import APIRouter
from sqlalchemy.orm import Session

from service.api.contract import details
from service.api.security import Desk, House
from service.api.wire import StockIn
from service.doorway import AtHand
from service.records import errors
from service.stock import reservations as stock
from service.stock.stock_answers import StockAnswer, stock_answer

router = APIRouter(tags=["stock"])


@router.get("/v1/stock")
def get_stock(tools: AtHand, who: House) -> StockAnswer:
    """What every bin holds, in walking order."""
    with tools.database.reading() as session:
        return stock_answer(session)


@router.put("/v1/stock", openapi_extra=details(errors.BadRequest, errors.StaleVersion, errors.StockTooLow))
def set_stock(tools: AtHand, body: StockIn, who: Desk) -> StockAnswer:
    """Set what was counted. Jobs that waited for a unit become ready; all counts are taken or none."""
    counts = [stock.Count(c.bin, c.sku, c.boxed, c.walking_order, c.version) for c in body.counts]

    def work(session: Session) -> StockAnswer:
        stock.put_counts(session, counts, by=tools.by(who))
        return stock_answer(session)

    return tools.database.write(work)
