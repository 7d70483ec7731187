"""The build list as the service answers it: what assembly should build, and which blades are on their way."""

from __future__ import annotations

from pydantic import Field

from service.requests.answers import AnswerBody, Moment

_SKU = Field(description="The product.", examples=["AQ-PARER-OAK"])


class ForOrderAnswer(AnswerBody):
    """Units of one order in a row of the list."""

    order: str = Field(description="The order.", examples=["O17"])
    order_ref: str = Field(description="The store's own reference.", examples=["AQ-2026-0417"])
    units: int = Field(description="Units of it that are short.", examples=[2])
    ship_by: Moment = Field(description="When it must be handed over.")


class ToBuildAnswer(AnswerBody):
    """So many more units of a product by a time."""

    sku: str = _SKU
    name: str = Field(description="The product's name.", examples=["Paring knife, oak"])
    needed_by: Moment = Field(description="By when they must be boxed for their orders to leave in time.")
    is_late: bool = Field(
        serialization_alias="late",
        description="That time has passed, and so will the ship-by time unless somebody hurries.",
        examples=[False],
    )
    quantity: int = Field(description="How many.", examples=[3])
    cumulative: int = Field(description="Those of the rows before it counted as well.", examples=[5])
    built_from: str | None = Field(
        description="The bare blade that it is built from; null: the catalogue does not say.",
        examples=["AQ-BLANK-PARER"],
    )
    orders: tuple[ForOrderAnswer, ...] = Field(description="The orders that they are for.")


class BladesAnswer(AnswerBody):
    """Bare blades of a product on their way to assembly."""

    sku: str = _SKU
    waiting: int = Field(description="Blades that no load has yet.", examples=[120])
    loaded: int = Field(description="Blades in loads.", examples=[8])
    marked: int = Field(description="Marked, not handed over.", examples=[60])
    handed_over: int = Field(description="Handed over lately.", examples=[100])
    next_due: Moment | None = Field(description="Earliest due time of lots that are not marked.")


class BuildListAnswer(AnswerBody):
    """What the assembly bench should build so that short jobs are filled."""

    made_at: Moment = Field(description="When the list was made.")
    rows: tuple[ToBuildAnswer, ...] = Field(
        serialization_alias="build", description="What to build, the most urgent first."
    )
    blades: tuple[BladesAnswer, ...] = Field(description="Bare blades in lots.")

    def blades_of(self, sku: str | None) -> BladesAnswer | None:
        """Blades of one product; None where no lot has any."""
        return next((blades for blades in self.blades if blades.sku == sku), None)
