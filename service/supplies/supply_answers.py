"""Supplies as the service answers them."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from service.records.ids import LOAD, ORDER, public
from service.records.tables import SupplyChange
from service.requests.answers import AnswerBody, Moment, OrLeftOut

_LEFT = Field(description="Pieces left then.", examples=[420])


class SupplyChangeAnswer(AnswerBody):
    """Pieces of a supply that came or went."""

    what: Literal["used", "refilled", "counted", "given_back"] = Field(
        description="`used` by a load or an order; `refilled` and `counted` by hand; `given_back`: a"
        " hand-over was taken back.",
        examples=["used"],
    )
    pieces: int = Field(description="More than before, or fewer (below 0).", examples=[-6])
    left: int = _LEFT
    load: OrLeftOut[str] = Field(default=None, description="The load that used them.", examples=["L5"])
    order: OrLeftOut[str] = Field(default=None, description="The order that used them.", examples=["O17"])
    at: Moment = Field(description="When.")
    by: str = Field(description="Who said so, or released.", examples=["Ada"])


class SupplyAnswer(AnswerBody):
    """Something that is used up, and how much is left."""

    supply: str = Field(description="Its name in the log.", examples=["bags"])
    name: str = Field(description="What it is called.", examples=["Bags, 250 x 80 mm"])
    left: OrLeftOut[int] = Field(
        default=None,
        description="Pieces left; left out: it was never counted or refilled, and is not counted down.",
        examples=[420],
    )
    warn_below: int = Field(description="With how many left, or fewer, people are told.", examples=[100])
    is_low: bool = Field(description="Whether it is to be refilled or ordered.", examples=[False])
    pack: int = Field(description="What a refill adds.", examples=[500])
    per_unit: int = Field(description="Used for each unit released.", examples=[1])
    per_load: int = Field(description="Used for each load released.", examples=[0])
    per_order: int = Field(description="Used for each order handed over.", examples=[0])
    said: int = Field(
        description="How often people refilled or counted it; send it as `seen`, so that a second tap does"
        " nothing.",
        examples=[3],
    )
    changes: tuple[SupplyChangeAnswer, ...] = Field(description="The last changes, newest first.")


class SuppliesAnswer(AnswerBody):
    """What is used up."""

    supplies: tuple[SupplyAnswer, ...] = Field(description="In the order of the shop's description.")


def change_answer(change: SupplyChange) -> SupplyChangeAnswer:
    return SupplyChangeAnswer(
        what=change.what,  # type: ignore[arg-type]  # the database has a CHECK for it
        pieces=change.pieces,
        left=change.remaining,
        load=public(LOAD, change.load_id) if change.load_id is not None else None,
        order=public(ORDER, change.order_id) if change.order_id is not None else None,
        at=change.at,
        by=change.by,
    )
