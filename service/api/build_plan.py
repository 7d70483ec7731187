"""The build plan, for programs, for spreadsheets and on paper."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query, Request, Response

from service.api import wire
from service.api.contract import CSV, PDF, details
from service.api.security import House
from service.doorway import AtHand, Route, voice_of
from service.papers import build_plan_sheet
from service.plan import build_plan
from service.plan.build_plan import Wish
from service.plan.build_plan_answers import BuildPlanAnswer

router = APIRouter(tags=["plan"], route_class=Route)

ServiceLevel = Annotated[
    float | None,
    Query(
        ge=0.5,
        le=0.999,
        description="The share of weeks in which all that is asked for is there; left out: the policy's.",
        examples=[0.98],
    ),
]
UnitsPerWeek = Annotated[
    int | None,
    Query(
        ge=0,
        le=10_000,
        description="Units that assembly can build in a whole week; left out: as in the policy.",
        examples=[60],
    ),
]


@router.get("/v1/build-plan")
def get_build_plan(
    tools: AtHand, who: House, service_level: ServiceLevel = None, units_per_week: UnitsPerWeek = None
) -> BuildPlanAnswer:
    """What assembly should build, week by week, so that what usually sells and the next release can be met.

    By what sold in the last 13 whole weeks, release days apart; see the guide for the owner.
    """
    return build_plan.build_plan(tools, Wish(service_level, units_per_week))


@router.get("/v1/build-plan.csv", response_class=Response, openapi_extra=details(files=[CSV], etag=True))
def get_build_plan_csv(
    request: Request,
    tools: AtHand,
    who: House,
    service_level: ServiceLevel = None,
    units_per_week: UnitsPerWeek = None,
) -> Response:
    """The same as a CSV file: a row for each product, a column for each week."""
    plan = build_plan.build_plan(tools, Wish(service_level, units_per_week))
    return wire.csv_answer(request, build_plan.build_plan_csv(plan), "build-plan.csv")


@router.get("/v1/build-plan.pdf", response_class=Response, openapi_extra=details(files=[PDF], etag=True))
def get_build_plan_sheet(
    request: Request,
    tools: AtHand,
    who: House,
    service_level: ServiceLevel = None,
    units_per_week: UnitsPerWeek = None,
) -> Response:
    """The same on paper, for the assembly bench."""
    plan = build_plan.build_plan(tools, Wish(service_level, units_per_week))
    sheet = build_plan_sheet.build_plan_sheet(plan, voice_of(request))
    return wire.pdf_answer(request, sheet, "build-plan.pdf")
