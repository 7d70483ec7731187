"""The page of figures: how much, how fast, how well, by day or week. Nothing on it is of one person."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Annotated, Literal
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Query, Request, Response

from service.doorway import AtHand
from service.figures import figures
from service.figures.figures import Every
from service.pages.gate import HouseVisitor
from service.pages.render import PageRoute, page, status_of
from service.papers import figure_plots
from service.records.errors import Refusal

router = APIRouter(include_in_schema=False, route_class=PageRoute)


@router.get("/figures")
def get_figures(
    request: Request,
    tools: AtHand,
    visitor: HouseVisitor,
    by: Annotated[Every, Query()] = "day",
    since: Annotated[date | Literal[""], Query(alias="from")] = "",
    until: Annotated[date | Literal[""], Query(alias="to")] = "",
) -> Response:
    """The last four weeks, if nobody says otherwise."""
    today = tools.clock().astimezone(ZoneInfo(tools.catalogue.current.policy.time_zone)).date()
    last = until or today
    first = since or last - timedelta(days=figures.USUAL_DAYS - 1)
    counted, refused = None, None
    try:
        counted = figures.figures(tools, first, last, by)
    except Refusal as refusal:
        refused = refusal
    return page(
        request,
        "figures.html",
        visitor,
        status=status_of(refused) if refused else 200,
        refused=refused,
        figures=counted,
        plots=figure_plots.plots(counted, language=visitor.language) if counted else (),
        names=figure_plots.names(counted, visitor.language) if counted else {},
        by=by,
        since=first.isoformat(),
        until=last.isoformat(),
        most_days=figures.MOST_DAYS,
    )
