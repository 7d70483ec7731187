"""What waits, as the planner's values and as the owner's page: hours of work by ship-by day, late,
short."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from sqlalchemy.orm import Session

from layout.loading.backlog import Backlog, Kind, PlanJob, PlanLot, PlanPlate, PlanStation
from layout.loading.values import Option
from layout.shop.carrier import Carrier
from layout.shop.hours import WEEK_S, Hands, Hours, joined, laid_out, laid_out_hands
from layout.shop.shop import Shop
from layout.shop.stations import Station
from service.loads import waiting
from service.loads import waiting_rows as claims
from service.loads.waiting import Reaches
from service.loads.waiting_rows import MarkSurface, Places, Waiting
from service.plan import paces as learning
from service.plan import plan_rows as plans
from service.plan.paces import Group, Paces
from service.records.ids import JOB, LOT, ORDER, public
from service.records.states import UNSTARTED_LOADS, LoadState
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
    active = plans.active_loads(session)
    start = _Start(session, shop, active, clock, now=now)
    stations = tuple(start.station(station) for _, station in sorted(shop.stations.items()))
    used = start.copies
    plates = tuple(
        PlanPlate(
            plate.plate, tuple(slot.slot for slot in plate.slots), {c: used.get(c, 0.0) for c in plate.copies}
        )
        for _, plate in sorted(shop.plates.items())
    )
    carrier = carrier_of(shop, clock)
    return Backlog(clock.seconds(now), (), stations, plates, weights=shop.policy.plan, carrier=carrier), clock


def backlog_of_some(
    session: Session, shop: Shop, wanted: Sequence[plans.Timed], *, now: datetime
) -> tuple[Backlog, WallClock]:
    """The same for some jobs, as though they had the stations to themselves."""
    clock = WallClock.before(now, shop.policy.time_zone)
    stations = tuple(
        _idle(shop, station, clock, clock.seconds(now)) for _, station in sorted(shop.stations.items())
    )
    jobs = Kinds(session, shop, learning.paces(session)).jobs(wanted, clock)
    return Backlog(clock.seconds(now), jobs, stations, (), carrier=carrier_of(shop, clock)), clock


def _shut(shop: Shop, clock: WallClock) -> frozenset[int]:
    return _days(shop.policy.days_off, clock)


def _days(dates: Iterable[str], clock: WallClock) -> frozenset[int]:
    return frozenset(day for iso in dates if (day := clock.day(iso)) >= 0)


def carrier_of(shop: Shop, clock: WallClock) -> Carrier | None:
    """When parcels leave; None when the shop does not say."""
    pickups = shop.policy.pickups
    if pickups is None:
        return None
    # A cut-off on a day off of the weeks before is nobody's concern any more.
    return Carrier(pickups.cutoffs, pickups.packing_s, _shut(shop, clock))


def hours_of(shop: Shop, clock: WallClock) -> list[Hours]:
    """The hours of every station."""
    return [_hours(shop, station, clock) for _, station in sorted(shop.stations.items())]


def hours_at(shop: Shop, station: str, clock: WallClock) -> Hours:
    """The hours of one station."""
    return _hours(shop, shop.stations[station], clock)


def _hours(shop: Shop, station: Station, clock: WallClock) -> Hours:
    """When a station is open: its own hours, as far as somebody is at work then."""
    shut, shifts = _shut(shop, clock), shop.policy.shifts
    if not shifts:
        return Hours(station.hours, shut)
    at_work = joined(sorted(span for shift in shifts for span in shift.week))
    week = tuple(
        (max(a, c), min(b, d))
        for a, b in station.hours or ((0.0, WEEK_S),)
        for c, d in at_work
        if max(a, c) < min(b, d)
    )
    off = [_days(shift.days_off, clock) for shift in shifts]
    alone = frozenset.intersection(*off)
    return Hours(week, shut | alone)


def _hands(shop: Shop, clock: WallClock) -> Hands | None:
    """The people at each station: all there are, shared evenly."""
    shut, stations = _shut(shop, clock), max(1, len(shop.stations))
    if not shop.policy.shifts:
        return None
    return Hands(
        tuple(
            (Hours(shift.week, shut | _days(shift.days_off, clock)), shift.people / stations)
            for shift in shop.policy.shifts
        )
    )


def _idle(shop: Shop, station: Station, clock: WallClock, now: float) -> PlanStation:
    """A station with nothing in hand."""
    handling = shop.policy.handling
    return PlanStation(
        station=station.station,
        plates=tuple(sorted(station.plates)),
        hours=_hours(shop, station, clock),
        load_seconds=station.load_seconds_per_slot + handling.pull,
        turn_seconds=station.turn_seconds_per_slot,
        plate_change_seconds=station.plate_change_seconds,
        process_change_seconds=station.process_change_seconds,
        free_at=now,
        hands_free_at=now,
        hands=_hands(shop, clock),
        look_seconds=handling.look,
        finish_seconds=handling.finishing,
    )


class _Start:
    """What the shop is at when the plan begins: which station burns what until when, what is mounted, when
    each plate copy is empty. Units that have burned are taken out and finished before anything else."""

    def __init__(
        self, session: Session, shop: Shop, active: Sequence[Load], clock: WallClock, *, now: datetime
    ) -> None:
        self.shop, self.active, self.clock, self.now = shop, active, clock, clock.seconds(now)
        self.units = plans.units_in(session, [load.id for load in active])
        self.last = plans.last_burned(session)
        self.copies: dict[str, float] = {}

    def station(self, station: Station) -> PlanStation:
        """A station with what it is at: the burning load ends as estimated, a prepared one comes after it."""
        idle = _idle(self.shop, station, self.clock, self.now)
        hands = laid_out_hands(idle.hands) if idle.hands is not None else laid_out(idle.hours)
        here = [load for load in self.active if load.station == station.station]
        free, hands_free, finishing_s = self.now, self.now, 0.0
        for state in _IN_ORDER:
            for load in (mine for mine in here if mine.state in state):
                units = self.units.get(load.id, 0)
                # The estimate holds the seating, which is over when a load burns.
                burning_s = max(0.0, load.burn_seconds - units * station.load_seconds_per_slot)
                if load.started_at is not None and load.state in _BURNING:
                    free = max(free, self.clock.seconds(load.started_at) + burning_s)
                elif load.state in UNSTARTED_LOADS:
                    hands_free, free = free, free + (load.burn_seconds if free == self.now else burning_s)
                self.copies[load.copy] = hands.spend(free, units * idle.look_seconds)
                if load.state not in UNSTARTED_LOADS or not finishing_s:
                    finishing_s += units * idle.after_burn_s
        mounted, process = self.last.get(station.station, (None, None))
        return replace(
            idle,
            free_at=free,
            hands_free_at=hands_free,
            plate_on=here[-1].plate if here else mounted,
            process_on=process,
            finishing_s=finishing_s,
        )


_BURNING = {LoadState.BURNING, LoadState.TURNING}
#: What has burned, what burns, what is prepared: in this order a station is free of them.
_IN_ORDER = ({LoadState.BURNED, LoadState.INTERRUPTED}, _BURNING, UNSTARTED_LOADS)


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
        jobs = [ready_job.waiting for ready_job in ready]
        surfaces = claims.surfaces(self.session, jobs)
        leaning = {job.waiting.line_id for job in ready if job.waiting.blade in self.tilted}
        reaches = Reaches(self.session, self.shop, (mark for mark in surfaces if mark.line_id in leaning))
        for mark in surfaces:
            faces = marks.setdefault((mark.line_id, mark.words_revision), {})
            faces.setdefault(mark.face, []).append(mark)
        places = claims.eligible(self.session, jobs)
        misfits: dict[int, set[tuple[str, str, str]]] = {}
        for job_id, station, plate, slot in waiting.misfits(self.session, jobs):
            misfits.setdefault(job_id, set()).add((station, plate, slot))
        carrier = carrier_of(self.shop, clock)
        jobs_ready = []
        for ready_job in ready:
            job = ready_job.waiting
            if not job.faces:
                continue
            faces = marks.get((job.line_id, job.words_revision), {})
            kind = self._kind(job, faces, places[job.wording], reaches)
            if job.id in misfits:
                kind = _without(kind, misfits[job.id])
            jobs_ready.append(
                PlanJob(
                    job=public(JOB, job.id),
                    order=public(ORDER, job.order_id),
                    kind=kind,
                    due=self._due(clock.seconds(job.ship_by), carrier),
                    seconds=self.paces.slowest(
                        _places(kind), ready_job.burn_seconds / max(1, ready_job.faces)
                    ),
                    weight=1 + job.priority + REPLACEMENT_WEIGHT * (job.replaces is not None),
                    bin=ready_job.walking_order,
                    ship_by=clock.seconds(job.ship_by),
                )
            )
        return tuple(jobs_ready)

    @staticmethod
    def _due(ship_by: float, carrier: Carrier | None) -> float:
        """By when a unit must be boxed; where no cut-off lies before its ship-by time, by that."""
        try:
            return ship_by if carrier is None else carrier.latest(ship_by)
        except ValueError:
            return ship_by

    def _kind(
        self, job: Waiting, marks: Mapping[str, list[MarkSurface]], places: Places, reaches: Reaches
    ) -> Kind:
        surfaces = tuple(
            (face, tuple((m.material, m.finish) for m in marks.get(face, ()))) for face in job.faces
        )
        own = (job.line_id, job.words_revision) if job.blade in self.tilted else None
        key = (job.blade, job.faces, places, surfaces, own)
        if key not in self.known:
            options = {
                station: waiting.options_at(
                    self.shop, station, job, eligible=places, marks=marks, reaches=reaches
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
