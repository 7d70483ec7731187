"""Figures of the days that were, for programs and for spreadsheets."""

from __future__ import annotations

from datetime import date
from typing import Annotated

from fastapi import APIRouter, Query, Request, Response

from service.api import wire
from service.api.contract import CSV, details
from service.api.security import House
from service.doorway import AtHand, Route
from service.figures import figures
from service.figures.figures import Every, FiguresAnswer
from service.records import errors

router = APIRouter(tags=["plan"], route_class=Route)

Since = Annotated[date, Query(alias="from", description="First day that counts.", examples=["2026-11-01"])]
Until = Annotated[
    date,
    Query(
        alias="to",
        description=f"Last day that counts; {figures.MOST_DAYS} days at the most.",
        examples=["2026-11-30"],
    ),
]
By = Annotated[Every, Query(description="A row for each day, or each week.", examples=["week"])]


@router.get("/v1/figures", openapi_extra=details(errors.BadRequest))
def get_figures(tools: AtHand, who: House, since: Since, until: Until, by: By = "day") -> FiguresAnswer:
    """Units released and scrapped, hours from order to release, promises kept, seconds per unit by step.
    Nothing is counted by person."""
    return figures.figures(tools, since, until, by)


@router.get(
    "/v1/figures.csv",
    response_class=Response,
    openapi_extra=details(errors.BadRequest, files=[CSV], etag=True),
)
def get_figures_csv(
    request: Request, tools: AtHand, who: House, since: Since, until: Until, by: By = "day"
) -> Response:
    """The same as a CSV file: a row for each day or week."""
    answer = figures.figures(tools, since, until, by)
    return wire.csv_answer(request, figures.figures_csv(answer), "figures.csv")
