"""The build plan as the service answers it: what to build week by week, and why."""

from __future__ import annotations

from datetime import date

from pydantic import Field

from service.plan.build_list_answers import BladesAnswer
from service.requests.answers import AnswerBody, Moment

_SKU = Field(description="The product.", examples=["AQ-PARER-OAK"])
_NAME = Field(description="The product's name.", examples=["Paring knife, oak"])
_WEEK = Field(
    description="The Monday that the week begins with, by the shop's clock.", examples=["2026-11-30"]
)


class OutlookAnswer(AnswerBody):
    """One product: what there is of it, and what sells."""

    sku: str = _SKU
    name: str = _NAME
    boxed: int = Field(description="Boxed units in bins.", examples=[14])
    promised: int = Field(description="Units that orders wait for, boxed or not.", examples=[5])
    free: int = Field(
        description="Boxed units that nobody waits for; less than nought where more are promised than boxed.",
        examples=[9],
    )
    being_built: int = Field(
        description="Units of open work orders, on their way into a bin; the plan does not build them again.",
        examples=[6],
    )
    usual_per_week: float = Field(
        description="Units sold in a week on days that are no release days, on average.", examples=[6.5]
    )
    per_release: float = Field(description="Units sold on a release day, on average.", examples=[3.0])
    sold_last_week: int = Field(description="Units sold in the last whole week.", examples=[8])
    weeks_seen: int = Field(
        description="Whole weeks that the averages are of, from the first in which it sold.", examples=[13]
    )
    weeks_of_cover: float | None = Field(
        description="How many weeks the free units last; null: none was sold.", examples=[0.9]
    )
    level: int = Field(
        description="Units wanted on the shelf, at the service level, until what is built next is there.",
        examples=[31],
    )
    offered: int | None = Field(
        description="Units that can be offered at the next release: free then, in work orders due by then, or"
        " planned to be built, as far as bare blades are known for these; null: the shop has no release day.",
        examples=[12],
    )
    built_from: str | None = Field(
        description="The bare blade that it is built from; null: the catalogue does not say.",
        examples=["AQ-BLANK-PARER"],
    )


class BuildAnswer(AnswerBody):
    """So many units of a product."""

    sku: str = _SKU
    name: str = _NAME
    quantity: int = Field(description="How many to build.", examples=[12])


class BuildWeekAnswer(AnswerBody):
    """What to build in a week."""

    week: date = _WEEK
    by: date = Field(
        description="By when: the week's release day while that is ahead, else its last working day.",
        examples=["2026-12-04"],
    )
    units: int = Field(description="Units in all.", examples=[40])
    most: int | None = Field(
        description="Units that assembly can build in it; null: the policy names no number.", examples=[80]
    )
    build: tuple[BuildAnswer, ...] = Field(description="By product, the most first.")


class ForecastAnswer(AnswerBody):
    """What was to be expected of a product in a past week, and what came."""

    sku: str = _SKU
    expected: float = Field(
        description="Units expected in that week, by what had sold until then.", examples=[9.5]
    )
    sold: int = Field(description="Units sold in it.", examples=[8])


class PastWeekAnswer(AnswerBody):
    """A past week."""

    week: date = _WEEK
    expected: float = Field(description="Units expected of all products.", examples=[41.5])
    sold: int = Field(description="Units sold of all products.", examples=[38])
    products: tuple[ForecastAnswer, ...] = Field(description="Product by product.")


class BuildPlanAnswer(AnswerBody):
    """What assembly should build, week by week, so that the usual sales and the next release are met."""

    made_at: Moment = Field(description="When the plan was made.")
    service_level: float = Field(
        description="The share of weeks in which all that is asked for shall be there.", examples=[0.95]
    )
    weeks_to_build: float = Field(
        description="Weeks that a unit takes, from being wanted to its box.", examples=[1.0]
    )
    units_per_week: int | None = Field(
        description="Units that assembly can build in a whole week; null: enough.", examples=[80]
    )
    next_release: date | None = Field(
        description="The next release day, today's included; null: the shop has none.",
        examples=["2026-12-04"],
    )
    weeks: tuple[BuildWeekAnswer, ...] = Field(description="What to build, week by week.")
    products: tuple[OutlookAnswer, ...] = Field(description="Product by product, the shortest cover first.")
    past: tuple[PastWeekAnswer, ...] = Field(
        description="What the same rule would have expected of past weeks, the latest first."
    )
    blades: tuple[BladesAnswer, ...] = Field(description="Bare blades in lots.")

    def blades_of(self, sku: str | None) -> BladesAnswer | None:
        """Blades of one product; None where no lot has any."""
        return next((blades for blades in self.blades if blades.sku == sku), None)
