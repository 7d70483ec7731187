"""What is coming: the plan load by load, the backlog by ship-by day, what assembly should build."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import Annotated, Any
from urllib.parse import urlencode
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Query, Request, Response

from service.doorway import AtHand
from service.pages.board import late_units, planned, short_times
from service.pages.gate import HouseVisitor, Visitor
from service.pages.render import PageRoute, page
from service.papers import picture_rows as shown_rows
from service.papers import pictures, texts
from service.plan import board_rows as rows
from service.plan import build_list, build_plan, outlook, plan_rows
from service.plan.build_plan import Wish
from service.plan.build_plan_answers import BuildPlanAnswer, PastWeekAnswer
from service.records.ids import JOB, number
from service.shop.tools import Tools

router = APIRouter(include_in_schema=False, route_class=PageRoute)

#: Rows of a page's table; programs get all of them.
_MOST_LOADS, _MOST_LATE, _MOST_BUILD = 80, 200, 200
#: Open hours that the timeline may show.
SPANS = (5, 10, 20, 40)


@router.get("/plan")
def get_plan(
    request: Request, tools: AtHand, visitor: HouseVisitor, hours: Annotated[float, Query(ge=2, le=120)] = 10
) -> Response:
    """The coming loads with their plates, and how good any plan could be."""
    planned_now, no_plan = planned(tools)
    if planned_now is None:
        return _page(
            request,
            tools,
            "plan.html",
            visitor,
            no_plan=no_plan,
            loads=[],
            more=0,
            hours=hours,
            plan=None,
            timeline=None,
            unplanned=[],
            spans=SPANS,
        )
    listed = list(zip(planned_now.numbers, planned_now.plan.loads, strict=True))[:_MOST_LOADS]
    jobs = {number(JOB, job) for _, load in listed for job in load.jobs}
    with tools.database.reading() as session:
        in_hand = plan_rows.active_loads(session)
        shown = shown_rows.jobs_shown(session, jobs)
    dues = pictures.dues_of(planned_now)
    loads = [
        {
            "number": place,
            "load": load,
            "prepares": planned_now.moment(load.prepares),
            "begins": planned_now.moment(load.begins),
            "ends": planned_now.moment(load.ends),
            "late": len(pictures.late_jobs(planned_now, load, dues)),
            "orders": sorted(
                {shown[number(JOB, job)].order_ref for job in load.jobs if number(JOB, job) in shown}
            ),
        }
        for place, load in listed
    ]
    drawn = pictures.timeline(
        planned_now, in_hand, now=tools.clock(), language=visitor.language, most_open_s=hours * 3600
    )
    return _page(
        request,
        tools,
        "plan.html",
        visitor,
        no_plan=None,
        loads=loads,
        more=len(planned_now.plan.loads) - len(loads),
        hours=hours,
        timeline=drawn,
        plan=planned_now.plan,
        unplanned=sorted(planned_now.plan.unplanned.items()),
        spans=SPANS,
    )


@router.get("/backlog")
def get_backlog(request: Request, tools: AtHand, visitor: HouseVisitor) -> Response:
    """Hours of work by ship-by day; what is late or will be, what is short, what is in no plan."""
    now = tools.clock()
    planned_now, no_plan = planned(tools)
    with tools.database.reading() as session:
        days = outlook.outlook(session, planned_now, now=now) if planned_now else []
        late = late_units(session, planned_now, now=now)
        short, counts = rows.short(session), rows.counts(session)
    language_texts = texts.texts_of(visitor.language)
    return _page(
        request,
        tools,
        "backlog.html",
        visitor,
        no_plan=no_plan,
        late=late[:_MOST_LATE],
        short=short,
        late_more=max(0, len(late) - _MOST_LATE),
        counts=counts,
        products=tools.catalogue.current.products,
        days=[(day, pictures.remark(day, language_texts)) for day in days],
        workload=pictures.workload(days, language=visitor.language) if planned_now else None,
        unplanned=sorted(planned_now.plan.unplanned.items()) if planned_now else [],
        day_name=lambda day: pictures.day_name(day, visitor.language),
        now=now,
    )


@router.get("/build-list")
def get_build_list(request: Request, tools: AtHand, visitor: HouseVisitor) -> Response:
    """What the assembly bench should build, by when, and which blades are on their way there."""
    listed = build_list.build_list(tools)
    late = sum(row.quantity for row in listed.rows if row.is_late)
    return _page(
        request,
        tools,
        "build_list.html",
        visitor,
        build=listed.rows[:_MOST_BUILD],
        late=late,
        more=max(0, len(listed.rows) - _MOST_BUILD),
        blades=listed.blades,
        blades_of=listed.blades_of,
        made_at=listed.made_at,
        products=tools.catalogue.current.products,
        handed_over_days=build_list.HANDED_OVER_DAYS,
    )


@router.get("/build-plan")
def get_build_plan(
    request: Request,
    tools: AtHand,
    visitor: HouseVisitor,
    service: Annotated[float | None, Query(ge=50, le=99.9)] = None,
    units: Annotated[int | None, Query(ge=0, le=10_000)] = None,
) -> Response:
    """What assembly should build week by week: by what sells, what is there, and what it can build. The
    service level in percent, and the units of a week, may be tried."""
    wish = Wish(None if service is None else service / 100, units)
    plan = build_plan.build_plan(tools, wish)
    asked = {"service_level": wish.service_level, "units_per_week": units}
    return _page(
        request,
        tools,
        "build_plan.html",
        visitor,
        plan=plan,
        bars=_bars(plan.past),
        days={day: pictures.day_name(day, visitor.language) for day in _days_of(plan)},
        asked=urlencode({name: value for name, value in asked.items() if value is not None}),
        is_tried=wish != Wish(),
        weeks_back=build_plan.WEEKS_BACK,
    )


def _bars(past: Sequence[PastWeekAnswer]) -> list[tuple[float, float]]:
    """For each week what was expected and what came, on a scale of 0 to 1."""
    most = max((max(week.expected, week.sold) for week in past), default=0) or 1
    return [(week.expected / most, week.sold / most) for week in past]


def _days_of(plan: BuildPlanAnswer) -> set[date]:
    days = {week.by for week in plan.weeks} | {week.week for week in plan.past}
    return days | ({plan.next_release} if plan.next_release else set())


def _page(request: Request, tools: Tools, template: str, visitor: Visitor, **values: Any) -> Response:
    """A page whose times are the shop's own."""
    zone = ZoneInfo(tools.catalogue.current.policy.time_zone)
    return page(
        request,
        template,
        visitor,
        zone=zone,
        local=lambda moment: moment.astimezone(zone),
        short_time=short_times(zone, tools.clock(), visitor.language),
        **values,
    )
