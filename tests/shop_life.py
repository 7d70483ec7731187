"""Two weeks in the life of an invented shop, minute by minute, with a clock of its own.

It stands where the people stand: orders come, somebody at each station takes the next load of the plan in
force, seats its units, burns it, boxes what burned before and takes the next. How long that really takes,
what is spoiled and when a laser fails is drawn here, by other means than the service's own forecasts use:
hours are walked span by span, one load at a time. Everything that decides is the real thing: planner,
keeping of plans, promises.

The shop is invented (two stations, two plates, eight sorts of units), as is what comes: one to three units an
order, one in eight wanted within a day or two, a release day that brings twice the usual.
"""

from __future__ import annotations

import heapq
import math
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import partial
from random import Random

from layout.loading.backlog import Backlog, Kind, Plan, PlanJob, PlannedLoad, PlanPlate, PlanStation
from layout.loading.values import Option
from layout.plan.keep_up import kept_or_better, kept_up
from layout.plan.planner import plan as plan_anew
from layout.plan.promise import (
    Luck,
    Overtaking,
    forecast,
    kept_promise,
    latest_ready,
    safe_day,
    safe_ends_of_new,
    working_days,
)
from layout.shop.hours import DAY_S, WorkingDays
from tests.planning import HOUR_S, OFFICE

SPANS = [
    (day * DAY_S + a * HOUR_S, day * DAY_S + b * HOUR_S) for day in range(5) for a, b in ((8, 12), (13, 17))
]
OPEN_A_DAY_S = 8 * HOUR_S
STATIONS, SLOTS = ("s1", "s2"), {"large": 12, "small": 6}
LOAD_S, PLATE_S, PROCESS_S = 15.0, 90.0, 45.0
#: The background looks at the rows so often.
LOOK_S = 15 * 60.0
DAYS = 12  # two working weeks and the weekend between
WORKING_DAYS = 10


@dataclass(frozen=True, slots=True)
class Shop:
    """What a shop is like: the share of its open hours that burning takes on an ordinary day, on average
    (what the release day brings besides comes on top), and its luck."""

    loaded: float
    seed: int
    spread: float = 0.25
    bias: float = 0.05
    scrap: float = 0.01
    stops_per_s: float = 1 / (60 * HOUR_S)
    stop_s: float = 1_200.0
    release_day: int | None = 7
    rounds: int = 4_000
    finish_s: float = 45.0

    @property
    def luck(self) -> Luck:
        """What its records would show; how its pace changes from day to day they don't."""
        return Luck(spread=self.spread, scrap=self.scrap, stops_per_s=self.stops_per_s, stop_s=self.stop_s)


@dataclass(slots=True)
class Order:
    """An order with its units, what was promised first and last, how often it moved, when it was done."""

    came: float
    due: float
    jobs: set[str]
    units: int
    first: float | None = None
    promised: float | None = None
    moves: int = 0
    done: float | None = None


@dataclass(slots=True)
class Life:
    """What two weeks came to. `filled` is the share of the open hours that burning what came takes; `regrets`
    has for every look at the plan the kept one's lesser parts over those of one made from nothing (infinite
    when it is later or has more loads)."""

    orders: list[Order]
    filled: float = 0.0
    regrets: list[float] = field(default_factory=list)
    looks: int = 0

    @property
    def promised(self) -> list[Order]:
        return [order for order in self.orders if order.first is not None]

    def moves(self) -> float:
        """Promises that moved by a working day or more, for each promise made."""
        promised = self.promised
        return sum(order.moves for order in promised) / max(1, len(promised))

    def kept_first(self) -> float:
        """The share of orders done by the day that was promised first."""
        promised = self.promised
        return sum(order.done is not None and order.done <= order.first for order in promised) / len(promised)

    def slack(self) -> float:
        """Working days by which the first promise lay after the day on which the order was done, on average;
        a broken promise counts nothing."""
        days = WorkingDays([OFFICE])
        gaps = [
            max(0, working_days(days, order.done, order.first))
            for order in self.promised
            if order.done is not None and order.first is not None
        ]
        return sum(gaps) / max(1, len(gaps))


def kinds() -> list[Kind]:
    """Eight sorts of units: some for one plate, some for either, of two processes."""
    made = []
    for number in range(8):
        options = []
        if number % 3 != 0:
            options += [Option("large", f"{n}", "mark", f"p{number % 2}", 0.0, 1.0) for n in range(12)]
        if number % 3 != 1:
            options += [Option("small", f"{n}", "mark", f"p{number % 2}", 0.0, 1.0) for n in range(6)]
        made.append(Kind(f"k{number}", f"b{number}", ("mark",), dict.fromkeys(STATIONS, tuple(options))))
    return made


def is_open(moment: float) -> bool:
    return any(a <= moment % (7 * DAY_S) < b for a, b in SPANS)


def next_open(moment: float) -> float:
    """The first open moment from then on."""
    week = moment // (7 * DAY_S)
    for at in (week, week + 1):
        for a, b in SPANS:
            if moment < b + at * 7 * DAY_S:
                return max(moment, a + at * 7 * DAY_S)
    raise AssertionError("a week has open hours")


def span_end(moment: float) -> float:
    """When the span ends in which that open moment lies."""
    week = moment // (7 * DAY_S) * 7 * DAY_S
    return next(b + week for a, b in SPANS if a + week <= moment < b + week)


def worked(begin: float, seconds: float) -> float:
    """When work that pauses while the shop is shut ends."""
    now = next_open(begin)
    while seconds > span_end(now) - now:
        seconds -= span_end(now) - now
        now = next_open(span_end(now))
    return now + seconds


def fitting(ready: float, seconds: float) -> float:
    """When work that is not interrupted may begin, by its estimate."""
    now = next_open(ready)
    while now + seconds > span_end(now):
        now = next_open(span_end(now))
    return now


@dataclass(frozen=True, slots=True)
class Coming:
    """An order to come."""

    at: float
    due: float
    kind: Kind
    seconds: float
    units: int
    weight: int


def orders_to_come(shop: Shop, chance: Random, days: int = DAYS) -> list[Coming]:
    """Orders of the working days, most of them by day; the release day brings a day's orders more within an
    hour."""
    sorts = kinds()
    seconds_a_unit, units_an_order = 330.0, 1.6
    a_day = shop.loaded * OPEN_A_DAY_S * len(STATIONS) / seconds_a_unit / units_an_order
    coming: list[Coming] = []
    for day in range(days):
        if day % 7 > 4:
            continue
        moments = [day * DAY_S + chance.uniform(6, 21) * HOUR_S for _ in range(_about(a_day, chance))]
        if day == shop.release_day:
            moments += [day * DAY_S + chance.uniform(9, 10) * HOUR_S for _ in range(_about(a_day, chance))]
        for at in sorted(moments):
            is_urgent = chance.random() < 0.125
            lead = chance.choice((1, 2)) if is_urgent else chance.choice((5, 6, 7))
            due_day = day
            while lead:
                due_day += 1
                lead -= due_day % 7 < 5
            units = chance.choice((1, 1, 1, 2, 3))
            seconds = float(chance.randrange(60, 601))
            due = due_day * DAY_S + 17 * HOUR_S
            coming.append(Coming(at, due, chance.choice(sorts), seconds, units, 5 if is_urgent else 1))
    return coming


def _about(mean: float, chance: Random) -> int:
    """A number of orders, as many as come by chance (Poisson, by its normal approximation)."""
    return max(0, round(chance.gauss(mean, math.sqrt(mean))))


def overtaking_of(past: list[Coming], days: int, lead_s: float) -> Overtaking:
    """The work that comes with less time than that, as the last days show it; of what comes a day later, that
    with a day less."""
    open_s = OPEN_A_DAY_S * len(STATIONS) * days
    sooner = [one for one in past if one.due - one.at < lead_s]
    if not sooner:
        return Overtaking()
    work = [one.seconds * one.units for one in sooner]
    later, left = [], lead_s
    while not later or later[-1] > 0:
        left -= DAY_S
        later.append(sum(one.seconds * one.units for one in sooner if one.due - one.at < left) / open_s)
    return Overtaking(sum(work) / open_s, sum(work) / len(work), tuple(later))


@dataclass(slots=True)
class Claimed:
    """A load in hand: whose, when its laser began, when it is expected to end and when it will."""

    load: PlannedLoad
    estimate: float
    expected: float
    ends: float
    begins: float


class ShopLife:
    """The state of a shop while its weeks go by."""

    def __init__(self, shop: Shop, coming: list[Coming], past: list[Coming]) -> None:
        self.shop, self.coming, self.past = shop, coming, past
        self.chance = Random(f"luck {shop.seed}")
        self.now = 0.0
        self.jobs: dict[str, PlanJob] = {}
        self.orders: dict[str, Order] = {}
        self.plan: Plan | None = None
        self.backlog = self._backlog()
        self.runs = forecast(
            self.backlog, Plan((), {}, plan_anew(self.backlog).score, plan_anew(self.backlog).bound)
        )
        self.in_hand: dict[str, list[Claimed]] = {name: [] for name in STATIONS}
        self.mounted: dict[str, tuple[str | None, str | None]] = dict.fromkeys(STATIONS, (None, None))
        self.moved = True
        self.came_s = 0.0
        self.life = Life([])
        self.number = 0
        self.days = WorkingDays([OFFICE])
        self.finished = dict.fromkeys(STATIONS, 0.0)  # when what has burned at a station is boxed
        self.paces = {name: math.exp(shop.bias * self.chance.gauss(0, 1)) for name in STATIONS}
        self._events: list[tuple[float, int, Callable[[], None]]] = []

    def run(self, *, days: int = DAYS) -> Life:
        """Let it all happen, and the rest be done afterwards."""
        for one in self.coming:
            self._at(one.at, partial(self._comes, one))
        look = 0.0
        while look < (days + 10) * DAY_S:
            if is_open(look) or look % DAY_S == 7 * HOUR_S:
                self._at(look, self._look)
            look += LOOK_S
        while self._events:
            self.now, _, event = heapq.heappop(self._events)
            event()
            is_idle = (
                not self.jobs and not any(self.in_hand.values()) and self.now > max(self.finished.values())
            )
            if self.now > days * DAY_S and is_idle:
                break
        self.life.orders = list(self.orders.values())
        return self.life

    def _at(self, moment: float, event: Callable[[], None]) -> None:
        self.number += 1
        heapq.heappush(self._events, (moment, self.number, event))

    # --- orders ---

    def _comes(self, one: Coming) -> None:
        name = f"O{len(self.orders)}"
        jobs = [
            PlanJob(
                f"{name}.{n}", name, one.kind, one.due, one.seconds, one.weight, self.chance.randrange(60)
            )
            for n in range(one.units)
        ]
        order = Order(self.now, one.due, {job.job for job in jobs}, one.units)
        self.orders[name] = order
        ends = safe_ends_of_new(
            self._runs_now(),
            one.kind,
            one.seconds,
            units=one.units,
            came_s=self.came_s / len(STATIONS),
            overtaking=overtaking_of(self.past, WORKING_DAYS, one.due - self.now),
        )
        order.first = order.promised = None if ends is None else ends.ready_by
        self.jobs.update((job.job, job) for job in jobs)
        self.came_s += one.seconds * one.units
        self.moved = True

    def _runs_now(self):  # type: ignore[no-untyped-def]
        """The forecast, as somebody asks it at this moment."""
        return replace(self.runs, backlog=replace(self.runs.backlog, now=self.now))

    # --- the plan ---

    def _backlog(self) -> Backlog:
        stations, copies = [], {f"{p}-{n}": self.now for p in SLOTS for n in (1, 2, 3)}
        for name in STATIONS:
            free = hands = self.now
            for claimed in getattr(self, "in_hand", {}).get(name, []):
                hands = self.now if claimed.begins <= self.now else max(self.now, free)
                expected = max(self.now, claimed.begins + claimed.estimate)
                free = expected if claimed.begins <= self.now else free + claimed.estimate
                copies[claimed.load.copy] = free
            plate, process = getattr(self, "mounted", {}).get(name, (None, None))
            burning = [one for one in getattr(self, "in_hand", {}).get(name, []) if one.begins <= self.now]
            unboxed = max(0.0, getattr(self, "finished", {}).get(name, 0.0) - self.now)
            stations.append(
                PlanStation(
                    name,
                    tuple(SLOTS),
                    OFFICE,
                    LOAD_S,
                    0.0,
                    PLATE_S,
                    PROCESS_S,
                    free,
                    hands,
                    plate,
                    process,
                    finish_seconds=self.shop.finish_s,
                    finishing_s=self.shop.finish_s * sum(len(one.load.jobs) for one in burning)
                    + min(unboxed, OPEN_A_DAY_S),
                )
            )
        plates = tuple(
            PlanPlate(
                p, tuple(f"{n}" for n in range(count)), {c: copies[c] for c in copies if c.startswith(p)}
            )
            for p, count in SLOTS.items()
        )
        empty = Backlog(self.now, (), tuple(stations), plates)
        return replace(empty, jobs=tuple(self._waiting(empty, job) for job in self.jobs.values()))

    def _waiting(self, empty: Backlog, job: PlanJob) -> PlanJob:
        """The job with what was promised for its order."""
        order = self.orders.get(job.order)
        if order is None or order.promised is None:
            return job
        return replace(job, promised=latest_ready(empty, order.promised))

    def _look(self) -> None:
        """What the background does: renew the plan when rows have moved, then look at the promises."""
        missed = self.plan is not None and any(
            load.prepares < self.now - 2 * LOOK_S for load in self.plan.loads
        )
        if self.moved or missed:
            self.life.looks += 1
            backlog = self._backlog()
            fresh = plan_anew(backlog, rounds=self.shop.rounds)
            before = self.plan.loads if self.plan is not None else ()
            kept = kept_or_better(
                backlog,
                before,
                lambda wanted: fresh if wanted is backlog else plan_anew(wanted, rounds=self.shop.rounds),
            )
            self.life.regrets.append(regret(kept, fresh))
            self._follow(backlog, kept)
        for name in STATIONS:
            self._take(name)

    def _follow(self, backlog: Backlog, plan: Plan) -> None:
        self.backlog, self.plan, self.moved, self.came_s = backlog, plan, False, 0.0
        self.runs = forecast(backlog, plan, self.shop.luck)
        waiting: dict[str, list[str]] = {}
        for job in backlog.jobs:
            waiting.setdefault(job.order, []).append(job.job)
        for name, jobs in waiting.items():
            order, done = self.orders[name], self.runs.last(jobs)
            if done is None:
                continue
            if order.promised is None:
                order.first = order.promised = safe_day(done)
                continue
            overtaking = overtaking_of(self.past, WORKING_DAYS, order.due - self.now)
            room = self.runs.with_room(jobs, done, overtaking)
            new = kept_promise(order.promised, done, room, self.days)
            order.moves += abs(working_days(self.days, order.promised, new)) >= 1
            order.promised = new

    # --- the bench ---

    def _take(self, name: str) -> None:
        """Somebody at the station takes its next load, when hands are free."""
        here = self.in_hand[name]
        if not is_open(self.now) or self.plan is None or any(one.begins > self.now for one in here):
            return
        if self.finished[name] > self.now:  # hands box what has burned first
            self._at(self.finished[name], lambda: self._take(name))
            return
        if self.moved:  # the background has looked since: it looks every few seconds
            backlog = self._backlog()
            kept = kept_up(backlog, self.plan.loads)
            if kept is not None:
                self._follow(backlog, kept)
                self.moved = False
        used = {one.load.copy for some in self.in_hand.values() for one in some}
        load = next((one for one in self.plan.loads if one.station == name), None)
        if load is None or load.copy in used:
            return
        jobs = [self.jobs.pop(job) for job in load.jobs if job in self.jobs]
        if not jobs:
            return
        plate, process = self.mounted[name]
        names = sorted({o.process for job in jobs for o in job.kind.options[name] if o.plate == load.plate})
        steps = [one for one in names if one != process]
        changes = (plate not in (None, load.plate)) * PLATE_S
        changes += (len(steps) - (process is None and bool(steps))) * PROCESS_S
        self.mounted[name] = load.plate, steps[-1] if steps else process
        estimate = sum(job.seconds for job in jobs) + changes
        free = max([self.now, *(one.ends for one in here)])
        prepared = worked(self.now, LOAD_S * len(jobs))
        burning = [one for one in here if one.ends < prepared]
        if burning:  # hands turn to what has burned, and then go on
            boxing = self.shop.finish_s * sum(len(one.load.jobs) for one in burning)
            prepared = worked(self.now, LOAD_S * len(jobs) + boxing)
        begins = fitting(max(prepared, free), estimate)
        actual = estimate * self.paces[name] * math.exp(self.shop.spread * self.chance.gauss(0, 1))
        stop = _stopped(self.shop, actual, self.chance)
        claimed = Claimed(load, estimate, begins + estimate, begins + actual + stop, begins)
        here.append(claimed)
        self.moved = True
        self._at(begins, lambda: self._take(name))
        self._at(claimed.ends, lambda: self._burned(name, claimed, jobs))

    def _burned(self, name: str, claimed: Claimed, jobs: list[PlanJob]) -> None:
        self.in_hand[name].remove(claimed)
        self.moved = True
        boxed = worked(max(self.now, self.finished[name]), self.shop.finish_s * len(jobs))
        self.finished[name] = boxed
        self._at(boxed, lambda: self._boxed(jobs))
        self._take(name)

    def _boxed(self, jobs: list[PlanJob]) -> None:
        for job in jobs:
            order = self.orders[job.order]
            if self.chance.random() < self.shop.scrap:
                again = replace(job, job=f"{job.job}+", weight=job.weight + 100)
                self.jobs[again.job] = again
                self.moved = True
                order.jobs.add(again.job)
            order.jobs.discard(job.job)
            if not order.jobs:
                order.done = self.now


def regret(kept: Plan, fresh: Plan) -> float:
    """The kept plan's lesser parts over the fresh one's; infinite when it is later or has more loads."""
    first, second = ((plan.score.lateness, plan.score.loads) for plan in (kept, fresh))
    if first != second:
        return math.inf if first > second else 0.0
    mine, other = kept.score.weighted, fresh.score.weighted
    return mine / other if other else (math.inf if mine else 1.0)


def lived(shop: Shop, *, orders_until: int = DAYS) -> Life:
    """Two weeks of a shop, in which orders come on so many days of it; what came in the two weeks before is
    what its records show."""
    past = orders_to_come(shop, Random(f"past {shop.seed}"))
    coming = orders_to_come(shop, Random(f"orders {shop.seed}"), orders_until)
    life = ShopLife(shop, coming, past).run()
    open_s = OPEN_A_DAY_S * len(STATIONS) * WORKING_DAYS
    life.filled = sum(one.seconds * one.units for one in coming) / open_s
    return life


# --- one plan, let happen many times ---


def kept_shares(chance: Random, runs: int) -> list[float]:
    """By order of a plan of a shop drawn by chance, the share of runs in which it was done by its promise."""
    spread, bias = chance.uniform(0.1, 0.5), chance.uniform(0.0, 0.1)
    shop = Shop(
        0.6,
        chance.randrange(10_000),
        spread,
        bias,
        chance.uniform(0, 0.03),
        chance.uniform(0, 2) / (40 * HOUR_S),
    )
    sorts, jobs = kinds(), []
    for number in range(chance.randrange(20, 90)):
        kind, seconds = chance.choice(sorts), chance.uniform(60, 600)
        due = (1 + chance.randrange(8)) * DAY_S + 17 * HOUR_S
        jobs += [
            PlanJob(f"{number}.{n}", f"O{number}", kind, due, seconds)
            for n in range(chance.choice((1, 1, 2, 4)))
        ]
    now = chance.uniform(8, 16) * HOUR_S
    life = ShopLife(shop, [], [])
    life.now = now
    life.jobs = {job.job: job for job in jobs}
    backlog = life._backlog()
    made = plan_anew(backlog, rounds=0)
    ran = forecast(backlog, made, shop.luck)
    orders: dict[str, list[str]] = {}
    for job in jobs:
        orders.setdefault(job.order, []).append(job.job)
    promises = {
        order: safe_day(done) for order, mine in orders.items() if (done := ran.last(mine)) is not None
    }
    kept = dict.fromkeys(promises, 0)
    for _ in range(runs):
        done_at = happened(backlog, made, shop, chance)
        for order, by in promises.items():
            kept[order] += max(done_at[job] for job in orders[order]) <= by
    return [count / runs for count in kept.values()]


def happened(backlog: Backlog, made: Plan, shop: Shop, chance: Random) -> dict[str, float]:
    """When the jobs of a plan were done, once: load after load, as people at two benches do it."""
    seconds = {job.job: job.seconds for job in backlog.jobs}
    pace = {name: math.exp(shop.bias * chance.gauss(0, 1)) for name in STATIONS}
    hands, laser = dict.fromkeys(STATIONS, backlog.now), dict.fromkeys(STATIONS, backlog.now)
    finished, boxing = dict.fromkeys(STATIONS, backlog.now), dict.fromkeys(STATIONS, 0.0)
    copies: dict[str, float] = {}
    done: dict[str, float] = {}
    again: dict[str, list[tuple[int, str]]] = {name: [] for name in STATIONS}  # spoiled: from which load on
    places = dict.fromkeys(STATIONS, 0)
    for load in made.loads:
        name, place = load.station, places[load.station]
        remade = [job for first, job in again[name] if first <= place]
        again[name] = [one for one in again[name] if one[1] not in remade]
        estimate = load.ends - load.begins
        ready = max(hands[name], copies.get(load.copy, 0.0))
        begun = next_open(ready)
        if begun >= laser[name]:
            prepared = worked(max(begun, finished[name]), LOAD_S * len(load.jobs))
        else:
            prepared = worked(begun, LOAD_S * len(load.jobs))
            if prepared > laser[name]:
                prepared = worked(begun, LOAD_S * len(load.jobs) + boxing[name])
        begins = fitting(max(prepared, laser[name]), estimate)
        took = (
            (estimate + sum(seconds[job] for job in remade))
            * pace[name]
            * math.exp(shop.spread * chance.gauss(0, 1))
        )
        ends = begins + took + _stopped(shop, took, chance)
        hands[name], laser[name], copies[load.copy] = max(begins, finished[name]), ends, ends
        boxing[name] = shop.finish_s * len(load.jobs)
        finished[name] = worked(max(ends, finished[name]), boxing[name])
        for job in (*load.jobs, *remade):
            done[job] = finished[name]
            if job in load.jobs and chance.random() < shop.scrap:
                again[name].append((place + 2, job))
        places[name] += 1
    for name, left in again.items():
        for _, job in left:
            begins = fitting(max(worked(laser[name], LOAD_S), laser[name]), seconds[job])
            laser[name] = begins + seconds[job] * pace[name] * math.exp(shop.spread * chance.gauss(0, 1))
            done[job] = worked(laser[name], shop.finish_s)
    return done


def _stopped(shop: Shop, burned_s: float, chance: Random) -> float:
    """Seconds for which the laser failed while it should have burned for so many."""
    lost, at = 0.0, chance.expovariate(shop.stops_per_s) if shop.stops_per_s else math.inf
    while at < burned_s:
        lost += chance.expovariate(1 / shop.stop_s)
        at += chance.expovariate(shop.stops_per_s)
    return lost
