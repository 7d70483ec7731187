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
    line_ref: Ref
    sku: Name
    quantity: Whole = Field(ge=1, le=99)
    inscriptions: InscriptionsIn


class OrderIn(Strict):
    order_ref: Ref
    ship_by: Moment
    priority: Whole = Field(default=0, ge=0, le=100)
    if_unengravable: Literal["hold", "refuse"] = "hold"
    proof: Literal["none", "buyer"] = "none"
    lines: Annotated[list[LineIn], Field(min_length=1, max_length=200)]
