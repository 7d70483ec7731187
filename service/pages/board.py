"""The board: work against hours, what is late or short, loads in hand and what was spoiled, at a glance."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Request, Response
from sqlalchemy.orm import Session

from service.doorway import AtHand
from service.pages.gate import HouseVisitor
from service.pages.render import PageRoute, page
from service.papers import pictures, texts
from service.plan import board_rows as rows
from service.plan import build_list_rows, outlook
from service.plan import in_force as kept_plan
from service.plan.outlook import Day
from service.plan.planning import Planned
from service.records.errors import Refusal
from service.records.ids import JOB, ORDER, number, public
from service.records.states import JobState
from service.routines import due
from service.shop.tools import Tools
from service.supplies import supplies

router = APIRouter(include_in_schema=False, route_class=PageRoute)

_SCRAP_DAYS = 30
#: Rows of each list: the board is for one look, the backlog's page has more.
_SHOWN = 6
#: Overdue jobs read at most.
_MOST_LATE = 1_000


@dataclass(frozen=True, slots=True)
class Late:
    """Units of an order in one state that are late, or will be by the plan. `ready_by` is when the last of
    them is ready to hand over; None when one of them is in no planned load."""

    order: str
    order_ref: str
    state: str
    ship_by: datetime
    jobs: tuple[str, ...]
    ready_by: datetime | None


@router.get("/board")
def get_board(request: Request, tools: AtHand, visitor: HouseVisitor) -> Response:
    """Today."""
    shop, now = tools.catalogue.current, tools.clock()
    planned_now, no_plan = planned(tools)
    zone = ZoneInfo(shop.policy.time_zone)
    today = datetime.combine(now.astimezone(zone).date(), time(), tzinfo=zone)
    since = now - timedelta(days=_SCRAP_DAYS)
    with tools.database.reading() as session:
        days = outlook.outlook(session, planned_now, now=now) if planned_now else []
        late = late_units(session, planned_now, now=now)
        loads, recent = rows.active_loads(session), rows.recent_loads(session)
        units = rows.units_in(session, [load.id for load in loads])
        counts, short = rows.counts(session), rows.short(session)
        scrap = rows.scrapped(session, since=since)
        passed = rows.moved_to(session, JobState.PASSED, since=since)
        released = rows.moved_to(session, JobState.RELEASED, since=today)
        routines = [one for name in shop.stations for one in due.due_at(session, shop, name, now=now)]
        low = [one for one in supplies.supplies(session, shop).supplies if one.is_low]
    return page(
        request,
        "board.html",
        visitor,
        now=now,
        zone=zone,
        local=lambda moment: moment.astimezone(zone),
        no_plan=no_plan,
        days=days,
        due_today=today_of(days, today.date()),
        late=late[:_SHOWN],
        late_count=sum(len(order.jobs) for order in late),
        short_time=short_times(zone, now, visitor.language),
        most=_SHOWN,
        releases=[day for day in days if day.is_release],
        late_more=max(0, len(late) - _SHOWN),
        products=shop.products,
        scrap_days=_SCRAP_DAYS,
        day_name=lambda day: pictures.day_name(day, visitor.language),
        timeline=pictures.timeline(planned_now, loads, now=now, language=visitor.language)
        if planned_now
        else None,
        workload=pictures.workload(days, language=visitor.language) if planned_now else None,
        loads=loads,
        recent=recent,
        units=units,
        counts=counts,
        short=short,
        scrap=scrap,
        passed=passed,
        released=released,
        routines=routines,
        station_names={name: station.name for name, station in shop.stations.items()},
        low=low,
    )


def planned(tools: Tools) -> tuple[Planned | None, Refusal | None]:
    """The plan, or why there is none: the page shows everything else all the same."""
    try:
        return kept_plan.current(tools), None
    except Refusal as refusal:
        return None, refusal


def short_times(zone: ZoneInfo, now: datetime, language: str) -> Callable[[datetime], str]:
    """Writes a moment in the shop's time, without the day if it is today."""

    def short_time(moment: datetime) -> str:
        local = moment.astimezone(zone)
        is_today = local.date() == now.astimezone(zone).date()
        return f"{local:%H:%M}" if is_today else texts.day_and_time(local, language)

    return short_time


def today_of(days: list[Day], today: date) -> Day | None:
    """Today's line, which sums up everything that must be done by tonight: what is overdue and what is due
    today. None on a closed day with nothing due."""
    return next((day for day in days if day.day == today), None)


def late_units(session: Session, planned_now: Planned | None, *, now: datetime) -> list[Late]:
    """What is overdue and what will be late by the plan, most urgent first."""
    late = [
        (job.ship_by, job.order_id, job.state, public(JOB, job.id))
        for job in rows.late(session, before=now, limit=_MOST_LATE)
    ]
    ends: dict[str, datetime] = {}
    if planned_now is not None:
        ends = {job: planned_now.moment(end) for job, end in planned_now.plan.done.items()}
        late += [
            (planned_now.moment(job.shipped_by), number(ORDER, job.order), JobState.READY.value, job.job)
            for job in planned_now.late_to_come()
        ]
    grouped: dict[tuple[datetime, int, str], list[str]] = {}
    for ship_by, order_id, state, job in late:
        grouped.setdefault((ship_by, order_id, state), []).append(job)
    refs = build_list_rows.order_refs(session, {order_id for _, order_id, _ in grouped})
    return [
        Late(
            order=public(ORDER, order_id),
            order_ref=refs[order_id],
            state=state,
            ship_by=ship_by,
            jobs=tuple(jobs),
            ready_by=max(ends[job] for job in jobs) if all(job in ends for job in jobs) else None,
        )
        for (ship_by, order_id, state), jobs in sorted(grouped.items())
    ]
