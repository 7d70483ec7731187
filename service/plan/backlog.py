"""What waits, as the planner's values and as the owner's page: hours of work by ship-by day, late,
short."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from sqlalchemy.orm import Session

from layout.loading.backlog import Backlog, Kind, PlanJob, PlanLot, PlanPlate, PlanStation
from layout.loading.values import Option
from layout.shop.hours import Hours
from layout.shop.shop import Shop
from layout.shop.stations import Station
from service.loads import waiting
from service.loads import waiting_rows as claims
from service.loads.waiting_rows import MarkSurface, Waiting
from service.plan import paces as learning
from service.plan import plan_rows as plans
from service.plan.paces import Group, Paces
from service.records.ids import JOB, LOT, ORDER, public
from service.records.states import LoadState
from service.records.tables import Load

#: What a replacement for a scrapped unit weighs more than its order: it goes first.
REPLACEMENT_WEIGHT = 100


@dataclass(frozen=True, slots=True)
class WallClock:
    """Seconds since the Monday before a moment, on the shop's wall clock, and back."""

    monday: date
    zone: ZoneInfo

    @staticmethod
    def before(now: datetime, zone: str) -> WallClock:
        today = now.astimezone(ZoneInfo(zone)).date()
        return WallClock(today - timedelta(days=today.weekday()), ZoneInfo(zone))

    def seconds(self, moment: datetime) -> float:
        local = moment.astimezone(self.zone).replace(tzinfo=None)
        return (local - datetime.combine(self.monday, datetime.min.time())).total_seconds()

    def moment(self, seconds: float) -> datetime:
        local = datetime.combine(self.monday, datetime.min.time()) + timedelta(seconds=round(seconds, 3))
        return local.replace(tzinfo=self.zone).astimezone(UTC)

    def day(self, iso: str) -> int:
        return (date.fromisoformat(iso) - self.monday).days


def backlog_of(session: Session, shop: Shop, *, now: datetime) -> tuple[Backlog, WallClock]:
    """Everything that is ready, and what it may be done with."""
    empty, clock = floor_of(session, shop, now=now)
    paces = learning.paces(session)
    jobs = Kinds(session, shop, paces).jobs(plans.ready(session), clock)
    return replace(empty, jobs=jobs, lots=_lots(session, shop, paces, clock)), clock


def floor_of(session: Session, shop: Shop, *, now: datetime) -> tuple[Backlog, WallClock]:
    """What anything may be done with: stations with what they are at, plates with their copies; no jobs."""
    clock = WallClock.before(now, shop.policy.time_zone)
    shut = _shut(shop, clock)
    active = plans.active_loads(session)
    stations = tuple(
        _station(station, active, clock, now=now, shut=shut) for _, station in sorted(shop.stations.items())
    )
    free = {station.station: station.free_at for station in stations}
    used = {load.copy: free.get(load.station, 0.0) for load in active}
    plates = tuple(
        PlanPlate(
            plate.plate, tuple(slot.slot for slot in plate.slots), {c: used.get(c, 0.0) for c in plate.copies}
        )
        for _, plate in sorted(shop.plates.items())
    )
    return Backlog(clock.seconds(now), (), stations, plates, weights=shop.policy.plan), clock


def backlog_of_some(
    session: Session, shop: Shop, wanted: Sequence[plans.Timed], *, now: datetime
) -> tuple[Backlog, WallClock]:
    """The same for some jobs, as though they had the stations to themselves."""
    clock = WallClock.before(now, shop.policy.time_zone)
    stations = tuple(
        _station(station, (), clock, now=now, shut=_shut(shop, clock))
        for _, station in sorted(shop.stations.items())
    )
    jobs = Kinds(session, shop, learning.paces(session)).jobs(wanted, clock)
    return Backlog(clock.seconds(now), jobs, stations, ()), clock


def _shut(shop: Shop, clock: WallClock) -> frozenset[int]:
    return frozenset(day for iso in shop.policy.days_off if (day := clock.day(iso)) >= 0)


def hours_of(shop: Shop, clock: WallClock) -> list[Hours]:
    """The hours of every station."""
    return [Hours(station.hours, _shut(shop, clock)) for _, station in sorted(shop.stations.items())]


def _station(
    station: Station, active: Sequence[Load], clock: WallClock, *, now: datetime, shut: frozenset[int]
) -> PlanStation:
    """A station with what it is at: the burning load ends as estimated, prepared ones come after it."""
    here = [load for load in active if load.station == station.station]
    free = hands = clock.seconds(now)
    for load in here:
        if load.state == LoadState.BURNING.value and load.started_at is not None:
            free = max(free, clock.seconds(load.started_at) + load.burn_seconds)
    for load in here:
        if load.state in {s.value for s in (LoadState.CLAIMED, LoadState.PULLED, LoadState.SEATED)}:
            hands = free
            free += load.burn_seconds
    return PlanStation(
        station=station.station,
        plates=tuple(sorted(station.plates)),
        hours=Hours(station.hours, shut),
        load_seconds=station.load_seconds_per_slot,
        turn_seconds=station.turn_seconds_per_slot,
        plate_change_seconds=station.plate_change_seconds,
        process_change_seconds=station.process_change_seconds,
        free_at=free,
        hands_free_at=hands,
        plate_on=here[-1].plate if here else None,
    )


class Kinds:
    """Kinds of the jobs, each made once: jobs with the same places and surfaces share theirs."""

    def __init__(self, session: Session, shop: Shop, paces: Paces) -> None:
        self.session, self.shop, self.paces = session, shop, paces
        self.known: dict[Any, Kind] = {}
        self.tilted = {
            seat.blade
            for plate in shop.plates.values()
            for slot in plate.slots
            for seat in slot.seats
            if seat.pose.tilt_deg
        }

    def jobs(self, ready: Sequence[plans.Timed], clock: WallClock) -> tuple[PlanJob, ...]:
        marks: dict[tuple[int, int], dict[str, list[MarkSurface]]] = {}
        for mark in claims.surfaces(self.session, {one.waiting.line_id for one in ready}):
            faces = marks.setdefault((mark.line_id, mark.words_revision), {})
            faces.setdefault(mark.face, []).append(mark)
        places = claims.eligible(self.session, {one.waiting.line_id for one in ready})
        written = {line_id: json.dumps(listed) for line_id, listed in places.items()}
        misfits: dict[int, set[tuple[str, str, str]]] = {}
        for job_id, station, plate, slot in waiting.misfits(self.session, [one.waiting for one in ready]):
            misfits.setdefault(job_id, set()).add((station, plate, slot))
        found = []
        for one in ready:
            job = one.waiting
            if not job.faces:
                continue
            faces = marks.get((job.line_id, job.words_revision), {})
            kind = self._kind(job, faces, places[job.line_id], written[job.line_id])
            if job.id in misfits:
                kind = _without(kind, misfits[job.id])
            found.append(
                PlanJob(
                    job=public(JOB, job.id),
                    order=public(ORDER, job.order_id),
                    kind=kind,
                    due=clock.seconds(job.ship_by),
                    seconds=self.paces.slowest(_places(kind), one.burn_seconds / max(1, one.faces)),
                    weight=1 + job.priority + REPLACEMENT_WEIGHT * (job.replaces is not None),
                    bin=one.walking_order,
                )
            )
        return tuple(found)

    def _kind(
        self, job: Waiting, marks: Mapping[str, list[MarkSurface]], places: list[list[str]], written: str
    ) -> Kind:
        surfaces = tuple(
            (face, tuple((m.material, m.finish) for m in marks.get(face, ()))) for face in job.faces
        )
        own = (job.line_id, job.words_revision) if job.blade in self.tilted else None
        key = (job.blade, job.faces, written, surfaces, own)
        if key not in self.known:
            options = {
                station: waiting.options_at(
                    self.session, self.shop, station, job, eligible=places, marks=marks
                )
                for station in sorted(self.shop.stations)
            }
            name = f"{job.blade} {len(self.known) + 1}"
            self.known[key] = Kind(name, job.blade, job.faces, {s: o for s, o in options.items() if o})
        return self.known[key]


def _without(kind: Kind, places: set[tuple[str, str, str]]) -> Kind:
    """The kind of a unit that did not fit some slots."""
    options: dict[str, tuple[Option, ...]] = {
        station: tuple(o for o in listed if (station, o.plate, o.slot) not in places)
        for station, listed in kind.options.items()
    }
    return Kind(f"{kind.kind}, misfit", kind.blade, kind.faces, options)


def _places(kind: Kind) -> frozenset[Group]:
    """Where a unit may be burned, and by which process."""
    return frozenset((s, o.plate, o.process) for s, listed in kind.options.items() for o in listed)


def _lots(session: Session, shop: Shop, paces: Paces, clock: WallClock) -> tuple[PlanLot, ...]:
    """Open lots, each blade burned as long as at the slowest of its places."""
    options: dict[str, dict[str, tuple[Option, ...]]] = {}
    faces: dict[str, str] = {}
    for station in sorted(shop.stations):
        for bare in waiting.bare(session, shop, station):
            options.setdefault(bare.lot, {})[station] = bare.options
            faces[bare.lot] = bare.face
    rows = {public(LOT, lot.id): lot for lot in claims.open_lots(session, set(shop.blades))}
    kinds = {name: Kind(name, rows[name].blade, (faces[name],), places) for name, places in options.items()}
    return tuple(
        PlanLot(
            name,
            kind,
            rows[name].waiting,
            paces.slowest(_places(kind), rows[name].burn_seconds or 0.0),
            clock.seconds(rows[name].due),
        )
        for name, kind in kinds.items()
    )
