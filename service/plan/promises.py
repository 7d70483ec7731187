"""When an order will be engraved: said from the plan in force, kept by order, told to the store when it moves
by a day.

A check and a new order are answered from the plan that is kept anyway, with the new units in its free slots
or behind it: nobody waits for a plan to be made. The next plan has them in it, and what it promises counts.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

import structlog
from sqlalchemy.orm import Session

from layout.check.feasibility import CheckResult
from layout.loading.backlog import Kind
from layout.loading.values import Option
from layout.plan.promise import CONFIDENCE, safe_end_of_new
from layout.shop.hours import DAY_S, WorkingDays
from layout.shop.shop import Shop
from service.plan import in_force as kept_plan
from service.plan import plan_rows as rows
from service.plan.in_force import Outlook
from service.plan.planning import Planned
from service.records.announcements import tell_order
from service.records.ids import ORDER, number, public
from service.records.states import JobState
from service.records.tables import Order, Promise
from service.requests.order_in import LineWanted
from service.shop.tools import Tools

log = structlog.get_logger(__name__)

#: Why nothing is promised: the states of a unit that nobody can plan for, the first that applies; then the
#: plan's own reasons.
_UNPLANNABLE = (JobState.HELD, JobState.SHORT, JobState.DOUBTFUL)
SHORT, NOT_PLANNED, NO_PLACE, NOT_ENGRAVABLE = "short", "not_planned", "no_place", "not_engravable"


def keep_promises(tools: Tools) -> int:
    """Put a plan in force and write down what it promises each order that waits; gives how many stores are
    told of a change.

    A promise that moves by a working day or more is told (`promise.changed`); a smaller move is only kept.
    """
    found = kept_plan.keep(tools)
    if found is None:
        return 0
    now = tools.clock()

    def work(session: Session) -> int:
        stuck = {public(ORDER, order) for order in rows.stuck_orders(session, _UNPLANNABLE)}
        ends = {order: end for order, end in order_ends(found).items() if order not in stuck}
        known = rows.promises(session, [number(ORDER, order) for order in ends])
        return sum(_keep(session, found, order, end, known, now=now) for order, end in ends.items())

    return tools.database.write(work)


def order_ends(found: Planned) -> dict[str, float]:
    """By order, when its last unit that waits is safely done; not for one of which a unit is in no load."""
    ends: dict[str, float] = {}
    unsure = set()
    for job in found.backlog.jobs:
        if job.job not in found.safe:
            unsure.add(job.order)
        else:
            ends[job.order] = max(found.safe[job.job], ends.get(job.order, 0.0))
    return {order: end for order, end in ends.items() if order not in unsure}


def _keep(
    session: Session, found: Planned, order: str, end: float, known: Mapping[int, Promise], *, now: datetime
) -> int:
    order_id, engraved_by = number(ORDER, order), found.moment(end)
    promise = known.get(order_id)
    if promise is None:
        session.add(Promise(order_id=order_id, engraved_by=engraved_by, confidence=CONFIDENCE, made_at=now))
        return 0
    moved = working_days_between(found, promise.engraved_by, engraved_by)
    if promise.engraved_by == engraved_by:
        return 0
    promise.engraved_by, promise.confidence, promise.made_at = engraved_by, CONFIDENCE, now
    if moved == 0:
        return 0
    tell_order(
        session,
        "promise.changed",
        session.get_one(Order, order_id),
        now=now,
        engraved_by=engraved_by.isoformat(),
    )
    return 1


def working_days_between(found: Planned, before: datetime, after: datetime) -> int:
    """Working days by which a promise moved, either way. A promise is the end of a day: midnight belongs to
    the day before."""
    days = WorkingDays(station.hours for station in found.backlog.stations)
    first, last = (
        days.count(int((found.clock.seconds(moment) - 1.0) // DAY_S)) for moment in (before, after)
    )
    return abs(last - first)


# --- what is answered ---


def promise_of(order: Order, promise: Promise | None) -> dict[str, Any]:
    """The last promise of an order; none, and why, while one of its units is held, short or doubtful."""
    states = {job.state for line in order.lines for job in line.jobs}
    stuck = next((state.value for state in _UNPLANNABLE if state in states), None)
    if stuck is not None or promise is None:
        return nothing(stuck or NOT_PLANNED)
    return _said(promise.engraved_by, promise.confidence)


def of_check(tools: Tools, sku: str, result: CheckResult, *, available: int) -> dict[str, Any]:
    """What could be promised for one more unit that was checked, without pushing anything aside."""
    shop = tools.catalogue.current
    if not result.eligible or sku not in shop.products:
        return nothing(NOT_ENGRAVABLE)
    if available < 1:
        return nothing(SHORT)
    outlook = kept_plan.outlook(tools)
    if outlook is None:
        return nothing(NOT_PLANNED)
    end = _end(outlook, shop, sku, result, units=1)
    return nothing(NO_PLACE) if end is None else _said(end, CONFIDENCE)


def of_lines(tools: Tools, lines: Sequence[LineWanted], results: Sequence[CheckResult]) -> datetime | None:
    """By when all units of a new order would be engraved if a unit is boxed for each; None when nobody can
    say. Never an error: an order is taken whether or not anything can be promised for it."""
    try:
        outlook = kept_plan.outlook(tools)
        if outlook is None:
            return None
        shop = tools.catalogue.current
        ends = [
            _end(outlook, shop, line.sku, result, units=line.quantity)
            for line, result in zip(lines, results, strict=True)
            if line.sku in shop.products
        ]
        return None if None in ends or len(ends) < len(lines) else max(end for end in ends if end)
    except Exception:
        log.exception("no_promise")
        return None


def promise_new(session: Session, order: Order, engraved_by: datetime | None, *, now: datetime) -> None:
    """Write down what is promised for an order just taken, if all its units are ready."""
    ready = all(job.state == JobState.READY.value for line in order.lines for job in line.jobs)
    if ready and engraved_by is not None:
        session.add(Promise(order_id=order.id, engraved_by=engraved_by, confidence=CONFIDENCE, made_at=now))
        session.flush()


def nothing(reason: str) -> dict[str, Any]:
    """No promise, and why."""
    return {"engraved_by": None, "confidence": None, "reason": reason}


def _said(engraved_by: datetime, confidence: float) -> dict[str, Any]:
    return {"engraved_by": engraved_by.isoformat(), "confidence": confidence, "reason": None}


def _end(outlook: Outlook, shop: Shop, sku: str, result: CheckResult, *, units: int) -> datetime | None:
    kind = _kind(shop, shop.products[sku].blade, result)
    places = {(place.station, place.plate, "") for place in result.eligible}
    seconds = outlook.paces.slowest(places, result.burn_seconds or 0.0, units=len(kind.faces))
    end = safe_end_of_new(
        outlook.backlog, outlook.plan, kind, seconds, units=units, spread=outlook.paces.spread
    )
    return None if end is None else outlook.clock.moment(end)


def _kind(shop: Shop, blade: str, result: CheckResult) -> Kind:
    faces = {one.face for one in result.inscriptions}
    listed = tuple(face.face for face in shop.blades[blade].faces if face.face in faces)
    options: dict[str, list[Option]] = {}
    for place in sorted(result.eligible, key=lambda p: (p.station, p.plate, p.slot, p.face)):
        options.setdefault(place.station, []).append(
            Option(place.plate, place.slot, place.face, "", 0.0, 0.0)
        )
    return Kind(blade, blade, listed, {station: tuple(found) for station, found in options.items()})
