"""The plan in force: made in the background, kept as rows, followed by every process that takes a load.

It is kept in the database and not in a process's memory, because it is made by one process (a Celery
worker, or the embedded service's own thread) and followed by others. A claim reads the next few loads of
its own station and nothing more, a page reads what is kept: neither ever makes a plan or waits for one.

A plan in force does not age. It is carried on when rows have moved, and when a planned start was missed;
it is held against one made from nothing, and gives way when that one is clearly better
(`layout.plan.keep_up`). While nothing happens it stands as it is, with the same numbers on its loads.
Loads that somebody has claimed, and is fetching units for, are no part of it: no plan changes them.

Plans are made in `service.plan.planning`; what stores are promised from them is in
`service.plan.promises`."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, fields, replace
from datetime import datetime, timedelta
from itertools import chain, count
from typing import Any
from weakref import WeakKeyDictionary

from sqlalchemy.orm import Session

from layout.loading.backlog import Bound, Plan, PlannedLoad, Score
from layout.loading.values import Candidate, Filled, Proposal
from layout.plan.promise import Forecast, forecast
from layout.shop.plan_weights import ScoreWeights
from layout.shop.shop import Shop
from service.loads import waiting
from service.plan import in_force_rows as rows
from service.plan import luck as recorded
from service.plan import luck_rows
from service.plan import paces as learning
from service.plan import planning as plans
from service.plan.backlog import WallClock, backlog_of, floor_of
from service.plan.luck import Overtaken
from service.plan.paces import Paces
from service.plan.planning import Planned
from service.proving import test_cards
from service.records.db import Database
from service.records.errors import NoPlanYet
from service.records.ids import JOB, LOT, number, public
from service.records.tables import KeptLoad, KeptPlan
from service.shop.tools import Tools

#: So often at the most is the plan in force held against one made from nothing; in between it is carried
#: on.
COMPARED_EVERY = timedelta(seconds=60)
#: A plan rests a second for so many of its units: planning takes the longer the more there is, and while
#: orders come one after the other it would take a processor for itself. Claims go by the plan that is there,
#: newcomers in its free slots. A plan of fewer units than `NO_REST` is renewed whenever it is looked at.
UNITS_A_SECOND, NO_REST = 20, 100
#: A planned start that nobody took up for so long is something that has happened: the times that follow
#: from it no longer hold.
MISSED_AFTER = timedelta(minutes=15)
#: Loads whose times move by less than this are not written anew.
SAME_TIME_S = 60.0
#: What came in the last days is read again so often.
PAST_READ_EVERY = timedelta(minutes=30)
#: So many loads of a station are looked at: the first ones may be taken already, or wait for their plate.
NEXT_LOADS = 4
#: Planning may take so long: nobody waits for it.
PLAN_SECONDS = 60.0
#: Numbers of planned loads begin at 1 again after this one.
LAST_NUMBER = 999


@dataclass(frozen=True, slots=True)
class Ahead:
    """What the plan has next for a station. `planned` are the units of these loads that still wait;
    `newcomers` those of the candidates that no load of the plan has."""

    loads: tuple[Proposal, ...]
    planned: Mapping[str, Candidate]
    newcomers: tuple[Candidate, ...]

    def without(self, lost: set[str]) -> Ahead:
        """The same when others have taken those jobs."""
        planned = {job: candidate for job, candidate in self.planned.items() if job not in lost}
        return Ahead(
            self.loads, planned, tuple(candidate for candidate in self.newcomers if candidate.job not in lost)
        )


def keep(tools: Tools) -> Planned | None:
    """Put a plan of the rows as they are in force; None when the one in force is that.

    Raises PlanRefused when the judge finds fault: the one before stays in force.
    """
    now, shop = tools.clock(), tools.catalogue.current
    with tools.database.reading() as session:
        kept = in_force(session, shop, now=now)
        compare = kept is None or not timedelta(0) <= now - kept.compared_at < COMPARED_EVERY
        is_compared = kept is not None and kept.compared_at >= kept.made_at
        if kept is not None and _stands(session, shop, kept, now=now) and (is_compared or not compare):
            return None
        if kept is not None and _rests(session, kept, now=now):
            return None
        clock = WallClock.before(now, shop.policy.time_zone)
        before = _kept_loads(session, shop, kept, clock=clock) if kept is not None else {}
    renewed = plans.renewed(tools, tuple(before.values()), fresh=compare, seconds=PLAN_SECONDS)
    renewed = replace(renewed, numbers=numbered(before, renewed.plan.loads))
    planned_at = tools.clock()  # a long plan takes many seconds
    compared_at = now if renewed.is_compared or kept is None else kept.compared_at
    if kept is not None and _is_the_same(before, renewed):
        plan_id = kept.id
        tools.database.write(
            lambda session: rows.confirm(
                session, plan_id, renewed.mark, planned_at=planned_at, compared_at=compared_at
            )
        )
        return renewed
    plan = KeptPlan(
        made_at=renewed.made_at,
        planned_at=planned_at,
        compared_at=max(compared_at, renewed.made_at) if renewed.is_compared else compared_at,
        catalogue_version=renewed.catalogue_version,
        mark=renewed.mark,
        summary=_summary(renewed.plan),
    )
    tools.database.write(lambda session: rows.put(session, plan, _rows(renewed), now=now))
    return renewed


def in_force(session: Session, shop: Shop, *, now: datetime) -> KeptPlan | None:
    """The plan to follow; None when there is none yet, or only one of another catalogue or of the future
    (by a clock that was set back since)."""
    plan = rows.newest(session)
    if plan is None or plan.catalogue_version != shop.version or plan.made_at > now:
        return None
    return plan


def _stands(session: Session, shop: Shop, kept: KeptPlan, *, now: datetime) -> bool:
    """Whether what the plan was made from is still so: no row has moved, no planned start was missed."""
    return kept.mark == plans.mark_of(session, shop) and not rows.is_missed(
        session, kept.id, before=now - MISSED_AFTER
    )


def _rests(session: Session, kept: KeptPlan, *, now: datetime) -> bool:
    """Whether the planner was done so lately that the next plan waits, for as long as plans of its size
    take; what lies ahead, by a clock that was set back since, is no reason to wait."""
    units = rows.count_units(session, kept.id)
    pause = timedelta(seconds=units / UNITS_A_SECOND)
    return units >= NO_REST and timedelta(0) <= now - kept.planned_at < pause


def _is_the_same(before: Mapping[int, PlannedLoad], renewed: Planned) -> bool:
    """Whether the plan is the one before: the same loads at the same times."""
    loads = renewed.plan.loads
    if set(before) != set(renewed.numbers):
        return False
    return all(
        (old.station, old.copy, old.turns, old.changes) == (new.station, new.copy, new.turns, new.changes)
        and abs(old.begins - new.begins) < SAME_TIME_S
        and abs(old.ends - new.ends) < SAME_TIME_S
        and abs(old.ready - new.ready) < SAME_TIME_S
        for old, new in ((before[number], load) for number, load in zip(renewed.numbers, loads, strict=True))
    )


def numbered(before: Mapping[int, PlannedLoad], loads: Sequence[PlannedLoad]) -> tuple[int, ...]:
    """Numbers for the loads: a load that was planned before, as far as its first unit still sits in it,
    keeps its number; others get the next ones that are free."""
    of_unit = {unit: number for number, load in before.items() for unit in _units(load)}
    taken: set[int] = set()
    numbers: list[int | None] = []
    for load in loads:
        numbers_before = (of_unit[unit] for unit in _units(load) if unit in of_unit)
        own = next((number for number in numbers_before if before[number].station == load.station), None)
        numbers.append(None if own in taken else own)
        taken.update({own} - {None})  # type: ignore[arg-type]
    free = (n for first in (max(before, default=0) + 1, 1) for n in range(first, LAST_NUMBER + 1))
    more = chain(free, count(LAST_NUMBER + 1))
    given: list[int] = []
    for own in numbers:
        given.append(own if own is not None else next(n for n in more if n not in taken))
        taken.add(given[-1])
    return tuple(given)


def _units(load: PlannedLoad) -> list[str]:
    """What a load is known by: its jobs with the face burned first; a load of bare blades, its lots."""
    seats = load.turns[0] if load.turns else ()
    jobs = [f"{filled.job} {filled.face}" for filled in seats if filled.job is not None]
    return jobs or [filled.lot for filled in seats if filled.lot is not None]


_shown: WeakKeyDictionary[Database, tuple[int, Planned]] = WeakKeyDictionary()


def current(tools: Tools) -> Planned:
    """The plan in force as it is kept, less what has been taken or called off since: for pages and
    programs. Nothing is planned for them. Raises NoPlanYet."""
    now, shop = tools.clock(), tools.catalogue.current
    with tools.database.reading() as session:
        kept = in_force(session, shop, now=now)
        if kept is None:
            raise NoPlanYet("there is no plan yet; the next one is made in the background")
        mark = plans.mark_of(session, shop)
        shown = _shown.get(tools.database)
        if shown is not None and shown[0] == kept.id:
            shown_plan = shown[1]
            if (shown_plan.mark, shown_plan.made_at) == (mark, kept.made_at) and _is_recent(shown_plan, now):
                return shown_plan
        planned = _planned(session, shop, kept, mark, now=now)
    _shown[tools.database] = kept.id, planned
    return planned


def now(tools: Tools) -> Planned:
    """The plan in force, and where none is, one made on the spot, for somebody at the command line, who may
    wait for it; it is kept by nobody. Raises PlanRefused, PlanFailed."""
    try:
        return current(tools)
    except NoPlanYet:
        renewed = plans.renewed(tools, seconds=PLAN_SECONDS)
        return replace(renewed, numbers=numbered({}, renewed.plan.loads))


def _is_recent(planned: Planned, now: datetime) -> bool:
    """Whether what was read is of this hour: what is overdue, and the days ahead, go by the time."""
    return 0 <= planned.clock.seconds(now) - planned.backlog.now < COMPARED_EVERY.total_seconds()


def _planned(session: Session, shop: Shop, kept: KeptPlan, mark: str, *, now: datetime) -> Planned:
    """The kept plan with the backlog as it is now."""
    backlog, clock = backlog_of(session, test_cards.proven(session, shop), now=now)
    waiting_jobs = {job.job for job in backlog.jobs}
    numbers, loads = [], []
    for load_number, load in _kept_loads(session, shop, kept, clock=clock).items():
        turns = tuple(
            tuple(filled for filled in row if filled.job is None or filled.job in waiting_jobs)
            for row in load.turns
        )
        if turns and turns[0]:
            numbers.append(load_number)
            loads.append(replace(load, turns=tuple(row for row in turns if row)))
    done: dict[str, float] = {}
    for load in loads:
        for job in load.jobs:
            done[job] = max(load.ready, done.get(job, 0.0))
    summary = kept.summary
    weights = _read(ScoreWeights, summary["score"].get("weights", {}))
    plan = Plan(
        loads=tuple(loads),
        done=done,
        score=replace(_read(Score, summary["score"]), weights=weights),
        bound=_read(Bound, summary["bound"]),
        unplanned={job: why for job, why in summary["unplanned"].items() if job in waiting_jobs},
        rule=summary["rule"],
    )
    return Planned(backlog, plan, clock, kept.made_at, mark, kept.catalogue_version, tuple(numbers))


def _summary(plan: Plan) -> dict[str, Any]:
    """What a plan says of itself besides its loads."""
    return {
        "score": asdict(plan.score),
        "bound": asdict(plan.bound),
        "unplanned": dict(plan.unplanned),
        "rule": plan.rule,
    }


def _read(kind: type[Any], record: Mapping[str, Any]) -> Any:
    """A score, its weights or a bound as they were written, perhaps by a version that counted other parts."""
    return kind(**{field.name: record.get(field.name, 0) for field in fields(kind)})


def ahead(
    session: Session, shop: Shop, station: str, candidates: Sequence[Candidate], *, now: datetime
) -> Ahead | None:
    """The next loads of a station, with what still waits of them; None when no plan is in force."""
    plan = in_force(session, shop, now=now)
    if plan is None:
        return None
    loads = rows.loads(session, plan.id, station=station, limit=NEXT_LOADS)
    slots = rows.slots(session, plan.id, [load.number for load in loads])
    job_ids = {slot.job_id for some in slots.values() for slot in some if slot.job_id is not None}
    planned_ids = rows.planned_jobs(
        session, plan.id, [number(JOB, candidate.job) for candidate in candidates]
    )
    return Ahead(
        loads=tuple(_proposal(shop, load, slots.get(load.number, [])) for load in loads),
        planned=waiting.candidates_among(session, shop, station, job_ids),
        newcomers=tuple(
            candidate for candidate in candidates if number(JOB, candidate.job) not in planned_ids
        ),
    )


@dataclass(frozen=True, slots=True)
class Outlook:
    """The plan in force as far as a promise needs it: stations, plates and loads, let run many times; how
    much work usually comes later and goes first."""

    plan_id: int
    made_at: datetime
    catalogue_version: str
    runs: Forecast
    clock: WallClock
    paces: Paces
    overtaken: Overtaken

    def at(self, now: datetime) -> Forecast:
        """The runs, as somebody asks about them at a moment."""
        return replace(self.runs, backlog=replace(self.runs.backlog, now=self.clock.seconds(now)))


_seen: WeakKeyDictionary[Database, Outlook] = WeakKeyDictionary()


def outlook(tools: Tools, session: Session, newest_id: int | None) -> Outlook | None:
    """The plan in force, read and let run once by each process; None when there is none to promise from.
    `newest_id`: of the plan made last, read just now."""
    shop = tools.catalogue.current
    view = _seen.get(tools.database)
    if newest_id is None:
        return None
    if view is not None and (view.plan_id, view.catalogue_version) == (newest_id, shop.version):
        return view if view.made_at <= tools.clock() else None
    kept = in_force(session, shop, now=tools.clock())
    if kept is None:
        return None
    view = _outlook(session, shop, kept, view)
    _seen[tools.database] = view
    return view


def _outlook(session: Session, shop: Shop, kept: KeptPlan, before: Outlook | None) -> Outlook:
    floor, clock = floor_of(session, shop, now=kept.made_at)
    loads = tuple(_kept_loads(session, shop, kept, clock=clock).values())
    paces = learning.paces(session)
    plan = Plan(loads, {}, Score(0, 0, 0, 0, 0), Bound(0, 0))
    past = before.overtaken if before is not None and before.clock == clock else None
    if past is None or not timedelta(0) <= kept.made_at - past.read_at < PAST_READ_EVERY:
        past = recorded.overtaken(session, shop, clock, now=kept.made_at)
    return Outlook(
        plan_id=kept.id,
        made_at=kept.made_at,
        catalogue_version=kept.catalogue_version,
        runs=forecast(floor, plan, recorded.luck(session, paces)),
        clock=clock,
        paces=paces,
        overtaken=past,
    )


@dataclass(frozen=True, slots=True)
class _Came:
    """What had come since a plan was made, when it was last looked at."""

    plan_id: int
    read_at: datetime
    units: int
    seconds: float

    def stands(self, outlook: Outlook, now: datetime) -> bool:
        """Whether what came since is still so little beside it that it need not be counted again."""
        holds_for = timedelta(milliseconds=self.units) if self.units >= _FEW_CAME else timedelta(0)
        return self.plan_id == outlook.plan_id and timedelta(0) <= now - self.read_at < holds_for


#: So many units are counted anew whenever somebody asks.
_FEW_CAME = 100
_came: WeakKeyDictionary[Database, _Came] = WeakKeyDictionary()


def came_since(tools: Tools, outlook: Outlook) -> float:
    """Seconds of burning of the ready units that came since the plan was made and are in none of its loads.
    Where many have come, what was counted holds for a millisecond of each unit, and not for one answer."""
    now, came = tools.clock(), _came.get(tools.database)
    if came is None or not came.stands(outlook, now):
        with tools.database.reading() as session:
            units, seconds = luck_rows.unplanned(session, outlook.plan_id, since=outlook.made_at)
        came = _came[tools.database] = _Came(outlook.plan_id, now, units, seconds)
    return came.seconds


def _kept_loads(
    session: Session, shop: Shop, kept: KeptPlan, *, clock: WallClock | None = None
) -> dict[int, PlannedLoad]:
    """By number, the loads of a plan in order of time."""
    clock = clock or WallClock.before(kept.made_at, shop.policy.time_zone)
    slots = rows.slots(session, kept.id)
    return {
        load.number: PlannedLoad(
            station=load.station,
            plate=load.plate,
            copy=load.copy,
            turns=_turns(shop, load, slots.get(load.number, [])),
            prepares=clock.seconds(load.prepares),
            begins=clock.seconds(load.begins),
            ends=clock.seconds(load.ends),
            changes=load.changes,
            boxed=clock.seconds(load.boxed) if load.boxed is not None else None,
        )
        for load in rows.loads(session, kept.id)
    }


def _turns(shop: Shop, load: KeptLoad, slots: Sequence[rows.Seated]) -> tuple[tuple[Filled, ...], ...]:
    """Turns of a planned load, slots in the plate's order."""
    plate = shop.plates.get(load.plate)
    order = {slot.slot: at for at, slot in enumerate(plate.slots)} if plate else {}
    turns: dict[int, list[Filled]] = {}
    for slot in sorted(slots, key=lambda slot: (slot.turn, order.get(slot.slot, 0), slot.slot)):
        turns.setdefault(slot.turn, []).append(_filled(slot))
    return tuple(tuple(turn) for turn in turns.values())


def _proposal(shop: Shop, load: KeptLoad, slots: Sequence[rows.Seated]) -> Proposal:
    return Proposal(load.plate, load.copy, _turns(shop, load, slots))


def _filled(slot: rows.Seated) -> Filled:
    if slot.job_id is not None:
        return Filled(slot.slot, slot.face, job=public(JOB, slot.job_id))
    return Filled(slot.slot, slot.face, lot=public(LOT, slot.lot_id or 0))


def _rows(planned: Planned) -> rows.Rows:
    loads, slots = [], []
    for at, load in zip(planned.numbers, planned.plan.loads, strict=True):
        loads.append(_load_row(planned, at, load))
        slots += [
            {
                "number": at,
                "turn": turn,
                "slot": seat.slot,
                "face": seat.face,
                "job_id": number(JOB, seat.job) if seat.job is not None else None,
                "lot_id": number(LOT, seat.lot) if seat.lot is not None else None,
            }
            for turn, row in enumerate(load.turns, start=1)
            for seat in row
        ]
    return rows.Rows(loads, slots)


def _load_row(planned: Planned, at: int, load: PlannedLoad) -> dict[str, Any]:
    return {
        "number": at,
        "station": load.station,
        "plate": load.plate,
        "copy": load.copy,
        "changes": load.changes,
        "prepares": planned.moment(load.prepares),
        "begins": planned.moment(load.begins),
        "ends": planned.moment(load.ends),
        "boxed": planned.moment(load.boxed) if load.boxed is not None else None,
    }
