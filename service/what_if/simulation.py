"""The shop as a discrete-event simulation (SimPy): orders come, stations take loads, units get done.

At a station one load burns while one more is prepared, as in the plan, and people finish what has burned
before they prepare more; which load is next, the planner's own
rule says (`layout.plan.next_by_due`). Times are seconds on the shop's wall clock, as in `layout.shop.hours`.
Chance comes from seeded generators named for what they decide: the same seed gives the same run, and two
runs of one seed that differ in one thing share the luck of everything else (common random numbers).

Bare blades are left out: they fill what orders leave free and never make an order late.
"""

from __future__ import annotations

import math
from bisect import insort
from collections.abc import Generator, Mapping
from dataclasses import dataclass, replace
from random import Random
from typing import Any

import simpy

from layout.loading.backlog import Backlog, Kind, PlanJob, PlanPlate
from layout.plan.downtime import Shift
from layout.plan.next_by_due import NextLoad, next_load
from layout.plan.planner import without_a_place
from layout.shop.hours import DAY_S, HandTime, laid_out_hands

#: How many of the most urgent units are considered for a station's next load.
LOOK = 60
#: A run ends at the latest this long after the last order.
LONGEST_S = 120 * DAY_S

#: What hands turn to first.
FINISHING, PREPARING = 0, 1

Process = Generator[simpy.Event, Any, None]


@dataclass(frozen=True, slots=True)
class OrderLike:
    """An order as they come: its units, due so many seconds after it comes."""

    units: tuple[PlanJob, ...]
    lead_s: float


@dataclass(frozen=True, slots=True)
class Scenario:
    """A shop and what happens to it.

    Orders like those in `mix` come at random, `orders_per_day` on average until `orders_until`;
    `orders_factor` times as many until `factor_until`. A load takes its estimate times a lognormal number of
    median 1 and log-deviation `spread`. Of the units done, a share of `scrap` is spoiled and engraved anew.
    `down` are spans in which a station does not work.
    """

    backlog: Backlog
    mix: tuple[OrderLike, ...] = ()
    orders_per_day: float = 0.0
    orders_until: float = 0.0
    orders_factor: float = 1.0
    factor_until: float = 0.0
    spread: float = 0.0
    scrap: float = 0.0
    down: tuple[tuple[str, float, float], ...] = ()


@dataclass(slots=True)
class Unit:
    """What became of a unit: when it came, when its (last) burn began, when it was done (ready to hand
    over)."""

    order: str
    came: float
    due: float
    is_backlog: bool
    begun: float | None = None
    done: float | None = None


@dataclass(frozen=True, slots=True)
class Run:
    """One run: units by job (a spoiled one is done when its replacement is), loads burned, and by station the
    seconds burned and the seconds it was open until the last unit was done."""

    units: Mapping[str, Unit]
    loads: int
    burned_s: Mapping[str, float]
    open_s: Mapping[str, float]


def simulate(scenario: Scenario, seed: str) -> Run:
    """Run a scenario once; all its units must be `possible`."""
    return _Shop(scenario, seed).run()


def possible(scenario: Scenario) -> Scenario:
    """The scenario without units that no load can ever take."""
    backlog = scenario.backlog
    mix = [replace(like, units=_plannable(backlog, like.units)) for like in scenario.mix]
    return replace(
        scenario,
        backlog=replace(backlog, jobs=_plannable(backlog, backlog.jobs)),
        mix=tuple(like for like in mix if like.units),
    )


def _plannable(backlog: Backlog, jobs: tuple[PlanJob, ...]) -> tuple[PlanJob, ...]:
    out = without_a_place(replace(backlog, jobs=jobs, lots=()))
    return tuple(job for job in jobs if job.job not in out)


def arrivals(scenario: Scenario, seed: str) -> list[tuple[float, int]]:
    """When orders come and which of the mix they are like. More orders come besides the usual ones, which
    stay as they are; fewer are the usual ones with some left out."""
    now, until = scenario.backlog.now, min(scenario.factor_until, scenario.orders_until)
    rate = scenario.orders_per_day / DAY_S
    usual = _poisson(_chance(seed, "orders"), rate, now, scenario.orders_until, len(scenario.mix))
    if scenario.orders_factor >= 1:
        more = rate * (scenario.orders_factor - 1)
        return sorted(usual + _poisson(_chance(seed, "more"), more, now, until, len(scenario.mix)))
    stay = _chance(seed, "fewer")
    return [arrival for arrival in usual if stay.random() < scenario.orders_factor or arrival[0] >= until]


def _chance(*names: str) -> Random:
    """The random generator of one decision."""
    return Random(" ".join(names))  # noqa: S311  it plays a shop, it guards nothing


def _poisson(chance: Random, rate: float, begin: float, end: float, kinds: int) -> list[tuple[float, int]]:
    moments: list[tuple[float, int]] = []
    if rate <= 0 or kinds == 0:
        return moments
    at = begin + chance.expovariate(rate)
    while at < end:
        moments.append((at, chance.randrange(kinds)))
        at += chance.expovariate(rate)
    return moments


class _Shop:
    """The state of one run."""

    def __init__(self, scenario: Scenario, seed: str) -> None:
        self.scenario, self.seed = scenario, seed
        self.now = scenario.backlog.now
        self.env = simpy.Environment(initial_time=self.now)
        self.stations = {station.station: station for station in scenario.backlog.stations}
        self.shifts = {
            name: Shift(station.hours, tuple((a, b) for where, a, b in scenario.down if where == name))
            for name, station in self.stations.items()
        }
        self.at_work: dict[str, HandTime] = {
            name: laid_out_hands(station.hands) if station.hands is not None else self.shifts[name]
            for name, station in self.stations.items()
        }
        self.hands = {name: simpy.PriorityResource(self.env) for name in self.stations}
        self.lasers = {name: simpy.Resource(self.env) for name in self.stations}
        self.plates = {plate.plate: plate for plate in scenario.backlog.plates}
        self.free = dict.fromkeys(self.plates, 0)
        self.mounted = {
            name: (station.plate_on, station.process_on) for name, station in self.stations.items()
        }
        self.waiting: list[tuple[float, int, str]] = []  # due, number, job: sorted
        self.jobs: dict[str, PlanJob] = {}
        self.units: dict[str, Unit] = {}
        self.original: dict[str, str] = {}  # by replacement, the unit it stands for
        self.kinds: dict[str, Kind] = {}
        self.left, self.all_came = 0, False
        self.changed, self.over = self.env.event(), self.env.event()
        self.number = self.loads = 0
        self.burned = dict.fromkeys(self.stations, 0.0)
        self.left_of: dict[tuple[int, int], Kind] = {}  # by kind and faces done

    def run(self) -> Run:
        for job in self.scenario.backlog.jobs:
            self._comes(job, is_backlog=True)
        for plate in self.plates.values():
            for free_at in plate.copies.values():
                self.env.process(self._copy_back(plate.plate, max(0.0, free_at - self.now)))
        for name in sorted(self.stations):
            self.env.process(self._works(name))
        self.env.process(self._orders())
        latest = max(self.now, self.scenario.orders_until) + LONGEST_S
        self.env.run(until=self.over | self.env.timeout(latest - self.now))
        return Run(
            units=self.units,
            loads=self.loads,
            burned_s=self.burned,
            open_s={name: shift.open_s(self.now, self.env.now) for name, shift in self.shifts.items()},
        )

    # --- what comes ---

    def _orders(self) -> Process:
        mix = self.scenario.mix
        for number, (at, like) in enumerate(arrivals(self.scenario, self.seed)):
            yield self.env.timeout(at - self.env.now)
            for position, unit in enumerate(mix[like].units):
                job = replace(
                    unit,
                    job=f"N{number}.{position}",
                    order=f"N{number}",
                    due=self._boxed_by(at + mix[like].lead_s),
                )
                self._comes(job, is_backlog=False)
            self._tell()
        self.all_came = True
        self._end_if_done()

    def _boxed_by(self, ship_by: float) -> float:
        """By when a unit must be boxed to leave in time."""
        carrier = self.scenario.backlog.carrier
        try:
            return ship_by if carrier is None else carrier.latest(ship_by)
        except ValueError:
            return ship_by

    def _comes(self, job: PlanJob, *, is_backlog: bool) -> None:
        self.units[job.job] = Unit(job.order, self.env.now, job.due, is_backlog)
        self.kinds[job.job] = job.kind
        self.left += 1
        self._waits(job)

    def _waits(self, job: PlanJob) -> None:
        self.number += 1
        self.jobs[job.job] = job
        insort(self.waiting, (job.due, self.number, job.job))

    def _tell(self) -> None:
        """Wake stations that had nothing to do."""
        self.changed.succeed()
        self.changed = self.env.event()

    def _copy_back(self, plate: str, after: float) -> Process:
        yield self.env.timeout(after)
        self.free[plate] += 1
        self._tell()

    # --- what is done ---

    def _works(self, name: str) -> Process:
        """A station's hands: choose, seat, and once the load burns, the next. What has burned is finished
        before another load is prepared."""
        env, station, shift, laser = self.env, self.stations[name], self.shifts[name], self.lasers[name]
        env.process(self._busy(name, max(0.0, station.free_at - self.now)))
        yield env.timeout(max(0.0, station.hands_free_at - self.now))
        while True:
            yield env.timeout(self.at_work[name].fit(env.now, 0.0) - env.now)
            load = self._choose(name)
            if load is None:
                yield self.changed
                continue
            yield from self._handles(name, load.filled * station.load_seconds, PREPARING)
            turn = laser.request()
            yield turn
            yield env.timeout(shift.fit(env.now, load.seconds) - env.now)
            env.process(self._burns(name, load, turn))

    def _busy(self, name: str, seconds: float) -> Process:
        """Keep the laser busy with what burned before the run began, then people with its units."""
        with self.lasers[name].request() as turn:
            yield turn
            yield self.env.timeout(seconds)
        yield from self._handles(name, self.stations[name].finishing_s, FINISHING)

    def _handles(self, name: str, seconds: float, what: int) -> Process:
        """So much of people's work at a station."""
        if seconds <= 0:
            return
        with self.hands[name].request(priority=what) as turn:
            yield turn
            yield self.env.timeout(self.at_work[name].spend(self.env.now, seconds) - self.env.now)

    def _choose(self, name: str) -> NextLoad | None:
        """The station's next load, taken from what waits, with a copy of its plate."""
        plates = tuple(
            PlanPlate(plate.plate, plate.slots, {"free": 0.0})
            for plate in self.plates.values()
            if self.free[plate.plate]
        )
        here = []
        for _, _, job in self.waiting:
            if name in self.jobs[job].kind.options:
                here.append(self.jobs[job])
                if len(here) == LOOK:
                    break
        if not here or not plates:
            return None
        plate_on, process_on = self.mounted[name]
        station = replace(
            self.stations[name], free_at=0.0, hands_free_at=0.0, plate_on=plate_on, process_on=process_on
        )
        load = next_load(Backlog(0.0, tuple(here), (station,), plates), name)
        if load is None:
            return None
        self.mounted[name] = load.plate, load.process
        self.free[load.plate] -= 1
        taken = {job for job, _ in load.visits}
        self.waiting = [entry for entry in self.waiting if entry[2] not in taken]
        return load

    def _burns(self, name: str, load: NextLoad, turn: simpy.resources.resource.Request) -> Process:
        env, begun = self.env, self.env.now
        seconds = load.seconds * self._luck(load.visits[0][0])
        yield env.timeout(seconds)
        self.lasers[name].release(turn)
        self.loads += 1
        self.burned[name] += seconds
        station = self.stations[name]
        yield from self._handles(name, load.filled * station.look_seconds, FINISHING)
        self.free[load.plate] += 1
        if station.finish_seconds:
            self._tell()
        yield from self._handles(name, load.filled * station.finish_seconds, FINISHING)
        for job, faces in load.visits:
            self._burned(self.jobs.pop(job), len(faces), begun)
        self._tell()
        self._end_if_done()

    def _burned(self, job: PlanJob, faces: int, begun: float) -> None:
        """Record burned faces of a unit: it waits for its other faces, or is done, or spoiled."""
        if faces < len(job.kind.faces):
            self._waits(replace(job, kind=self._without(job.kind, faces)))
            return
        own = self.original.get(job.job, job.job)
        if self.scenario.scrap and _chance(self.seed, "scrap", job.job).random() < self.scenario.scrap:
            again = f"{job.job}+"
            self.original[again] = own
            self._waits(replace(job, job=again, kind=self.kinds[own]))
            return
        unit = self.units[own]
        unit.begun, unit.done = begun, self.env.now
        self.left -= 1

    def _without(self, kind: Kind, faces: int) -> Kind:
        """The kind of a unit whose first faces are done; the same value for all such units, as the planner
        wants."""
        if (id(kind), faces) not in self.left_of:
            left = kind.faces[faces:]
            options = {
                station: tuple(option for option in listed if option.face in left)
                for station, listed in kind.options.items()
            }
            options = {station: listed for station, listed in options.items() if listed}
            self.left_of[id(kind), faces] = Kind(kind.kind, kind.blade, left, options)
        return self.left_of[id(kind), faces]

    def _luck(self, job: str) -> float:
        """A load's time as a multiple of its estimate."""
        if self.scenario.spread == 0:
            return 1.0
        return math.exp(self.scenario.spread * _chance(self.seed, "burn", job).gauss(0, 1))

    def _end_if_done(self) -> None:
        if self.all_came and self.left == 0 and not self.over.triggered:
            self.over.succeed()
