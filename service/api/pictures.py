"""The plan and the backlog as SVG, for screens and for paper."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Path, Query, Request, Response

from service.api.contract import SVG, details
from service.api.security import House
from service.doorway import AtHand, Route
from service.papers import pictures, texts
from service.plan import in_force as kept_plan
from service.plan import outlook
from service.plan import plan_rows as rows
from service.records import errors

router = APIRouter(tags=["plan"], route_class=Route)

PlannedNumber = Annotated[int, Path(description="The load's number in the plan.", examples=[4])]
PlannedTurn = Annotated[int, Query(ge=1, le=9, description="The turn, from 1.", examples=[1])]
OpenHours = Annotated[float, Query(ge=2, le=120, description="Open hours shown at the most.", examples=[10])]


@router.get(
    "/v1/plan/timeline.svg", response_class=Response, openapi_extra=details(errors.NoPlanYet, files=[SVG])
)
def get_timeline(request: Request, tools: AtHand, who: House, hours: OpenHours = 10) -> Response:
    """What each station burns and prepares from now on, in the shop's own time."""
    plan = kept_plan.current(tools)
    with tools.database.reading() as session:
        loads = rows.active_loads(session)
    picture = pictures.timeline(
        plan, loads, now=tools.clock(), language=_language(request), most_open_s=hours * 3600
    )
    return Response(picture, media_type=SVG)


@router.get(
    "/v1/plan/loads/{number}/picture.svg",
    response_class=Response,
    openapi_extra=details(errors.NoPlanYet, files=[SVG]),
)
def get_planned_load_picture(
    tools: AtHand, who: House, number: PlannedNumber, turn: PlannedTurn = 1
) -> Response:
    """The plate of the plan's n-th load, as the plan is now, with its units and their words."""
    plan = kept_plan.current(tools)
    with tools.database.reading() as session:
        picture = pictures.planned_load(session, tools.catalogue.current, plan, number, turn)
    return Response(picture, media_type=SVG)


@router.get("/v1/backlog.svg", response_class=Response, openapi_extra=details(errors.NoPlanYet, files=[SVG]))
def get_backlog_picture(request: Request, tools: AtHand, who: House) -> Response:
    """Hours of work by ship-by day against the hours that the stations are open."""
    plan = kept_plan.current(tools)
    with tools.database.reading() as session:
        days = outlook.outlook(session, plan, now=tools.clock())
    return Response(pictures.workload(days, language=_language(request)), media_type=SVG)


def _language(request: Request) -> str:
    return texts.language_of(None, request.headers.get("accept-language", ""))
