"""What can be promised from a plan: the day by whose end nine orders in ten are really done.

A plan says when each load ends if everything takes as long as estimated. Nothing does. So the plan is let
run about a hundred times with the luck that the shop's records show (`Luck`), and what is promised for an
order is the day by whose end its last unit was done in nine of ten runs. A formula for the sum of many
spreads would be quicker, and wrong where it matters: a load that no longer fits before the break moves to
after it, whole.

In each run loads keep their stations, their order and their plate copies. A load is begun where it fits
by its estimate, as people do it, and takes what it takes. Chance is drawn for each load by the name of
its first unit: the same load has the same luck in the next plan, so that promises don't jump about for
nothing, and the same plan gives the same promises.
"""

from __future__ import annotations

import math
import zlib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from layout.loading.backlog import Backlog, Kind, Plan, PlannedLoad, PlanStation, faces_by_visit
from layout.loading.values import Option
from layout.shop.hours import DAY_S, WEEK_S, Hours, WorkingDays, open_spans

Floats = npt.NDArray[np.float64]

#: How often a promise should hold.
CONFIDENCE = 0.9
#: Runs of a plan.
DRAWS = 120
#: The relative spread of a load's time assumed until burns are recorded, and of a station's pace as a
#: whole: on some days everything there takes longer.
SPREAD, BIAS = 0.3, 0.1
#: A promise that was made stands until it is more likely to be broken than kept ...
BROKEN_BELOW = 0.5
#: ... or until it could be so many working days earlier, as good as certainly: who is told an earlier day
#: must not be told the later one again.
EARLIER_DAYS, EARLIER_CONFIDENCE = 2, 0.98
#: The replacement of a spoiled unit goes into this one of the loads that follow at its station: the next is
#: being prepared by then.
REMADE_AFTER = 2


@dataclass(frozen=True, slots=True)
class Luck:
    """How what happens differs from what was estimated, as the shop's records show it.

    A load takes its estimate times a lognormal number of median 1 and log-deviation `spread`, and times
    one that all loads of its station share (`bias`). Of the units burned a share of `scrap` is spoiled
    and engraved anew. A station fails `stops_per_s` times in a second of burning, for `stop_s` seconds on
    average."""

    spread: float = SPREAD
    bias: float = BIAS
    scrap: float = 0.0
    stops_per_s: float = 0.0
    stop_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Overtaking:
    """Work that comes later and goes first: the share of a station's open time that it usually takes, and
    how much of it usually comes at once (seconds)."""

    share: float = 0.0
    at_once_s: float = 60.0


NONE_OVERTAKES = Overtaking()


@dataclass(frozen=True, slots=True)
class Forecast:
    """A plan let run many times. `ends` has a row for each load of the plan (seconds, a column for each
    run), `done` one for each planned job. `laser_free` and `hands_free` are by station, after all
    loads."""

    backlog: Backlog
    plan: Plan
    luck: Luck
    ends: Floats
    done: Mapping[str, Floats]
    station: Mapping[str, str]
    laser_free: Mapping[str, Floats]
    hands_free: Mapping[str, Floats]
    spans: Mapping[str, Spans] = field(repr=False)

    def with_room(self, jobs: Sequence[str], done: Floats, overtaking: Overtaking) -> Floats:
        """When those jobs are done, put off by work that usually comes later and goes first."""
        last = max(jobs, key=lambda job: (float(np.median(self.done[job])), job))
        return _overtaken(self, self.station[last], done, overtaking)

    def last(self, jobs: Iterable[str]) -> Floats | None:
        """When the last of the jobs is done, run by run; None when one of them is in no load."""
        rows = [self.done.get(job) for job in jobs]
        known = [row for row in rows if row is not None]
        return np.maximum.reduce(known) if known and len(known) == len(rows) else None


def end_of_day(moment: float) -> float:
    """Midnight after that moment; a moment that is midnight ends its own day."""
    return math.ceil(moment / DAY_S) * DAY_S


def safe_day(done: Floats, *, confidence: float = CONFIDENCE) -> float:
    """The end of the day by whose end that share of the runs is done."""
    place = min(len(done) - 1, math.ceil(confidence * len(done)))
    return end_of_day(float(np.partition(done, place)[place]))


def kept_promise(
    promised: float, done: Floats, with_room: Floats, days: WorkingDays, *, confidence: float = CONFIDENCE
) -> float:
    """What is promised now that this was promised and those are the runs, `with_room` for what may still go
    first: the same, as long as it is more likely kept than broken, and while nothing `EARLIER_DAYS` earlier
    is as good as certain."""
    new = safe_day(with_room, confidence=confidence)
    if np.count_nonzero(done <= promised) < BROKEN_BELOW * len(done):
        return max(new, promised)
    earlier = safe_day(with_room, confidence=EARLIER_CONFIDENCE)
    return earlier if working_days(days, earlier, promised) >= EARLIER_DAYS else promised


def working_days(days: WorkingDays, first: float, last: float) -> int:
    """Working days from one end of a day to another; negative when the second comes first. Midnight
    belongs to the day before."""
    return days.count(int((last - 1.0) // DAY_S)) - days.count(int((first - 1.0) // DAY_S))


# --- the runs ---


def forecast(backlog: Backlog, plan: Plan, luck: Luck | None = None, *, draws: int = DRAWS) -> Forecast:
    """The plan let run `draws` times. Of the backlog, jobs may be missing that the plan has.

    Raises KeyError for a load at a station that the backlog does not have.
    """
    luck = luck or Luck()
    runs = _Runs(backlog, luck, draws)
    ends = np.empty((len(plan.loads), draws))
    for number, load in enumerate(plan.loads):
        ends[number] = runs.put(load)
    done: dict[str, Floats] = {}
    for number, load in enumerate(plan.loads):
        jobs = load.jobs
        for job, spoiled in zip(jobs, runs.spoiled(number, len(jobs)), strict=True):
            own = ends[number]
            if spoiled is not None and spoiled.any():
                own = np.where(spoiled, runs.remade(load, number, ends), own)
            done[job] = np.maximum(own, done[job]) if job in done else own
    planned = plan.done.keys()
    return Forecast(
        backlog,
        plan,
        luck,
        ends,
        {job: row for job, row in done.items() if not planned or job in planned},
        {job: load.station for load in plan.loads for job in load.jobs},
        runs.laser,
        runs.hands,
        runs.spans,
    )


class Spans:
    """A station's open spans, asked by many runs at a time."""

    def __init__(self, hours: Hours, begins: float) -> None:
        self.hours, self.always = hours, not hours.week
        self._begins, self._weeks = begins // WEEK_S * WEEK_S, 4
        self._lay()

    def _lay(self) -> None:
        until = self._begins + self._weeks * WEEK_S
        spans = [] if self.always else open_spans(self.hours, self._begins, until - 1.0)
        self.opens = np.array([span[0] for span in spans])
        self.closes = np.array([span[1] for span in spans])
        self.open_s = np.concatenate([[0.0], np.cumsum(self.closes - self.opens)])

    def _longer(self) -> None:
        if self._weeks > 4_000:
            raise ValueError("no open hours within reach")
        self._weeks *= 4
        self._lay()

    def fit(self, ready: Floats, seconds: float) -> Floats:
        """Earliest begins of work that is not interrupted. Raises ValueError when no span is as long."""
        if self.always:
            return ready
        if seconds > self.hours.longest_s:
            raise ValueError(f"no span of the week is {seconds:.0f} s long")
        while True:
            long = self.closes - self.opens >= seconds
            opens, latest = self.opens[long], self.closes[long] - seconds
            if len(latest) and latest[-1] >= ready.max():
                begins: Floats = np.maximum(ready, opens[np.searchsorted(latest, ready)])
                return begins
            self._longer()

    def spend(self, begins: Floats, seconds: Floats | float) -> Floats:
        """When work that pauses while the station is shut ends."""
        if self.always:
            return begins + seconds
        while self.closes[-1] <= begins.max():
            self._longer()
        spent = self.elapsed(begins) + seconds
        while self.open_s[-1] < spent.max():
            self._longer()
            spent = self.elapsed(begins) + seconds
        at = np.searchsorted(self.open_s[1:], spent)
        ends: Floats = self.opens[at] + (spent - self.open_s[at])
        return np.maximum(ends, begins)

    def elapsed(self, moments: Floats) -> Floats:
        """Open seconds before those moments, from the first span on."""
        if self.always:
            return moments
        at = np.maximum(np.searchsorted(self.opens, moments, side="right") - 1, 0)
        within = np.clip(moments - self.opens[at], 0.0, self.closes[at] - self.opens[at])
        elapsed: Floats = self.open_s[at] + within
        return elapsed


def _chance(*names: str) -> np.random.Generator:
    """The chance of one thing, by its name."""
    return np.random.default_rng(zlib.crc32("/".join(names).encode()))


class _Runs:
    """Stations and plate copies in all runs at once."""

    def __init__(self, backlog: Backlog, luck: Luck, draws: int) -> None:
        self.luck, self.draws = luck, draws
        self.stations = {station.station: station for station in backlog.stations}
        self.spans = {name: Spans(one.hours, backlog.now) for name, one in self.stations.items()}
        self.pace = {
            name: np.exp(luck.bias * _chance("pace", name).standard_normal(draws)) for name in self.stations
        }
        now = np.full(draws, backlog.now)
        self.laser = {
            name: now + max(0.0, one.free_at - backlog.now) * self.pace[name]
            for name, one in self.stations.items()
        }
        self.hands = {
            name: now + max(0.0, one.hands_free_at - backlog.now) * self.pace[name]
            for name, one in self.stations.items()
        }
        self.copies = {
            copy: np.maximum(now, free) for plate in backlog.plates for copy, free in plate.copies.items()
        }
        self.seconds = {job.job: job.seconds * len(job.kind.faces) for job in backlog.jobs}
        self.burned: dict[str, Floats] = {}  # by job, its visits so far
        self.places: dict[str, list[int]] = {name: [] for name in self.stations}
        self._remade: dict[int, Floats] = {}
        self._spoiled: dict[int, npt.NDArray[np.bool_]] = {}
        self._extra: dict[str, list[Floats | None]] = {name: [] for name in self.stations}
        self._number = 0

    def put(self, load: PlannedLoad) -> Floats:
        """Let one more load happen; gives when it ends."""
        station, spans = self.stations[load.station], self.spans[load.station]
        jobs = load.jobs
        estimate = load.ends - load.begins
        ready = np.maximum(self.hands[load.station], self.copies.get(load.copy, self.hands[load.station]))
        for job in jobs:
            if job in self.burned:
                ready = np.maximum(ready, self.burned[job])
        seated = len(load.turns[0]) if load.turns else 0
        prepared = spans.spend(spans.fit(ready, 0.0), seated * station.load_seconds)
        chance = _chance("load", load.station, *(jobs[:1] or (load.copy, str(self._number))))
        actual = (
            estimate * self.pace[load.station] * np.exp(self.luck.spread * chance.standard_normal(self.draws))
        )
        actual = actual + self._stops(chance, actual) + self._again(load, chance, jobs)
        begins = spans.fit(np.maximum(prepared, self.laser[load.station]), estimate)
        ends = begins + actual
        self.hands[load.station], self.laser[load.station] = begins, ends
        self.copies[load.copy] = ends
        self.burned.update(dict.fromkeys(jobs, ends))
        self.places[load.station].append(self._number)
        self._number += 1
        return ends

    def _stops(self, chance: np.random.Generator, seconds: Floats) -> Floats | float:
        """Seconds lost to failures while so many are burned."""
        if not self.luck.stops_per_s or not self.luck.stop_s:
            return 0.0
        stops = chance.poisson(self.luck.stops_per_s * seconds)
        lost: Floats = self.luck.stop_s * chance.gamma(stops + 1e-12)
        return lost

    def _again(self, load: PlannedLoad, chance: np.random.Generator, jobs: Sequence[str]) -> Floats | float:
        """Who of the load is spoiled is drawn; gives the seconds that units spoiled before take in it."""
        before = self._extra[load.station]
        if self.luck.scrap and jobs:
            spoiled = chance.random((len(jobs), self.draws)) < self.luck.scrap
            self._spoiled[self._number] = spoiled
            seconds = np.array([self.seconds.get(job, 0.0) for job in jobs])
            before.append(seconds @ spoiled)
        else:
            before.append(None)
        place = len(before) - 1 - REMADE_AFTER
        extra = before[place] if place >= 0 else None
        return 0.0 if extra is None else extra

    def spoiled(self, number: int, jobs: int) -> Sequence[npt.NDArray[np.bool_] | None]:
        """By job of that load, the runs in which it is spoiled (None: in none)."""
        drawn = self._spoiled.get(number)
        return [None] * jobs if drawn is None else list(drawn)

    def remade(self, load: PlannedLoad, number: int, ends: Floats) -> Floats:
        """When units that the load has spoiled are done after all."""
        if number not in self._remade:
            here = self.places[load.station]
            place = here.index(number) + REMADE_AFTER
            if place < len(here):
                self._remade[number] = ends[here[place]]
            else:
                self._remade[number] = self._alone(load, np.maximum(self.laser[load.station], ends[number]))
        return self._remade[number]

    def _alone(self, load: PlannedLoad, ready: Floats) -> Floats:
        """The end of a load of one unit after all others."""
        station, spans = self.stations[load.station], self.spans[load.station]
        seconds = max((self.seconds.get(job, 0.0) for job in load.jobs), default=0.0) + _changes(station)
        prepared = spans.spend(spans.fit(ready, 0.0), station.load_seconds)
        return spans.fit(prepared, min(seconds, station.hours.longest_s)) + seconds


# --- what is new ---


def safe_end_of_new(
    runs: Forecast,
    kind: Kind,
    seconds: float,
    *,
    units: int = 1,
    overtaking: Overtaking = NONE_OVERTAKES,
    came_s: float = 0.0,
    confidence: float = CONFIDENCE,
) -> float | None:
    """The end of the day by whose end so many more units of a kind (burning one of them takes `seconds`)
    are done with that confidence, without making room: in free slots of planned loads, the earliest
    first, and in loads after all others. Faces that no plate takes in one load are visits, each after the
    one before. Work that usually comes later and goes first is left its share of the hours.

    None when a face has no place, or no station is open long enough at a stretch for it. Focus heights
    are left to the next plan."""
    visits = _visits(runs.backlog, kind)
    if not visits:
        return None
    behind = _Behind(runs)
    ready = np.full(behind.draws, runs.backlog.now)
    done = ready
    for faces in visits:
        share = seconds * len(faces) / len(kind.faces)
        joined, station, end = 0, "", np.full(behind.draws, -np.inf)
        if came_s <= 0:  # else what came before has taken the free slots
            joined, station, end = behind.join(kind, faces, share, units, ready)
        if joined < units:
            added = behind.add(kind, faces, share, units - joined, ready)
            if added is None:
                return None
            station, end = added[0], np.maximum(end, added[1])
        ready = np.maximum(ready, end)
        put_off = runs.spans[station].spend(end, came_s) if came_s > 0 else end
        done = np.maximum(done, _overtaken(runs, station, put_off, overtaking))
    return safe_day(done, confidence=confidence)


def _overtaken(runs: Forecast, station: str, end: Floats, overtaking: Overtaking) -> Floats:
    """Ends put off by the work that comes in the time until then and goes first: its share of that time, so
    much at once, as often as it comes."""
    if overtaking.share <= 0:
        return end
    spans = runs.spans[station]
    start = np.full(len(end), runs.backlog.now)
    wait = np.maximum(0.0, spans.elapsed(end) - spans.elapsed(start)) * overtaking.share
    at_once_s = max(1.0, overtaking.at_once_s)
    work: Floats = at_once_s * _chance("overtaking", station).poisson(wait / at_once_s).astype(np.float64)
    return spans.spend(end, work)


class _Behind:
    """Loads for what is new, behind those that are planned."""

    def __init__(self, runs: Forecast) -> None:
        self.runs = runs
        self.draws = (
            runs.ends.shape[1] if runs.ends.size else len(next(iter(runs.laser_free.values()), [0.0]))
        )
        self.laser, self.hands = dict(runs.laser_free), dict(runs.hands_free)
        self.slots = {plate.plate: plate.slots for plate in runs.backlog.plates if plate.copies}

    def join(
        self, kind: Kind, faces: Sequence[str], seconds: float, units: int, ready: Floats
    ) -> tuple[int, str, Floats]:
        """As many units as find room in planned loads that are prepared after `ready`: how many, where the
        last of them is burned, and when."""
        placed, where, end = 0, "", np.full(self.draws, -np.inf)
        earliest = float(np.median(ready))
        for load, ends in zip(self.runs.plan.loads, self.runs.ends, strict=True):
            if placed == units:
                break
            count = min(units - placed, _room(load, kind, faces)) if load.prepares >= earliest else 0
            if count:
                placed, where = placed + count, load.station
                end = np.maximum(end, ends + count * seconds)
        return placed, where, end

    def add(
        self, kind: Kind, faces: Sequence[str], seconds: float, units: int, ready: Floats
    ) -> tuple[str, Floats] | None:
        """The others in loads of their own, each where it ends first; None when no station takes them."""
        placed, where, latest = 0, "", np.full(self.draws, -np.inf)
        while placed < units:
            best: tuple[float, str, int, Floats, Floats] | None = None
            for station in self.runs.backlog.stations:
                count = min(units - placed, _most(station, kind, faces, seconds, self.slots))
                if count:
                    begins, ends = self._load(station, faces, seconds, count, ready)
                    middle = float(np.median(ends))
                    if best is None or (middle, station.station) < best[:2]:
                        best = middle, station.station, count, begins, ends
            if best is None:
                return None
            _, where, count, begins, ends = best
            self.hands[where], self.laser[where] = begins, ends
            placed, latest = placed + count, np.maximum(latest, ends)
        return where, latest

    def _load(
        self, station: PlanStation, faces: Sequence[str], seconds: float, count: int, ready: Floats
    ) -> tuple[Floats, Floats]:
        """When a load of so many burns, after all others of the station."""
        luck, spans, name = self.runs.luck, self.runs.spans[station.station], station.station
        work = count * (seconds + (len(faces) - 1) * station.turn_seconds) + _changes(station)
        prepares = spans.fit(np.maximum(self.hands[name], ready), 0.0)
        prepared = spans.spend(prepares, count * station.load_seconds)
        begins = spans.fit(np.maximum(prepared, self.laser[name]), work)
        pace = np.exp(luck.bias * _chance("pace", name).standard_normal(self.draws))
        own = np.exp(luck.spread * _chance("new", name, *faces).standard_normal(self.draws))
        return begins, begins + work * pace * own


def _visits(backlog: Backlog, kind: Kind) -> list[tuple[str, ...]]:
    """Faces by visit, as many at a time as some plate takes in one load; none when a face has no place."""
    mounts = [
        {option.face for option in kind.options.get(station.station, ()) if option.plate == plate}
        for station in backlog.stations
        for plate in station.plates
    ]
    return faces_by_visit(kind.faces, mounts)


def _room(load: PlannedLoad, kind: Kind, faces: Sequence[str]) -> int:
    """So many more units find a slot in every turn they need."""
    options = [o for o in kind.options.get(load.station, ()) if o.plate == load.plate]
    most = math.inf
    for turn, face in enumerate(faces):
        taken = {filled.slot for filled in load.turns[turn]} if turn < len(load.turns) else set()
        most = min(most, len({o.slot for o in options if o.face == face} - taken))
    return int(most)


def _most(
    station: PlanStation,
    kind: Kind,
    faces: Sequence[str],
    seconds: float,
    slots: Mapping[str, Sequence[str]],
) -> int:
    """So many units the station takes in one new load: as its plates have slots and its hours are long."""
    here: list[Option] = [o for o in kind.options.get(station.station, ()) if o.plate in station.plates]
    room = max(
        (
            min(len({o.slot for o in here if (o.plate, o.face) == (plate, face)}) for face in faces)
            for plate in {o.plate for o in here}
            if plate in slots
        ),
        default=0,
    )
    each = seconds + (len(faces) - 1) * station.turn_seconds
    left = station.hours.longest_s - _changes(station)
    if left < each:
        return 0
    return room if each == 0 or math.isinf(left) else min(room, int(left // each))


def _changes(station: PlanStation) -> float:
    return station.plate_change_seconds + station.process_change_seconds
