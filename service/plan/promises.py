"""When an order will be engraved and ready to hand over: said from the plan in force, kept by order, told
to the store when it moves.

A check and a new order are answered from the plan that is kept anyway, with the new units in its free
slots or behind it, and with the room that more urgent work usually takes: nobody waits for a plan to be
made. The next plan has them in it. What a store was told stands until it is more likely to be broken than
kept, or until three working days earlier would be as safe (`layout.plan.promise.kept_promise`)."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

import structlog
from pydantic import Field
from sqlalchemy.orm import Session

from layout.check.feasibility import CheckResult
from layout.loading.backlog import Kind
from layout.loading.values import Option
from layout.plan.promise import (
    CONFIDENCE,
    Forecast,
    Overtaking,
    SafeEnds,
    forecast,
    kept_promise,
    safe_day,
    safe_ends_of_new,
    working_days,
)
from layout.shop.hours import WorkingDays
from layout.shop.shop import Shop
from service.plan import in_force as kept_plan
from service.plan import in_force_rows as kept_rows
from service.plan import luck as recorded
from service.plan import paces as learning
from service.plan import plan_rows as rows
from service.plan.backlog import WallClock
from service.plan.in_force import Outlook
from service.plan.planning import Planned
from service.records.announcements import tell_order
from service.records.ids import ORDER, number, public
from service.records.states import JobState
from service.records.tables import Order, Promise
from service.requests.answers import AnswerBody, Moment
from service.requests.order_in import LineWanted
from service.shop.tools import Tools

log = structlog.get_logger(__name__)

#: Why nothing is promised: the states of a unit that nobody can plan for, the first that applies; then the
#: plan's own reasons.
_UNPLANNABLE = (JobState.HELD, JobState.SHORT, JobState.DOUBTFUL)
SHORT, NOT_PLANNED, NO_PLACE, NOT_ENGRAVABLE = "short", "not_planned", "no_place", "not_engravable"


def keep_promises(tools: Tools) -> int:
    """Put a plan in force and write down what it promises each order that waits; gives how many stores are
    told of a change (`promise.changed`)."""
    planned = kept_plan.keep(tools)
    if planned is None:
        return 0
    now = tools.clock()

    def work(session: Session) -> int:
        runs = forecast(planned.backlog, planned.plan, recorded.luck(session, learning.paces(session)))
        days = WorkingDays(station.hours for station in planned.backlog.stations)
        stuck = {public(ORDER, order) for order in rows.stuck_orders(session, _UNPLANNABLE)}
        waiting = {order: jobs for order, jobs in _by_order(planned).items() if order not in stuck}
        promises_before = rows.promises(session, [number(ORDER, order) for order in waiting])
        past = recorded.overtaken(session, tools.catalogue.current, planned.clock, now=now)
        dues = {job.order: job.due for job in planned.backlog.jobs}
        return sum(
            _keep(
                session,
                planned,
                runs,
                days,
                order=order,
                jobs=jobs,
                promises_before=promises_before,
                now=now,
                overtaking=past.sooner_than(dues[order] - planned.backlog.now),
            )
            for order, jobs in waiting.items()
        )

    return tools.database.write(work)


def promise_by_hand(session: Session, order: Order, *, first: datetime, now: datetime) -> None:
    """Promise an order by that moment or, if something was promised, a day later than that, and tell its
    store. For the sandbox, where nothing is planned."""
    promise = rows.promise(session, order.id)
    if promise is None:
        session.add(_promise(order.id, Safe(first, first), now=now))
        return
    later = Safe(promise.engraved_by + timedelta(days=1), promise.ready_by + timedelta(days=1))
    promise.engraved_by, promise.ready_by, promise.made_at = later.engraved_by, later.ready_by, now
    _tell(session, order, promise, now=now)


def _tell(session: Session, order: Order, promise: Promise, *, now: datetime) -> None:
    tell_order(
        session,
        "promise.changed",
        order,
        now=now,
        engraved_by=promise.engraved_by.isoformat(),
        ready_by=promise.ready_by.isoformat(),
    )


def _by_order(planned: Planned) -> dict[str, list[str]]:
    """The jobs that wait, by order."""
    waiting: dict[str, list[str]] = {}
    for job in planned.backlog.jobs:
        waiting.setdefault(job.order, []).append(job.job)
    return waiting


def _keep(
    session: Session,
    planned: Planned,
    runs: Forecast,
    days: WorkingDays,
    *,
    order: str,
    jobs: Sequence[str],
    promises_before: Mapping[int, Promise],
    now: datetime,
    overtaking: Overtaking,
) -> int:
    """Make the order's first promise, or look whether the one it has stands; gives 1 when its store is
    told."""
    done = runs.last(jobs)
    if done is None:  # one of its units is in no load
        return 0
    order_id = number(ORDER, order)
    promise = promises_before.get(order_id)
    with_room = runs.leaving(runs.with_room(jobs, done, overtaking))
    burned = runs.last_burned(jobs)
    burned = done if burned is None else burned
    engraved = safe_day(runs.with_room(jobs, burned, overtaking))
    if promise is None:
        ends = SafeEnds(engraved, safe_day(with_room))
        session.add(_promise(order_id, safe_ends(planned.clock, ends), now=now))
        return 0
    before = planned.clock.seconds(promise.ready_by)
    after = kept_promise(before, runs.leaving(done), with_room, days)
    if working_days(days, before, after) == 0:
        return 0
    promise.ready_by, promise.engraved_by = planned.moment(after), planned.moment(min(engraved, after))
    promise.confidence, promise.made_at = CONFIDENCE, now
    _tell(session, rows.order(session, order_id), promise, now=now)
    return 1


@dataclass(frozen=True, slots=True)
class Safe:
    """By when something is engraved and by when it is ready to hand over, safely."""

    engraved_by: datetime
    ready_by: datetime


def safe_ends(clock: WallClock, ends: SafeEnds) -> Safe:
    """The same on the wall clock."""
    return Safe(clock.moment(ends.engraved_by), clock.moment(ends.ready_by))


def _promise(order_id: int, by: Safe, *, now: datetime) -> Promise:
    return Promise(
        order_id=order_id,
        engraved_by=by.engraved_by,
        ready_by=by.ready_by,
        confidence=CONFIDENCE,
        made_at=now,
    )


# --- what is answered ---


class PromiseAnswer(AnswerBody):
    """By when something will be engraved and ready to hand over, or why nobody can say."""

    engraved_by: Moment | None = Field(description="By when it is engraved; null: nothing is promised.")
    ready_by: Moment | None = Field(
        description="By the end of which day it is inspected, boxed and ready to hand over, in time for the "
        "carrier's cut-off of that day; null: nothing is promised."
    )
    confidence: float | None = Field(
        description="Share of such promises that are kept, 0 to 1.", examples=[0.9]
    )
    reason: str | None = Field(
        description="Why nothing is promised; null where something is.", examples=["short"]
    )


def promise_of(order: Order, promise: Promise | None) -> PromiseAnswer:
    """The last promise of an order; none, and why, while one of its units is held, short or doubtful."""
    states = {job.state for line in order.lines for job in line.jobs}
    stuck = next((state.value for state in _UNPLANNABLE if state in states), None)
    if stuck is not None or promise is None:
        return nothing(stuck or NOT_PLANNED)
    return _promised(Safe(promise.engraved_by, promise.ready_by), promise.confidence)


def of_check(tools: Tools, sku: str, result: CheckResult, *, available: int) -> PromiseAnswer:
    """What could be promised for one more unit that was checked, without pushing anything aside."""
    shop = tools.catalogue.current
    if not result.eligible or sku not in shop.products:
        return nothing(NOT_ENGRAVABLE)
    if available < 1:
        return nothing(SHORT)
    with tools.database.reading() as session:
        outlook = kept_plan.outlook(tools, session, kept_rows.newest_id(session))
    if outlook is None:
        return nothing(NOT_PLANNED)
    end = _end(tools, outlook, sku, result, units=1, ship_by=None)
    return nothing(NO_PLACE) if end is None else _promised(end, CONFIDENCE)


def outlook_of_order(tools: Tools, session: Session, newest_id: int | None) -> Outlook | None:
    """What an order may be promised from, `newest_id` being the plan made last; None when nobody can say.
    Never an error: an order is taken whether or not anything can be promised for it."""
    try:
        return kept_plan.outlook(tools, session, newest_id)
    except Exception:
        log.exception("no_promise")
        return None


def of_lines(
    tools: Tools,
    outlook: Outlook | None,
    lines: Sequence[LineWanted],
    results: Sequence[CheckResult],
    *,
    ship_by: datetime,
) -> Safe | None:
    """By when all units of a new order would be engraved and ready if a unit is boxed for each; None when
    nobody can say. Never an error, as `outlook_of_order`."""
    if outlook is None:
        return None
    try:
        shop = tools.catalogue.current
        pairs = zip(lines, results, strict=True)
        engraved = [(line, result) for line, result in pairs if line.inscriptions]
        ends = [
            _end(tools, outlook, line.sku, result, units=line.quantity, ship_by=ship_by)
            for line, result in engraved
            if line.sku in shop.products
        ]
        sure = [end for end in ends if end is not None]
        if not sure or len(sure) < len(engraved):
            return None
        return Safe(max(safe.engraved_by for safe in sure), max(safe.ready_by for safe in sure))
    except Exception:
        log.exception("no_promise")
        return None


def promise_new(order: Order, by: Safe | None, *, now: datetime) -> Promise | None:
    """What is promised for an order that is being taken, if all its units are ready; not written yet."""
    ready = all(job.state == JobState.READY.value for line in order.lines for job in line.jobs)
    return _promise(order.id, by, now=now) if ready and by is not None else None


def nothing(reason: str) -> PromiseAnswer:
    """No promise, and why."""
    return PromiseAnswer(engraved_by=None, ready_by=None, confidence=None, reason=reason)


def _promised(by: Safe, confidence: float) -> PromiseAnswer:
    return PromiseAnswer(engraved_by=by.engraved_by, ready_by=by.ready_by, confidence=confidence, reason=None)


def _end(
    tools: Tools, outlook: Outlook, sku: str, result: CheckResult, *, units: int, ship_by: datetime | None
) -> Safe | None:
    """The days by whose ends so many new units are safely engraved and ready. Without a ship-by time (a
    check asks before there is an order) they are taken to be wanted as soon as orders usually are."""
    shop, now = tools.catalogue.current, tools.clock()
    kind = _kind(shop, shop.products[sku].blade, result)
    places = {(place.station, place.plate, "") for place in result.eligible}
    seconds = outlook.paces.slowest(places, result.burn_seconds or 0.0, units=len(kind.faces))
    lead_s = outlook.overtaken.usual_lead_s if ship_by is None else (ship_by - now).total_seconds()
    runs = outlook.at(now)
    came_s = kept_plan.came_since(tools, outlook)
    ends = safe_ends_of_new(
        runs,
        kind,
        seconds,
        units=units,
        overtaking=outlook.overtaken.sooner_than(lead_s),
        came_s=came_s / max(1, len(runs.backlog.stations)),
    )
    return None if ends is None else safe_ends(outlook.clock, ends)


def _kind(shop: Shop, blade: str, result: CheckResult) -> Kind:
    faces = {checked.face for checked in result.inscriptions}
    listed = tuple(face.face for face in shop.blades[blade].faces if face.face in faces)
    options: dict[str, list[Option]] = {}
    for place in sorted(result.eligible, key=lambda p: (p.station, p.plate, p.slot, p.face)):
        options.setdefault(place.station, []).append(
            Option(place.plate, place.slot, place.face, "", 0.0, 0.0)
        )
    return Kind(
        blade, blade, listed, {station: tuple(listed_options) for station, listed_options in options.items()}
    )
