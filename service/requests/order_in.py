"""An order as it comes over the wire, and the values that it becomes."""

from dataclasses import dataclass
from datetime import date, datetime, time
from typing import Annotated, Literal
from zoneinfo import ZoneInfo

from pydantic import AfterValidator, Field

from layout.shop.inscriptions import Inscription
from service.requests.inscriptions import (
    MOST_INSCRIPTIONS,
    InscriptionIn,
    Moment,
    Name,
    Ref,
    Strict,
    Whole,
    storable,
)


@dataclass(frozen=True, slots=True)
class LineWanted:
    line_ref: str
    sku: str
    quantity: int
    inscriptions: tuple[Inscription, ...]
    preview: str | None = None


@dataclass(frozen=True, slots=True)
class Notes:
    """What people wrote beside an order; empty where nothing was."""

    order: str = ""
    gift: str = ""
    bench: str = ""


@dataclass(frozen=True, slots=True)
class OrderWanted:
    order_ref: str
    ship_by: datetime
    priority: int
    refuse_unengravable: bool
    proof: Literal["none", "buyer"]
    lines: tuple[LineWanted, ...]
    buyer: str = ""
    notes: Notes = Notes()


def end_of_day(day: date, zone: ZoneInfo) -> datetime:
    """By when an order must be handed over of which only the day is known."""
    return datetime.combine(day, time(23, 59, 59), zone)


#: Longer than the token of any preview: its inscriptions are in it.
LONGEST_TOKEN = 20_000
#: Longest name of a buyer, and longest note: one line of a form, a few sentences.
LONGEST_NAME, LONGEST_NOTE = 120, 500
_Note = Annotated[str, Field(max_length=LONGEST_NOTE), AfterValidator(storable)]


class BuyerIn(Strict):
    name: Annotated[str, Field(max_length=LONGEST_NAME), AfterValidator(storable)] = Field(
        description="The buyer's name, as the shop would call them.", examples=["Nan Alder"]
    )


class NotesIn(Strict):
    order: _Note = Field(
        default="", description="For the desk.", examples=["Rang twice; wants it before the 4th."]
    )
    gift: _Note = Field(
        default="",
        description="What the buyer wants on a card in the box. Labels and load sheets say that there is one,"
        " not what it says.",
        examples=["Happy birthday, Nan!"],
    )
    bench: _Note = Field(
        default="", description="For whoever seats and inspects the units.", examples=["Handle is oiled."]
    )

    def value(self) -> Notes:
        return Notes(self.order.strip(), self.gift.strip(), self.bench.strip())


Token = Annotated[str, Field(min_length=1, max_length=LONGEST_TOKEN), AfterValidator(storable)]


class LineIn(Strict):
    line_ref: Ref = Field(description="The store's own name of the line.", examples=["1"])
    sku: Name = Field(description="The store's number of the product.", examples=["AQ-PARER-OAK"])
    quantity: Whole = Field(ge=1, le=99, description="Units ordered, each engraved alike.", examples=[1])
    inscriptions: Annotated[list[InscriptionIn], Field(max_length=MOST_INSCRIPTIONS)] = Field(
        description="What is to be engraved, one entry a place. An empty list: nothing; the boxed units go"
        " straight to packing."
    )
    preview: Token | None = Field(
        default=None,
        # An order that was first posted before previews could be named is still the same order.
        exclude_if=lambda token: token is None,
        description="The token of the preview that the buyer saw. The line is checked anew anyhow. Where"
        " it comes to the same mark, that is the buyer's approval if the order asks for one; otherwise it is"
        " held, `differs_from_preview`.",
        examples=["WyJnYXJkZW4i.c2ln"],
    )


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
    buyer: BuyerIn | None = Field(default=None, description="Who ordered; may be left out.")
    notes: NotesIn | None = Field(default=None, description="Notes for people; may be left out.")
    lines: Annotated[list[LineIn], Field(min_length=1, max_length=200)] = Field(
        description="What is ordered."
    )
