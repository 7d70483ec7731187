"""The board: one look at work against hours, what is late or short, loads in hand, what was spoiled."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Request, Response
from sqlalchemy.orm import Session

from service import outlook, plans
from service.errors import Refusal
from service.ids import ORDER, number, public
from service.outlook import Day
from service.pages import pictures
from service.pages.gate import HouseVisitor
from service.pages.render import PageRoute, page
from service.plans import Planned
from service.repositories import board as rows
from service.repositories import build_list as order_rows
from service.states import JobState

router = APIRouter(include_in_schema=False, route_class=PageRoute)

_SCRAP_DAYS = 30
#: Rows of each list: the board is for one look, the backlog's page has more.
_SHOWN = 6


@dataclass(frozen=True, slots=True)
class LateJob:
    """A job that is late, or that will be by the plan; `engraved_by` is None where no load is planned."""

    job: str
    order: str
    order_ref: str
    state: str
    ship_by: datetime
    engraved_by: datetime | None


@router.get("/board")
def get_board(request: Request, visitor: HouseVisitor) -> Response:
    """Today."""
    state = request.app.state
    shop, now = state.catalogue.current, state.clock()
    found, no_plan = planned(state)
    zone = ZoneInfo(shop.policy.time_zone)
    today = datetime.combine(now.astimezone(zone).date(), time(), tzinfo=zone)
    since = now - timedelta(days=_SCRAP_DAYS)
    with state.database.reading() as session:
        loads = rows.active_loads(session)
        days = outlook.outlook(session, found, now=now) if found else []
        late = late_jobs(session, found, now=now)
        values: dict[str, Any] = {
            "loads": loads,
            "units": rows.units_in(session, [load.id for load in loads]),
            "recent": rows.recent_loads(session),
            "short": rows.short(session),
            "scrap": rows.scrapped(session, since=since),
            "passed": rows.moved_to(session, JobState.PASSED, since=since),
            "released": rows.moved_to(session, JobState.RELEASED, since=today),
            "counts": rows.counts(session),
        }
    return page(
        request, "board.html", visitor, now=now, zone=zone, local=lambda moment: moment.astimezone(zone),
        no_plan=no_plan, days=days, due_today=today_of(days), late=late[:_SHOWN], late_count=len(late),
        releases=[day for day in days if day.is_release], most=_SHOWN, products=shop.products,
        scrap_days=_SCRAP_DAYS, day_name=lambda day: pictures.day_name(day, visitor.language),
        timeline=pictures.timeline(found, loads, now=now, language=visitor.language) if found else None,
        workload=pictures.workload(days, language=visitor.language) if found else None, **values,
    )  # fmt: skip


def planned(state: Any) -> tuple[Planned | None, Refusal | None]:
    """The plan, or why there is none: a page shows the rest all the same."""
    try:
        return plans.current(state), None
    except Refusal as refusal:
        return None, refusal


def today_of(days: list[Day]) -> Day | None:
    """The last of what must be done by tonight: it sums up what is overdue and what is due today."""
    return next((day for day in days if day.day is not None), None)


def late_jobs(session: Session, found: Planned | None, *, now: datetime) -> list[LateJob]:
    """What is overdue, then what will be late by the plan, each the most urgent first."""
    ends = {} if found is None else {job: found.moment(end) for job, end in found.plan.done.items()}
    overdue = [
        LateJob(
            job=public("J", job.id),
            order=public(ORDER, job.order_id),
            order_ref=job.line.order.order_ref,
            state=job.state,
            ship_by=job.ship_by,
            engraved_by=ends.get(public("J", job.id)),
        )
        for job in rows.late(session, before=now, limit=500)
    ]
    if found is None:
        return overdue
    coming = [
        job for job in found.backlog.jobs if found.backlog.now <= job.due < found.plan.done.get(job.job, 0.0)
    ]
    refs = order_rows.order_refs(session, {number(ORDER, job.order) for job in coming})
    return overdue + sorted(
        (
            LateJob(
                job=job.job,
                order=job.order,
                order_ref=refs[number(ORDER, job.order)],
                state=JobState.READY.value,
                ship_by=found.moment(job.due),
                engraved_by=ends[job.job],
            )
            for job in coming
        ),
        key=lambda one: (one.ship_by, one.job),
    )
