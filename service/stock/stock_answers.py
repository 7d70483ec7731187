"""Boxed units by bin and product, as the service answers them."""

from __future__ import annotations

from pydantic import Field
from sqlalchemy.orm import Session

from service.records.ids import JOB, public
from service.requests.answers import AnswerBody
from service.stock import stock_rows as rows

_SKU = Field(description="The product.", examples=["AQ-PARER-OAK"])
_WALKING_ORDER = Field(description="Bins are walked by in this order.", examples=[10])


class CountAnswer(AnswerBody):
    """What one bin holds of one product."""

    bin: str = Field(description="Storage place.", examples=["A-01"])
    walking_order: int = _WALKING_ORDER
    sku: str = _SKU
    boxed: int = Field(description="Boxed units in the bin.", examples=[14])
    reserved: int = Field(description="Those of them that belong to a job.", examples=[2])
    available: int = Field(description="Those that belong to none.", examples=[12])
    version: int = Field(description="Counts the changes; `PUT` may name it.", examples=[7])


class StockAnswer(AnswerBody):
    """What every bin holds."""

    stock: tuple[CountAnswer, ...] = Field(description="In walking order.")


class PutBackAnswer(AnswerBody):
    """A unit that was fetched for a job which was cancelled then: it goes back into a bin."""

    job: str = Field(description="The cancelled job.", examples=["J42"])
    order_ref: str = Field(description="The store's own reference of its order.", examples=["AQ-2026-0417"])
    sku: str = _SKU
    bin: str | None = Field(
        description="The bin that it came from; null: nobody knows any more.", examples=["A-01"]
    )
    walking_order: int | None = Field(description="Bins are walked by in this order.", examples=[10])


def put_backs_answer(session: Session) -> tuple[PutBackAnswer, ...]:
    """Which unit goes back into which bin, in walking order."""
    return tuple(
        PutBackAnswer(
            job=public(JOB, unit.job),
            order_ref=unit.order_ref,
            sku=unit.sku,
            bin=unit.bin,
            walking_order=unit.walking_order,
        )
        for unit in rows.to_put_back(session)
    )


def stock_answer(session: Session) -> StockAnswer:
    """What every bin holds, in walking order."""
    return StockAnswer(
        stock=tuple(
            CountAnswer(
                bin=row.bin,
                walking_order=order,
                sku=row.sku,
                boxed=row.boxed,
                reserved=row.reserved,
                available=row.boxed - row.reserved,
                version=row.version,
            )
            for row, order in rows.all_rows(session)
        )
    )
