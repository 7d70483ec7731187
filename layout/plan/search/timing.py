"""When the loads of a plan happen: at each station one burns while the next is prepared.

Units are seated (in time that pauses while the station is shut) once the station's previous load has begun to
burn and a copy of the plate is free. A load burns without a break, all its turns, within one open stretch:
nobody leaves a burning laser alone. When it has burned, hands turn to it before anything else: its units are
looked at and taken out, which frees the plate's copy, then inspected, wiped, bagged and boxed, which makes
them ready to hand over. Preparing waits meanwhile. Handling takes the time of the people who are there.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

from layout.loading.backlog import PlanStation, Score, near_cutoff, waiting_rate
from layout.plan.search.problem import Load, Problem, Work
from layout.shop.hours import HandTime


@dataclass(slots=True)
class StationState:
    """When a station's hands (apart from finishing the units burned last) and its laser are free, and what is
    mounted; when the units burned last are ready to hand over, how much handling (seconds) that takes, and
    when their plate's copy is free."""

    hands_free: float
    laser_free: float
    plate: str | None
    process: str | None
    finished: float
    finishing_s: float
    emptied: float


class TimedLoad(NamedTuple):
    """One load in time; its units are ready to hand over when it is `boxed`."""

    copy: str
    prepares: float
    begins: float
    ends: float
    changes: int
    boxed: float


@dataclass(frozen=True, slots=True)
class Blades:
    """`count` bare blades of a lot (lots and sorts by number) in a load."""

    lot: int
    sort: int
    seconds: float
    count: int


def work_of(problem: Problem, load: Load, blades: Sequence[Blades] = ()) -> Work:
    """The work of a load with bare blades in it."""
    if not blades:
        return problem.work(load)
    mount, units = load
    sorts = [problem.units[unit].sort for unit in units]
    seconds = [problem.units[unit].seconds for unit in units]
    for group in blades:
        sorts += [group.sort] * group.count
        seconds += [group.seconds] * group.count
    return problem.combined_work(mount, sorts, seconds)


def schedule_next(
    problem: Problem, work: Work, at: StationState, copy: str, ready: float
) -> tuple[TimedLoad, StationState]:
    """The load timed for a station in the state `at`, when its copy and units are `ready`, and the state in
    which it leaves the station. Raises ValueError when no open stretch is long enough."""
    mount = problem.mounts[work.mount]
    station, opening = problem.stations[mount.station], problem.openings[mount.station]
    changes, seconds, process = _change(problem, work, at)
    seconds += work.seconds
    hands = problem.hands[mount.station]
    prepares = hands.fit(max(at.hands_free, ready), 0.0)
    seating_s = work.filled * station.load_seconds
    if prepares >= at.laser_free:  # what burned before is finished first
        prepares = hands.fit(max(prepares, at.finished), 0.0)
        prepared = hands.spend(prepares, seating_s)
    else:
        prepared = hands.spend(prepares, seating_s)
        if prepared > at.laser_free:
            prepared = hands.spend(prepares, seating_s + at.finishing_s)
    begins = opening.fit(max(prepared, at.laser_free), seconds)
    ends = begins + seconds
    emptied, boxed, finishing_s = ends, ends, work.filled * station.after_burn_s
    if finishing_s > 0:
        turns_to_it = max(ends, at.finished)
        emptied = hands.spend(turns_to_it, work.filled * station.look_seconds)
        boxed = hands.spend(turns_to_it, finishing_s)
    return TimedLoad(copy, prepares, begins, ends, changes, boxed), StationState(
        max(begins, at.finished), ends, mount.plate.plate, process, boxed, finishing_s, emptied
    )


def _change(problem: Problem, work: Work, at: StationState) -> tuple[int, float, str | None]:
    """Changes of plate and process that the load needs, their seconds, and the process it ends with. The
    process already set is burned first; the first process ever set is no change."""
    mount = problem.mounts[work.mount]
    station = problem.stations[mount.station]
    plates = int(at.plate is not None and at.plate != mount.plate.plate)
    rest = [name for name in work.processes if name != at.process]
    steps = len(rest) - (at.process is None and bool(rest))
    seconds = plates * station.plate_change_seconds + steps * station.process_change_seconds
    return plates + steps, seconds, rest[-1] if rest else at.process


def _at_start(station: PlanStation, hands: HandTime, now: float) -> StationState:
    laser_free = max(now, station.free_at)
    finished = hands.spend(laser_free, station.finishing_s)
    return StationState(
        max(now, station.hands_free_at),
        laser_free,
        station.plate_on,
        station.process_on,
        finished,
        station.finishing_s,
        laser_free,
    )


class Timetable:
    """When loads happen that are decided one after another, and when each unit is done."""

    def __init__(self, problem: Problem) -> None:
        self.problem = problem
        now = problem.backlog.now
        self.at = [_at_start(s, hands, now) for s, hands in zip(problem.stations, problem.hands, strict=True)]
        self.copies = {
            mount.plate.plate: {copy: max(now, free) for copy, free in mount.plate.copies.items()}
            for mount in problem.mounts
        }
        self.ends: dict[int, float] = {}  # by unit

    def put(self, load: Load, blades: Sequence[Blades] = ()) -> TimedLoad:
        """Time one more load. Its units' earlier visits must have been timed; raises KeyError otherwise."""
        number, units = load
        mount = self.problem.mounts[number]
        copies = self.copies[mount.plate.plate]
        copy = min(copies, key=lambda name: (copies[name], name))
        ready = copies[copy]
        for unit in units:
            after = self.problem.units[unit].after
            if after is not None:
                ready = max(ready, self.ends[after])
        work = work_of(self.problem, load, blades)
        timed, self.at[mount.station] = schedule_next(self.problem, work, self.at[mount.station], copy, ready)
        copies[copy] = self.at[mount.station].emptied
        for unit in units:
            self.ends[unit] = timed.boxed
        return timed


def time_all(problem: Problem, loads: Sequence[Load]) -> tuple[Timetable, list[TimedLoad]]:
    """All loads in the order given."""
    timetable = Timetable(problem)
    return timetable, [timetable.put(load) for load in loads]


def score_of(
    problem: Problem, loads: Sequence[Load], timed: Sequence[TimedLoad], ends: dict[int, float]
) -> Score:
    """The score of a plan; see `layout.loading.backlog.Score`."""
    lateness, waiting, near = 0, 0.0, 0.0
    now, weights = problem.backlog.now, problem.backlog.weights
    for unit, end in ends.items():
        visit = problem.units[unit]
        if not visit.last:
            continue
        job = problem.jobs[visit.job]
        waiting += waiting_rate(job, now) * (end - now)
        if end > job.wanted_by - weights.cutoff_s:
            near += near_cutoff(job, end, weights)
        if end > job.due:
            lateness += job.weight * problem.days.late(job.due, end)
    split, walking, turned = _parts_without_times(problem, loads)
    changes = sum(timing.changes for timing in timed)
    return Score(lateness, len(loads), changes, split, walking, waiting, near, turned, weights)


def _parts_without_times(problem: Problem, loads: Sequence[Load]) -> tuple[int, int, int]:
    """Loads by which orders are split, the walk to the bins, loads that are turned over."""
    split = walking = turned = 0
    orders_before: set[int] = set()
    for _, units in loads:
        turned += any(len(problem.sorts[problem.units[unit].sort].faces) > 1 for unit in units)
        jobs = [problem.units[unit].job for unit in units]
        here = {problem.order_of[job] for job in jobs}
        split += len(here & orders_before)
        orders_before |= here
        bins = [b for job in jobs if (b := problem.jobs[job].bin) is not None]
        walking += max(bins) - min(bins) if bins else 0
    return split, walking, turned
