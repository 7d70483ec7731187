"""How many inspections before boxing failed, by product and reason; counts only, they rank nobody."""

from __future__ import annotations

from collections import Counter
from datetime import date

from pydantic import Field

from service.assembly import work_order_rows as rows
from service.records.states import UnitState
from service.requests.answers import AnswerBody
from service.requests.days import moments
from service.shop.tools import Tools


class FailureCountAnswer(AnswerBody):
    """How often units of a product failed for one reason."""

    sku: str = Field(description="The product.", examples=["AQ-PARER-OAK"])
    reason: str = Field(
        description="The point of the inspection, or `other`; without what else was noted.",
        examples=["Handle without gaps"],
    )
    rework: int = Field(description="Sent to rework.", examples=[3])
    given_up: int = Field(description="Given up.", examples=[1])


class FailuresAnswer(AnswerBody):
    """Inspections before boxing that failed in some days."""

    since: date = Field(description="First day that counts.", examples=["2026-11-01"])
    until: date = Field(description="Last day that counts.", examples=["2026-11-30"])
    rework: int = Field(description="Units sent to rework; one that was twice counts twice.", examples=[4])
    given_up: int = Field(description="Units given up.", examples=[1])
    counts: tuple[FailureCountAnswer, ...] = Field(
        description="By product and reason, in alphabetical order."
    )


def failures(tools: Tools, since: date, until: date) -> FailuresAnswer:
    """What failed on those days of the shop. Raises BadRequest for days that are none, or too many."""
    begin, end = moments(since, until, tools.catalogue.current.policy.time_zone)
    with tools.database.reading() as session:
        failed = rows.failed(session, begin, end)
    counts = Counter((sku, why.partition(":")[0].strip(), to) for sku, to, why in failed)
    total = Counter(to for _, to, _ in failed)
    rework, given_up = UnitState.REWORK.value, UnitState.GIVEN_UP.value
    return FailuresAnswer(
        since=since,
        until=until,
        rework=total[rework],
        given_up=total[given_up],
        counts=tuple(
            FailureCountAnswer(
                sku=sku,
                reason=reason,
                rework=counts[sku, reason, rework],
                given_up=counts[sku, reason, given_up],
            )
            for sku, reason in sorted({(sku, reason) for sku, reason, _ in counts})
        ),
    )
