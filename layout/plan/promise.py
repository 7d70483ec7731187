"""What can be promised from a plan: for each order the day by whose end it is really done, nine times in ten.

A plan says when each load ends if everything takes as long as estimated. Nothing does. So the plan is run
about a hundred times with the luck that the shop's records show (`Luck`), and an order is promised for the
day by whose end its last unit was done in nine runs of ten. A formula for the sum of many spreads would be
quicker, but wrong where it matters: a load that no longer fits before a break moves behind it as a whole.

In each run, loads keep their stations, their order and their plate copies. A load begins where it fits by its
estimate, as people would begin it, and takes as long as it takes. Chance is drawn for each load by the name
of its first unit: the same load has the same luck in the next plan, so promises don't jump about for nothing,
and the same plan gives the same promises.
"""

from __future__ import annotations

import math
import zlib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from layout.loading.backlog import Backlog, Kind, Plan, PlannedLoad, PlanStation, visits_of
from layout.loading.values import Option
from layout.shop.hours import DAY_S, WEEK_S, Hands, Hours, WorkingDays, open_spans

Floats = npt.NDArray[np.float64]

#: How often a promise should hold.
CONFIDENCE = 0.9
#: Runs of a plan.
DRAWS = 120
#: The spread of a load's time assumed until burns are on record, and that of a station's pace as a whole (on
#: some days everything takes longer), both relative.
SPREAD, BIAS = 0.3, 0.1
#: A promise stands until it is more likely to be broken than kept ...
BROKEN_BELOW = 0.5
#: ... or until it could be this many working days earlier with near certainty: whoever is told an earlier day
#: must not be told the later one again.
EARLIER_DAYS, EARLIER_CONFIDENCE = 3, 0.98
#: The replacement of a spoiled unit goes into the second load after it at its station: the first is being
#: prepared by then.
REMADE_AFTER = 2


@dataclass(frozen=True, slots=True)
class Luck:
    """How reality differs from the estimates, by the shop's records.

    A load takes its estimate times a lognormal factor of median 1 and log-deviation `spread`, times another
    factor that all loads of its station share (`bias`). The share `scrap` of the burned units is spoiled and
    engraved again. A station fails `stops_per_s` times per second of burning, for `stop_s` seconds on
    average.
    """

    spread: float = SPREAD
    bias: float = BIAS
    scrap: float = 0.0
    stops_per_s: float = 0.0
    stop_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Overtaking:
    """Work that arrives later but goes first: the share of a station's open time that it usually takes, and
    how much of it usually arrives at once (seconds).

    Work that arrives on a later day goes first only if it is due sooner after its arrival, so its share is
    smaller: `later` gives the shares of the days after the first, the last of them for all days that follow.
    Empty: the share stays the same.
    """

    share: float = 0.0
    at_once_s: float = 60.0
    later: tuple[float, ...] = ()


NONE_OVERTAKES = Overtaking()


@dataclass(frozen=True, slots=True)
class Forecast:
    """A plan run many times. `ends` (loads, runs) is when each load of the plan has burned, in seconds, and
    `ready` (loads, runs) when its units are ready to hand over; `burned` and `done` give both for each
    planned job. `after` is how the loads leave each station."""

    backlog: Backlog
    plan: Plan
    luck: Luck
    ends: Floats
    ready: Floats
    burned: Mapping[str, Floats]
    done: Mapping[str, Floats]
    station: Mapping[str, str]
    after: Mapping[str, StationRuns]
    spans: Mapping[str, Spans] = field(repr=False)
    hands: Mapping[str, Spans] = field(repr=False)

    def with_room(self, jobs: Sequence[str], done: Floats, overtaking: Overtaking) -> Floats:
        """When those jobs are done, put off by work that usually arrives later and goes first."""
        last = max(jobs, key=lambda job: (float(np.median(self.done[job])), job))
        return _overtaken(self, self.station[last], done, overtaking)

    def leaving(self, ready: Floats) -> Floats:
        """The carrier's cut-offs at which units that are ready then leave; unchanged where no carrier is
        known."""
        carrier = self.backlog.carrier
        return ready if carrier is None else carrier.all_leave(ready)

    def last(self, jobs: Iterable[str]) -> Floats | None:
        """When the last of the jobs is ready to hand over, run by run; None when one of them is in no
        load."""
        return self._last(self.done, jobs)

    def last_burned(self, jobs: Iterable[str]) -> Floats | None:
        """When the last of the jobs has burned, run by run; None when one of them is in no load."""
        return self._last(self.burned, jobs)

    @staticmethod
    def _last(by_job: Mapping[str, Floats], jobs: Iterable[str]) -> Floats | None:
        rows = [by_job.get(job) for job in jobs]
        planned_rows = [row for row in rows if row is not None]
        return np.maximum.reduce(planned_rows) if planned_rows and len(planned_rows) == len(rows) else None


def end_of_day(moment: float) -> float:
    """Midnight after that moment; a midnight ends its own day."""
    return math.ceil(moment / DAY_S) * DAY_S


def safe_day(done: Floats, *, confidence: float = CONFIDENCE) -> float:
    """The end of the day by which that share of the runs is done."""
    place = min(len(done) - 1, math.ceil(confidence * len(done)))
    return end_of_day(float(np.partition(done, place)[place]))


def kept_promise(
    promised: float, done: Floats, with_room: Floats, days: WorkingDays, *, confidence: float = CONFIDENCE
) -> float:
    """What to promise now, after `promised`, by the runs `done` and by those `with_room` for what may still
    go first. The promise stays as long as it is more likely kept than broken, and while no day `EARLIER_DAYS`
    earlier is as good as certain."""
    new = safe_day(with_room, confidence=confidence)
    if np.count_nonzero(done <= promised) < BROKEN_BELOW * len(done):
        return max(new, promised)
    earlier = safe_day(with_room, confidence=EARLIER_CONFIDENCE)
    return earlier if working_days(days, earlier, promised) >= EARLIER_DAYS else promised


def latest_ready(backlog: Backlog, promised: float) -> float:
    """The last moment at which a unit may be ready so that a promise for the day that ends then is kept: in
    time for the day's carrier or, where none is known, when the last of the stations shuts."""
    if backlog.carrier is not None:
        return backlog.carrier.latest(promised)
    closes = (
        shuts
        for station in backlog.stations
        for _, shuts in open_spans(station.hours, promised - DAY_S, promised)
    )
    return max(closes, default=promised)


def working_days(days: WorkingDays, first: float, last: float) -> int:
    """Working days from one end of day to another; negative when `last` comes first. Midnight belongs to the
    day before."""
    return days.count(int((last - 1.0) // DAY_S)) - days.count(int((first - 1.0) // DAY_S))


# --- the runs ---


def forecast(backlog: Backlog, plan: Plan, luck: Luck | None = None, *, draws: int = DRAWS) -> Forecast:
    """The plan run `draws` times. The backlog may lack jobs that the plan has.

    Raises KeyError for a load at a station that the backlog does not have.
    """
    luck = luck or Luck()
    runs = _Runs(backlog, luck, draws)
    both = np.empty((2, len(plan.loads), draws))  # burned, ready to hand over
    for number, load in enumerate(plan.loads):
        both[:, number] = runs.put(load)
    by_job: tuple[dict[str, Floats], ...] = ({}, {})
    planned = plan.done.keys()
    for number, load in enumerate(plan.loads):
        jobs = load.jobs
        for job, spoiled in zip(jobs, runs.spoiled(number, len(jobs)), strict=True):
            if planned and job not in planned:
                continue
            own = both[:, number]
            if spoiled is not None and spoiled.any():
                own = np.where(spoiled, runs.remade(load, number, both), own)
            for rows, row in zip(by_job, own, strict=True):
                rows[job] = np.maximum(row, rows[job]) if job in rows else row
    return Forecast(
        backlog,
        plan,
        luck,
        both[0],
        both[1],
        by_job[0],
        by_job[1],
        {job: load.station for load in plan.loads for job in load.jobs},
        runs.at,
        runs.spans,
        runs.hands,
    )


@dataclass(slots=True)
class StationRuns:
    """How a station stands in every run: when its hands are free, apart from finishing what burned last; when
    its laser is free; when what burned last is ready to hand over, and how much handling (seconds) that
    takes."""

    hands: Floats
    laser: Floats
    finished: Floats
    finishing_s: float


class Spans:
    """A station's open spans, or those in which its people work, for many runs at a time."""

    def __init__(self, hours: Hours, begins: float, hands: Hands | None = None) -> None:
        self.hours, self.at_work, self.always = hours, hands, hands is None and not hours.week
        self._begins, self._weeks = begins // WEEK_S * WEEK_S, 4
        self._lay()

    def _lay(self) -> None:
        until = self._begins + self._weeks * WEEK_S
        if self.at_work is not None:
            spans = self.at_work.spans(self._begins, until - 1.0)
        else:
            opened = [] if self.always else open_spans(self.hours, self._begins, until - 1.0)
            spans = [(begin, end, 1.0) for begin, end in opened]
        self.opens = np.array([span[0] for span in spans])
        self.closes = np.array([span[1] for span in spans])
        self.people = np.array([span[2] for span in spans])
        self.open_s = np.concatenate([[0.0], np.cumsum((self.closes - self.opens) * self.people)])

    def _longer(self) -> None:
        if self._weeks > 4_000:
            raise ValueError("no open hours within reach")
        self._weeks *= 4
        self._lay()

    def fit(self, ready: Floats, seconds: float) -> Floats:
        """The earliest moments at which uninterrupted work can begin. Raises ValueError when no span is that
        long."""
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
        ends: Floats = self.opens[at] + (spent - self.open_s[at]) / self.people[at]
        return np.maximum(ends, begins)

    def elapsed(self, moments: Floats) -> Floats:
        """Open seconds (of all people together) before those moments, from the first span on."""
        if self.always:
            return moments
        at = np.maximum(np.searchsorted(self.opens, moments, side="right") - 1, 0)
        within = np.clip(moments - self.opens[at], 0.0, self.closes[at] - self.opens[at])
        elapsed: Floats = self.open_s[at] + within * self.people[at]
        return elapsed


def _chance(*names: str) -> np.random.Generator:
    """Random numbers for one thing, seeded by its name."""
    return np.random.default_rng(zlib.crc32("/".join(names).encode()))


class _Runs:
    """Stations and plate copies in all runs at once."""

    def __init__(self, backlog: Backlog, luck: Luck, draws: int) -> None:
        self.luck, self.draws = luck, draws
        self.stations = {station.station: station for station in backlog.stations}
        self.spans = {name: Spans(station.hours, backlog.now) for name, station in self.stations.items()}
        self.pace = {
            name: np.exp(luck.bias * _chance("pace", name).standard_normal(draws)) for name in self.stations
        }
        now = np.full(draws, backlog.now)
        self.hands = {
            name: hands_of(station, self.spans[name], backlog.now) for name, station in self.stations.items()
        }
        self.at: dict[str, StationRuns] = {}
        for name, station in self.stations.items():
            laser = now + max(0.0, station.free_at - backlog.now) * self.pace[name]
            hands = now + max(0.0, station.hands_free_at - backlog.now) * self.pace[name]
            finished = self.hands[name].spend(laser, station.finishing_s) if station.finishing_s else laser
            self.at[name] = StationRuns(hands, laser, finished, station.finishing_s)
        self.copies = {
            copy: np.maximum(now, free) for plate in backlog.plates for copy, free in plate.copies.items()
        }
        self.seconds = {job.job: job.seconds * len(job.kind.faces) for job in backlog.jobs}
        self.burned: dict[str, Floats] = {}  # by job, its visits so far
        self.places: dict[str, list[int]] = {name: [] for name in self.stations}
        self._remade: dict[int, Floats] = {}  # both rows, by load
        self._spoiled: dict[int, npt.NDArray[np.bool_]] = {}
        self._extra: dict[str, list[Floats | None]] = {name: [] for name in self.stations}
        self._number = 0

    def put(self, load: PlannedLoad) -> Floats:
        """Let one more load happen; returns when it has burned, and when its units are ready to hand over."""
        station, at = self.stations[load.station], self.at[load.station]
        spans, hands = self.spans[load.station], self.hands[load.station]
        jobs = load.jobs
        estimate = load.ends - load.begins
        ready = np.maximum(at.hands, self.copies.get(load.copy, at.hands))
        for job in jobs:
            if job in self.burned:
                ready = np.maximum(ready, self.burned[job])
        seated = len(load.turns[0]) if load.turns else 0
        prepared = prepared_at(at, hands, ready, seated * station.load_seconds)
        chance = _chance("load", load.station, *(jobs[:1] or (load.copy, str(self._number))))
        actual = (
            estimate * self.pace[load.station] * np.exp(self.luck.spread * chance.standard_normal(self.draws))
        )
        actual = actual + self._stops(chance, actual) + self._again(load, chance, jobs)
        begins = spans.fit(np.maximum(prepared, at.laser), estimate)
        ends = begins + actual
        boxed = finish(at, hands, begins, ends, seated * station.after_burn_s)
        emptied = ends
        if station.look_seconds:
            emptied = np.minimum(boxed, hands.spend(ends, seated * station.look_seconds))
        self.copies[load.copy] = emptied
        self.burned.update(dict.fromkeys(jobs, boxed))
        self.places[load.station].append(self._number)
        self._number += 1
        return np.stack([ends, boxed])

    def _stops(self, chance: np.random.Generator, seconds: Floats) -> Floats | float:
        """Seconds lost to failures during that much burning."""
        if not self.luck.stops_per_s or not self.luck.stop_s:
            return 0.0
        stops = chance.poisson(self.luck.stops_per_s * seconds)
        lost: Floats = self.luck.stop_s * chance.gamma(stops + 1e-12)
        return lost

    def _again(self, load: PlannedLoad, chance: np.random.Generator, jobs: Sequence[str]) -> Floats | float:
        """Draw which units of the load are spoiled; returns the seconds that units spoiled earlier take in
        it."""
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
        """For each job of that load the runs in which it is spoiled (None: in none)."""
        drawn = self._spoiled.get(number)
        return [None] * jobs if drawn is None else list(drawn)

    def remade(self, load: PlannedLoad, number: int, both: Floats) -> Floats:
        """When the replacements of units spoiled in the load have burned and are ready."""
        if number not in self._remade:
            here = self.places[load.station]
            place = here.index(number) + REMADE_AFTER
            if place < len(here):
                self._remade[number] = both[:, here[place]]
            else:
                last = self.at[load.station].laser
                self._remade[number] = self._alone(load, np.maximum(last, both[0, number]))
        return self._remade[number]

    def _alone(self, load: PlannedLoad, ready: Floats) -> Floats:
        """When a load of one unit after all others has burned, and when it is ready."""
        station, spans = self.stations[load.station], self.spans[load.station]
        seconds = max((self.seconds.get(job, 0.0) for job in load.jobs), default=0.0) + _changes(station)
        hands = self.hands[load.station]
        prepared = hands.spend(hands.fit(ready, 0.0), station.load_seconds)
        ends = spans.fit(prepared, min(seconds, station.hours.longest_s)) + seconds
        boxed = hands.spend(ends, station.after_burn_s) if station.after_burn_s else ends
        return np.stack([ends, boxed])


def hands_of(station: PlanStation, spans: Spans, now: float) -> Spans:
    """When the people of a station are there; as long as it is open, where it has no people of its own."""
    return spans if station.hands is None else Spans(Hours(), now, station.hands)


def prepared_at(at: StationRuns, hands: Spans, ready: Floats, seating_s: float) -> Floats:
    """When a load is prepared; what burned last is finished first."""
    begins = hands.fit(ready, 0.0)
    is_later = begins >= at.laser
    begins = np.where(is_later, hands.fit(np.maximum(begins, at.finished), 0.0), begins)
    prepared = hands.spend(begins, seating_s)
    if at.finishing_s > 0:
        interrupted = ~is_later & (prepared > at.laser)
        prepared = np.where(interrupted, hands.spend(begins, seating_s + at.finishing_s), prepared)
    return prepared


def finish(at: StationRuns, hands: Spans, begins: Floats, ends: Floats, finishing_s: float) -> Floats:
    """When a load that burns from `begins` to `ends` is ready to hand over; moves the station on past it."""
    boxed = hands.spend(np.maximum(ends, at.finished), finishing_s) if finishing_s > 0 else ends
    at.hands, at.laser = np.maximum(begins, at.finished), ends
    at.finished, at.finishing_s = boxed, finishing_s
    return boxed


# --- what is new ---


def safe_ends_of_new(
    runs: Forecast,
    kind: Kind,
    seconds: float,
    *,
    units: int = 1,
    overtaking: Overtaking = NONE_OVERTAKES,
    came_s: float = 0.0,
    confidence: float = CONFIDENCE,
) -> SafeEnds | None:
    """The days by whose ends `units` more units of a kind are engraved, and ready to hand over, with that
    confidence; burning one of them takes `seconds`.

    Nothing makes room for them: they go into free slots of planned loads, the earliest first, and into loads
    after all others. Faces that no plate takes in one load are burned in visits one after another. Work that
    usually arrives later and goes first keeps its share of the hours. Focus heights are left to the next
    plan. None when a face has no place, or no station is open long enough at a stretch.
    """
    visits = visits_of(runs.backlog, kind)
    if not visits:
        return None
    behind = _Behind(runs)
    done = np.full((2, behind.draws), runs.backlog.now)  # burned, ready to hand over
    ready = done[1]
    for faces in visits:
        share = seconds * len(faces) / len(kind.faces)
        joined, station, end = 0, "", np.full((2, behind.draws), -np.inf)
        if came_s <= 0:  # else what came before has taken the free slots
            joined, station, end = behind.join(kind, faces, share, units, ready)
        if joined < units:
            added = behind.add(kind, faces, share, units - joined, ready)
            if added is None:
                return None
            station, end = added[0], np.maximum(end, added[1])
        ready = np.maximum(ready, end[1])
        put_off = [runs.spans[station].spend(row, came_s) if came_s > 0 else row for row in end]
        done = np.maximum(done, [_overtaken(runs, station, row, overtaking) for row in put_off])
    return SafeEnds(
        safe_day(done[0], confidence=confidence), safe_day(runs.leaving(done[1]), confidence=confidence)
    )


class SafeEnds(NamedTuple):
    """The ends of two days: when it is engraved, and when it is ready to hand over in time for that day's
    carrier."""

    engraved_by: float
    ready_by: float


def _overtaken(runs: Forecast, station: str, end: Floats, overtaking: Overtaking) -> Floats:
    """Ends put off by the work that arrives until then and goes first: its share of that time, in portions of
    the usual size, as often as they come."""
    if overtaking.share <= 0:
        return end
    spans = runs.spans[station]
    start = np.full(len(end), runs.backlog.now)
    wait, since = np.zeros(len(end)), start
    for day, share in enumerate((overtaking.share, *overtaking.later)):
        is_last = day == len(overtaking.later)
        until = end if is_last else np.clip(start + (day + 1) * DAY_S, None, end)
        wait += np.maximum(0.0, spans.elapsed(until) - spans.elapsed(since)) * share
        since = np.maximum(until, since)
    at_once_s = max(1.0, overtaking.at_once_s)
    work: Floats = at_once_s * _chance("overtaking", station).poisson(wait / at_once_s).astype(np.float64)
    return spans.spend(end, work)


class _Behind:
    """Loads for new units, behind the planned ones."""

    def __init__(self, runs: Forecast) -> None:
        self.runs = runs
        first = next(iter(runs.after.values()), None)
        self.draws = runs.ends.shape[1] if runs.ends.size else len(first.laser) if first is not None else 1
        self.at = {name: replace(at) for name, at in runs.after.items()}
        self.slots = {plate.plate: plate.slots for plate in runs.backlog.plates if plate.copies}

    def join(
        self, kind: Kind, faces: Sequence[str], seconds: float, units: int, ready: Floats
    ) -> tuple[int, str, Floats]:
        """As many units as find room in planned loads prepared after `ready`: how many, at which station the
        last of them burns, and when."""
        placed, where, end = 0, "", np.full((2, self.draws), -np.inf)
        earliest = float(np.median(ready))
        handling = {station.station: station.after_burn_s for station in self.runs.backlog.stations}
        for load, ends, boxed in zip(self.runs.plan.loads, self.runs.ends, self.runs.ready, strict=True):
            if placed == units:
                break
            count = min(units - placed, _room(load, kind, faces)) if load.prepares >= earliest else 0
            if count:
                placed, where = placed + count, load.station
                more = boxed + count * seconds
                if handling[where]:
                    more = self.runs.hands[where].spend(more, count * handling[where])
                end = np.maximum(end, [ends + count * seconds, more])
        return placed, where, end

    def add(
        self, kind: Kind, faces: Sequence[str], seconds: float, units: int, ready: Floats
    ) -> tuple[str, Floats] | None:
        """The remaining units in loads of their own, each where it ends first; None when no station takes
        them."""
        placed, where, latest = 0, "", np.full((2, self.draws), -np.inf)
        while placed < units:
            best: tuple[float, str, int, StationRuns] | None = None
            for station in self.runs.backlog.stations:
                count = min(units - placed, _most(station, kind, faces, seconds, self.slots))
                if count:
                    after = self._load(station, faces, seconds, count, ready)
                    middle = float(np.median(after.finished))
                    if best is None or (middle, station.station) < best[:2]:
                        best = middle, station.station, count, after
            if best is None:
                return None
            _, where, count, after = best
            self.at[where] = after
            placed, latest = placed + count, np.maximum(latest, [after.laser, after.finished])
        return where, latest

    def _load(
        self, station: PlanStation, faces: Sequence[str], seconds: float, count: int, ready: Floats
    ) -> StationRuns:
        """How a load of that many units, after all others, leaves the station."""
        luck, name, at = self.runs.luck, station.station, replace(self.at[station.station])
        spans, hands = self.runs.spans[name], self.runs.hands[name]
        work = count * (seconds + (len(faces) - 1) * station.turn_seconds) + _changes(station)
        prepared = prepared_at(at, hands, np.maximum(at.hands, ready), count * station.load_seconds)
        begins = spans.fit(np.maximum(prepared, at.laser), work)
        pace = np.exp(luck.bias * _chance("pace", name).standard_normal(self.draws))
        own = np.exp(luck.spread * _chance("new", name, *faces).standard_normal(self.draws))
        finish(at, hands, begins, begins + work * pace * own, count * station.after_burn_s)
        return at


def _room(load: PlannedLoad, kind: Kind, faces: Sequence[str]) -> int:
    """How many more units find a slot in every turn they need."""
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
    """How many units the station takes in one new load: as many as its plates have slots and its hours have
    time for."""
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
