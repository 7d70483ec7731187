"""An order as it comes over the wire, and the values that it becomes."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime, time
from typing import Annotated, Any, Literal, Self
from zoneinfo import ZoneInfo

from pydantic import AfterValidator, Field, model_validator

from layout.check.feasibility import CheckResult
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
class AsBefore:
    """What was frozen for an earlier line, and is taken over unchanged: nothing of it is checked anew.

    `findings` and `checked` are as the earlier line keeps them, `accepted_under` is the version of the shop's
    description that accepted it. `held_why` (reason, sentence) holds the units: nothing takes them any more.
    What the desk has looked at and the buyer has agreed to is settled where `is_settled` says so.
    """

    result: CheckResult
    blade: str
    faces: tuple[str, ...]
    findings: tuple[Mapping[str, Any], ...]
    checked: tuple[Mapping[str, Any], ...]
    accepted_under: str
    held_why: tuple[str, str] | None = None
    is_settled: bool = False


@dataclass(frozen=True, slots=True)
class LineWanted:
    """One line. `same_as` names an earlier order and its line; once that was looked up, `inscriptions` are
    those of the line, and `as_before` is what was frozen of them where it can be engraved as it is."""

    line_ref: str
    sku: str
    quantity: int
    inscriptions: tuple[Inscription, ...]
    preview: str | None = None
    same_as: tuple[str, str] | None = None
    as_before: AsBefore | None = None


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


class SameAsIn(Strict):
    order: Annotated[str, Field(max_length=20), AfterValidator(storable)] = Field(
        description="An earlier order of the same store.", examples=["O17"]
    )
    line_ref: Ref = Field(description="Its line, by the store's own name.", examples=["1"])


class LineIn(Strict):
    line_ref: Ref = Field(description="The store's own name of the line.", examples=["1"])
    sku: Name = Field(description="The store's number of the product.", examples=["AQ-PARER-OAK"])
    quantity: Whole = Field(ge=1, le=99, description="Units ordered, each engraved alike.", examples=[1])
    inscriptions: Annotated[list[InscriptionIn], Field(max_length=MOST_INSCRIPTIONS)] | None = Field(
        default=None,
        description="What is to be engraved, one entry a place. An empty list: nothing; the boxed units go"
        " straight to packing. Left out only where `same_as` says it.",
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
    same_as: SameAsIn | None = Field(
        default=None,
        exclude_if=lambda said: said is None,  # an order from before is still the same
        description="The same as an earlier line of the same product, instead of `inscriptions`: the very"
        " outline that was approved then, where the shop can still engrave it; else its words, checked anew.",
    )

    @model_validator(mode="after")
    def _says_what(self) -> Self:
        if (self.inscriptions is None) == (self.same_as is None):
            raise ValueError("say either inscriptions or same_as")
        return self


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
