"""The board: one look at work against hours, what is late or short, loads in hand, what was spoiled."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import Annotated, Any

from fastapi import APIRouter, Query, Request, Response

from layout.parts import Shop
from service.pages.gate import HouseVisitor
from service.pages.render import PageRoute, page
from service.repositories import board as rows
from service.states import JobState

router = APIRouter(include_in_schema=False, route_class=PageRoute)

USUAL_HOURS = 8.0
_DAYS_AHEAD = 7
_SCRAP_DAYS = 30
#: States in which a unit has not been burned yet.
_TO_BURN = frozenset({"held", "short", "ready", "loaded", "doubtful"})


@dataclass(frozen=True, slots=True)
class Day:
    """Work to be shipped on a day, and what must be done and can be done until its end, in hours."""

    day: date
    units: int
    hours: float
    due_hours: float
    open_hours: float

    @property
    def fits(self) -> bool:
        return self.due_hours <= self.open_hours


@router.get("/board")
def get_board(
    request: Request,
    visitor: HouseVisitor,
    hours: Annotated[float, Query(gt=0, le=24)] = USUAL_HOURS,
) -> Response:
    """Today. `hours`: how long a station works a day."""
    state = request.app.state
    shop, now = state.catalogue.current, state.clock()
    today = datetime.combine(now.date(), time(), tzinfo=now.tzinfo)
    with state.database.reading() as session:
        undone = rows.undone(session)
        loads = rows.active_loads(session)
        values: dict[str, Any] = {
            "loads": loads,
            "units": rows.units_in(session, [load.id for load in loads]),
            "recent": rows.recent_loads(session),
            "late": [
                {"job": job.id, "sku": job.sku, "state": job.state, "ship_by": job.ship_by,
                 "order_ref": job.line.order.order_ref, "order": job.order_id}
                for job in rows.late(session, before=now)
            ],
            "short": rows.short(session),
            "scrap": rows.scrapped(session, since=now - timedelta(days=_SCRAP_DAYS)),
            "passed": rows.moved_to(session, JobState.PASSED, since=now - timedelta(days=_SCRAP_DAYS)),
            "released": rows.moved_to(session, JobState.RELEASED, since=today),
        }  # fmt: skip
    counts: dict[str, int] = {}
    for name, _, _, count in undone:
        counts[name] = counts.get(name, 0) + count
    return page(
        request, "board.html", visitor, counts=counts, days=days_of(undone, shop, now=now, hours=hours),
        hours=hours, now=now, products=shop.products, scrap_days=_SCRAP_DAYS, late_count=_late(undone, now),
        **values,
    )  # fmt: skip


def days_of(
    undone: Sequence[tuple[str, datetime, float | None, int]], shop: Shop, *, now: datetime, hours: float
) -> list[Day]:
    """Work by ship-by day. What is late is due today; what lies further than a week ahead is left out.

    Hours of work: the burn as the check estimated it, and the loading at the slowest station's pace. Hours
    open: so many a day and station, today no more than are left of it.
    """
    loading = max((s.load_seconds_per_slot for s in shop.stations.values()), default=0.0)
    work: dict[date, tuple[int, float]] = {}
    for name, ship_by, seconds, count in undone:
        if name in _TO_BURN:
            day = max(ship_by.date(), now.date())
            units, spent = work.get(day, (0, 0.0))
            work[day] = units + count, spent + count * ((seconds or 0.0) + loading) / 3600
    left_today = 24 - (now.hour + now.minute / 60)
    found, due = [], 0.0
    for ahead in range(_DAYS_AHEAD):
        day = now.date() + timedelta(days=ahead)
        units, spent = work.get(day, (0, 0.0))
        due += spent
        open_hours = len(shop.stations) * (min(hours, left_today) + ahead * hours)
        found.append(Day(day, units, spent, due, open_hours))
    return found


def _late(undone: Sequence[tuple[str, datetime, float | None, int]], now: datetime) -> int:
    return sum(count for _, ship_by, _, count in undone if ship_by < now)
