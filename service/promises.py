"""When an order will be engraved: said from the plan, kept by order, told to the store when it moves by a
day."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Any

from sqlalchemy.orm import Session

from layout.assign import Option
from layout.backlog import Kind
from layout.checks import CheckResult
from layout.hours import DAY_S, WorkingDays
from layout.parts import Shop
from layout.promise import CONFIDENCE, earliest_end, end_of_day
from service import plans
from service.ids import ORDER, number, public
from service.models import Order, Promise
from service.plans import Planned
from service.repositories import plans as rows
from service.repositories.messages import tell
from service.tools import Service


def keep_promises(service: Service) -> int:
    """Write down what the plan promises each order that waits; gives how many stores are told of a change.

    A promise that moves by a working day or more is told (`promise.changed`); a smaller move is only kept.
    """
    found = plans.current(service)
    ends = order_ends(found)
    now = service.clock()

    def work(session: Session) -> int:
        known = rows.promises(session, [number(ORDER, order) for order in ends])
        return sum(_keep(session, found, order, end, known, now=now) for order, end in ends.items())

    return service.database.write(work) if ends else 0


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
    row = session.get_one(Order, order_id)
    tell(
        session, "promise.changed", client=row.client, now=now, order=public(ORDER, order_id),
        order_ref=row.order_ref, engraved_by=engraved_by.isoformat(),
    )  # fmt: skip
    return 1


def working_days_between(found: Planned, before: datetime, after: datetime) -> int:
    """Working days by which a promise moved, either way. A promise is the end of a day: midnight belongs to
    the day before."""
    days = WorkingDays(station.hours for station in found.backlog.stations)
    first, last = (
        days.count(int((found.clock.seconds(moment) - 1.0) // DAY_S)) for moment in (before, after)
    )
    return abs(last - first)


def promise_json(promise: Promise | None) -> dict[str, Any]:
    """As an order's answer shows it; null where nothing is promised (held, short, or not planned yet)."""
    if promise is None:
        return {"engraved_by": None, "confidence": None}
    return {"engraved_by": promise.engraved_by.isoformat(), "confidence": promise.confidence}


def promise_of(service: Service, sku: str, result: CheckResult, *, available: int) -> dict[str, Any]:
    """What could be promised for one more unit that was checked, without pushing anything aside.

    Null when it can't be engraved, when no boxed unit is free, or when it needs two visits.
    """
    shop = service.catalogue.current
    nothing = {"engraved_by": None, "confidence": None}
    if not result.eligible or available < 1 or sku not in shop.products:
        return nothing
    found = plans.current(service, stale=True)
    kind = _kind(shop, shop.products[sku].blade, result)
    places = {(place.station, place.plate, "") for place in result.eligible}
    seconds = found.paces.slowest(places, result.burn_seconds or 0.0, units=len(kind.faces))
    end = earliest_end(found.backlog, found.plan, kind, seconds)
    if end is None:
        return nothing
    waited = max(0.0, end - found.backlog.now)
    safe = end_of_day(end + found.paces.spread * waited)
    return {"engraved_by": found.moment(safe).isoformat(), "confidence": CONFIDENCE}


def _kind(shop: Shop, blade: str, result: CheckResult) -> Kind:
    faces = {one.face for one in result.inscriptions}
    listed = tuple(face.face for face in shop.blades[blade].faces if face.face in faces)
    options: dict[str, list[Option]] = {}
    for place in sorted(result.eligible, key=lambda p: (p.station, p.plate, p.slot, p.face)):
        options.setdefault(place.station, []).append(
            Option(place.plate, place.slot, place.face, "", 0.0, 0.0)
        )
    return Kind(blade, blade, listed, {station: tuple(found) for station, found in options.items()})
