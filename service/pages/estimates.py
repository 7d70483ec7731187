"""Expected against measured burns: what the records teach, and how good the estimates are."""

from __future__ import annotations

import statistics
from collections.abc import Sequence
from dataclasses import dataclass
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Request, Response

from service.doorway import AtHand
from service.pages.gate import OwnerVisitor
from service.pages.render import PageRoute, page
from service.plan.estimate_answers import MeasuredTurnAnswer, estimates_answer

router = APIRouter(include_in_schema=False, route_class=PageRoute)

#: Side of the picture's square, in its own units.
SIDE = 300.0


@dataclass(frozen=True, slots=True)
class Dot:
    """One turn: x is estimated, by the catalogue and as learned; y is measured; in the picture's units (y
    down)."""

    catalogue_x: float
    learned_x: float
    y: float
    is_beyond: bool


@dataclass(frozen=True, slots=True)
class Scatter:
    """Both axes run from 0 to `most_s`; turns that took longer are drawn at the upper edge."""

    most_s: float
    dots: tuple[Dot, ...]


@router.get("/owner/estimates")
def get_estimates(request: Request, tools: AtHand, visitor: OwnerVisitor) -> Response:
    with tools.database.reading() as session:
        answer = estimates_answer(session)
    pictures = [
        (estimate.station, scatter_of(estimate.recent))
        for estimate in answer.estimates
        if estimate.plate is None
    ]
    shop = tools.catalogue.current
    at = answer.learned_at
    return page(
        request,
        "estimates.html",
        visitor,
        answer=answer,
        pictures=pictures,
        shop=shop,
        side=SIDE,
        learned_at=at and at.astimezone(ZoneInfo(shop.policy.time_zone)),
    )


def scatter_of(recent: Sequence[MeasuredTurnAnswer]) -> Scatter:
    """The newest turns, on axes that most of them fill: a lunch break must not squeeze the others
    together."""
    usual = statistics.quantiles([turn.measured_s for turn in recent] * 2, n=10)[7]
    most = 1.15 * max(usual, *(max(turn.estimated_s, turn.expected_s) for turn in recent))
    return Scatter(
        most_s=most,
        dots=tuple(
            Dot(
                catalogue_x=SIDE * turn.estimated_s / most,
                learned_x=SIDE * turn.expected_s / most,
                y=SIDE * (1 - min(1.0, turn.measured_s / most)),
                is_beyond=turn.measured_s > most,
            )
            for turn in recent
        ),
    )
