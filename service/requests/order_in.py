"""An order as it comes over the wire, and the values that it becomes."""

from dataclasses import dataclass
from datetime import datetime
from typing import Annotated, Literal

from pydantic import Field

from layout.shop.inscriptions import Inscription
from service.requests.inscriptions import InscriptionsIn, Moment, Name, Ref, Strict, Whole


@dataclass(frozen=True, slots=True)
class LineWanted:
    line_ref: str
    sku: str
    quantity: int
    inscriptions: tuple[Inscription, ...]


@dataclass(frozen=True, slots=True)
class OrderWanted:
    order_ref: str
    ship_by: datetime
    priority: int
    refuse_unengravable: bool
    proof: Literal["none", "buyer"]
    lines: tuple[LineWanted, ...]


class LineIn(Strict):
    line_ref: Ref = Field(description="The store's own name of the line.", examples=["1"])
    sku: Name = Field(description="The store's number of the product.", examples=["AQ-PARER-OAK"])
    quantity: Whole = Field(ge=1, le=99, description="Units ordered, each engraved alike.", examples=[1])
    inscriptions: InscriptionsIn = Field(description="What is to be engraved, one entry a place.")


class OrderIn(Strict):
    order_ref: Ref = Field(
        description="The store's own reference: one order for ever.", examples=["AQ-2026-0417"]
    )
    ship_by: Moment = Field(
        description="When the order must be handed over.", examples=["2026-12-04T16:00:00Z"]
    )
    priority: Whole = Field(default=0, ge=0, le=100, description="Larger goes first.", examples=[0])
    if_unengravable: Literal["hold", "refuse"] = Field(
        default="hold",
        description="What becomes of an order that can't be engraved: `hold` stores it for the desk, `refuse`"
        " answers 422.",
        examples=["hold"],
    )
    proof: Literal["none", "buyer"] = Field(
        default="none", description="`buyer`: its words wait for the buyer's approval.", examples=["none"]
    )
    lines: Annotated[list[LineIn], Field(min_length=1, max_length=200)] = Field(
        description="What is ordered."
    )
