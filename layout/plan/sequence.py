"""A plan's loads in the order in which they happen, and what adding, swapping or removing one does to the
rest.

Every load keeps its plate copy and its place in its station's order; times are counted on from the changed
load, and only for loads that wait for something that has moved. Trying a change alters nothing: the loads
with it are another `LoadSequence`. Loads that nothing touches are never looked into.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from math import inf
from typing import NamedTuple

from layout.loading.backlog import (
    Backlog,
    Plan,
    PlanJob,
    PlanLot,
    PlannedLoad,
    Score,
    near_cutoff,
    waiting_rate,
)
from layout.plan.search.problem import Problem, Work
from layout.plan.search.timing import StationState, TimedLoad, Timetable, schedule_next


class Visit(NamedTuple):
    """A job and the faces burned in one load, as a sort."""

    job: PlanJob
    sort: int


class Counted:
    """What changing a plan needs to know of its backlog: names and kinds, not every job.

    `new` are jobs of the backlog that are in no load yet.
    """

    def __init__(self, backlog: Backlog, new: Sequence[PlanJob] = ()) -> None:
        kinds = {id(job.kind): job for job in backlog.jobs}
        kinds.update((id(job.kind), job) for job in new)
        self.jobs = {job.job: job for job in backlog.jobs}
        self.problem = Problem(replace(backlog, jobs=(*new, *kinds.values())))
        self.mounts = {
            (self.problem.stations[mount.station].station, mount.plate.plate): mount.mount
            for mount in self.problem.mounts
        }
        self.lots = {lot.lot: lot for lot in backlog.lots}
        self.before: dict[int, int] = {}  # by sort, that of the visit before
        self.last: set[int] = set()
        self.sorts: dict[tuple[int, str], int] = {}  # by kind and the visit's first face
        for kind in (*(job.kind for job in kinds.values()), *(lot.kind for lot in backlog.lots)):
            sorts = self.problem.visits(kind)
            self.before.update(zip(sorts[1:], sorts, strict=False))
            self.last.update(sorts[-1:])
            for sort in sorts:
                self.sorts[id(kind), self.problem.sorts[sort].faces[0]] = sort

    def visits(self, job: PlanJob) -> list[Visit]:
        """The visits of a job, in order."""
        return [Visit(job, sort) for sort in self.problem.visits(job.kind)]

    def seconds(self, unit: PlanJob | PlanLot, sort: int) -> float:
        """How long a visit burns."""
        return unit.seconds * len(self.problem.sorts[sort].faces)

    def lateness(self, job: PlanJob, sort: int, end: float) -> int:
        """Weighted working days by which a job is late if that visit is its last and ends then."""
        if end <= job.due or sort not in self.last:
            return 0
        return job.weight * self.problem.days.late(job.due, end)


class Held:
    """What one load holds: jobs and bare blades (a lot for each), and the sort as which each of them sits.

    `planned` is the load where it sits as planned; everything about it is worked out when first asked for.
    """

    def __init__(
        self,
        counted: Counted,
        mount: int,
        copy: str,
        *,
        units: Sequence[PlanJob | PlanLot] = (),
        sorts: Sequence[int] = (),
        planned: PlannedLoad | None = None,
    ) -> None:
        self.counted, self.mount, self.copy, self.planned = counted, mount, copy, planned
        self.station = counted.problem.mounts[mount].station
        self._units, self._sorts = tuple(units), tuple(sorts)
        self._late: dict[float, int] = {}

    @cached_property
    def units(self) -> tuple[PlanJob | PlanLot, ...]:
        if self.planned is None:
            return self._units
        jobs, lots = self.counted.jobs, self.counted.lots
        return tuple(jobs[f.job] if f.job is not None else lots[f.lot or ""] for f in self.planned.turns[0])

    @cached_property
    def sorts(self) -> tuple[int, ...]:
        if self.planned is None:
            return self._sorts
        sorts, seats = self.counted.sorts, zip(self.units, self.planned.turns[0], strict=True)
        return tuple(sorts[id(unit.kind), filled.face] for unit, filled in seats)

    @cached_property
    def visits(self) -> tuple[Visit, ...]:
        """Its jobs with their sorts."""
        seats = zip(self.units, self.sorts, strict=True)
        return tuple(Visit(unit, sort) for unit, sort in seats if isinstance(unit, PlanJob))

    @cached_property
    def jobs(self) -> int:
        """How many jobs sit in it."""
        if self.planned is None:
            return len(self.visits)
        return sum(filled.job is not None for filled in self.planned.turns[0])

    @cached_property
    def processes(self) -> list[str]:
        """The processes of a planned load, by name. Kinds are few, so this is quicker than going through its
        units."""
        assert self.planned is not None
        seats = zip(self.units, self.planned.turns[0], strict=True)
        sorts = {self.counted.sorts[kind] for kind in {(id(unit.kind), f.face) for unit, f in seats}}
        return sorted({self.counted.problem.process(self.mount, sort) for sort in sorts})

    @cached_property
    def work(self) -> Work:
        seconds = list(map(self.counted.seconds, self.units, self.sorts))
        return self.counted.problem.combined_work(self.mount, self.sorts, seconds)

    @cached_property
    def waits_for(self) -> tuple[tuple[str, int], ...]:
        """The visits that must come before those of its jobs, as (job, sort)."""
        before = self.counted.before
        return tuple((job.job, before[sort]) for job, sort in self.visits if sort in before)

    @cached_property
    def gives(self) -> tuple[tuple[str, int], ...]:
        """Its visits that others must follow, as (job, sort)."""
        return tuple((job.job, sort) for job, sort in self.visits if sort not in self.counted.last)

    @cached_property
    def walking(self) -> int:
        bins = [job.bin for job, _ in self.visits if job.bin is not None]
        return max(bins) - min(bins) if bins else 0

    @cached_property
    def turned(self) -> bool:
        """Whether units of orders are turned over in it."""
        return any(len(self.counted.problem.sorts[sort].faces) > 1 for _, sort in self.visits)

    @cached_property
    def waiting_rate(self) -> float:
        """How much the score's `waiting` grows with every second until it ends."""
        now = self.counted.problem.backlog.now
        return sum(waiting_rate(job, now) for job, sort in self.visits if sort in self.counted.last)

    def near_cutoff(self, end: float) -> float:
        """What it adds to the score's `near_cutoff`."""
        weights = self.counted.problem.backlog.weights
        if end <= self.wanted_by - weights.cutoff_s:
            return 0.0
        last = self.counted.last
        return sum(near_cutoff(job, end, weights) for job, sort in self.visits if sort in last)

    @cached_property
    def wanted_by(self) -> float:
        """When the first of its jobs is wanted; infinite for bare blades alone."""
        return min((job.wanted_by for job, _ in self.visits), default=inf)

    @cached_property
    def due(self) -> float:
        """When the first of its jobs is due; infinite for bare blades alone."""
        return min((job.due for job, _ in self.visits), default=inf)

    def lateness(self, end: float) -> int:
        """Weighted working days by which the jobs that it completes are late."""
        if end <= self.due:
            return 0
        if end not in self._late:
            self._late[end] = sum(self.counted.lateness(job, sort, end) for job, sort in self.visits)
        return self._late[end]

    def adds(self, timed: TimedLoad) -> Score:
        """What it adds to a plan's score when it happens then; who else has the same orders is not known
        here (`split`). Bare blades count for nothing."""
        has_jobs, now = self.jobs > 0, self.counted.problem.backlog.now
        return Score(
            lateness=self.lateness(timed.boxed),
            loads=int(has_jobs),
            changes=timed.changes * has_jobs,
            split=0,
            walking=self.walking,
            waiting=self.waiting_rate * (timed.boxed - now),
            near_cutoff=self.near_cutoff(timed.boxed),
            turned=int(self.turned),
        )


@dataclass(slots=True)
class State:
    """When each station and plate copy is free, and when the visits that others wait for have burned."""

    at: list[StationState]
    free: dict[str, float]
    burned: dict[tuple[str, int], float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Change:
    """A load (`held`) put in at a place of the order, replacing the one there (`out` is 1) or before it (0),
    what moves with it (new times by place in the old order), and what all that adds to the score."""

    place: int
    held: Held
    out: int
    timed: TimedLoad
    leaves: StationState
    moved: dict[int, tuple[TimedLoad, StationState]]
    adds: Score


class LoadSequence:
    """Loads in the order in which they happen, their times, the state in which each leaves its station, and
    their score (whose `split` is not updated)."""

    __slots__ = ("_visits", "counted", "held", "leaves", "score", "times")

    def __init__(
        self,
        counted: Counted,
        held: list[Held],
        times: list[TimedLoad],
        leaves: list[StationState],
        score: Score,
    ) -> None:
        self.counted, self.held, self.times, self.leaves, self.score = counted, held, times, leaves, score
        self._visits = bool(counted.before)  # whether any job has two visits

    @staticmethod
    def of(counted: Counted, plan: Plan) -> LoadSequence:
        """The loads of a plan. Raises KeyError when the plan is of another backlog."""
        line = LoadSequence(counted, [], [], [], plan.score)
        process = [station.process_on for station in counted.problem.stations]
        at = Timetable(counted.problem).at
        for load in plan.loads:
            held = Held(counted, counted.mounts[load.station, load.plate], load.copy, planned=load)
            rest = [name for name in held.processes if name != process[held.station]]
            process[held.station] = rest[-1] if rest else process[held.station]
            line.held.append(held)
            line.times.append(
                TimedLoad(load.copy, load.prepares, load.begins, load.ends, load.changes, load.ready)
            )
            line.leaves.append(line.left_by(held, load, at[held.station], process[held.station]))
            at[held.station] = line.leaves[-1]
        return line

    def left_by(
        self, held: Held, load: PlannedLoad, before: StationState, process: str | None
    ) -> StationState:
        """The state in which a planned load leaves its station, which was in the state `before`."""
        station, hands = self.counted.problem.stations[held.station], self.counted.problem.hands[held.station]
        filled = len(load.turns[0]) if load.turns else 0
        emptied = load.ends
        if station.after_burn_s > 0:
            emptied = hands.spend(max(load.ends, before.finished), filled * station.look_seconds)
        return StationState(
            max(load.begins, before.finished),
            load.ends,
            load.plate,
            process,
            load.ready,
            filled * station.after_burn_s,
            emptied,
        )

    def before(self, place: int) -> State:
        """The state before the load at that place in the order."""
        timetable = Timetable(self.counted.problem)
        free = {copy: at for copies in timetable.copies.values() for copy, at in copies.items()}
        state = State(timetable.at, free)
        if self._visits:
            for number in range(place):
                self.past(state, self.held[number], self.leaves[number])
            return state
        stations, copies = set(range(len(state.at))), set(state.free)
        for number in range(place - 1, -1, -1):
            held, leaves = self.held[number], self.leaves[number]
            if held.station in stations:
                stations.remove(held.station)
                state.at[held.station] = leaves
            if held.copy in copies:
                copies.remove(held.copy)
                state.free[held.copy] = leaves.emptied
            if not stations and not copies:
                break
        return state

    def past(self, state: State, held: Held, leaves: StationState) -> None:
        """Move the state on past a load."""
        state.at[held.station] = leaves
        state.free[held.copy] = leaves.emptied
        if self._visits:
            state.burned.update((visit, leaves.finished) for visit in held.gives)

    def happens(self, held: Held, state: State) -> tuple[TimedLoad, StationState]:
        """When a load happens, and how it leaves its station. Raises ValueError when it is too long for every
        open stretch."""
        ready = state.free[held.copy]
        if self._visits:
            ready = max([ready, *(state.burned[visit] for visit in held.waits_for)])
        return schedule_next(self.counted.problem, held.work, state.at[held.station], held.copy, ready)

    def tried(
        self, place: int, held: Held, *, out: int = 0, most_late: float = inf, most_moved: float = inf
    ) -> Change | None:
        """`held` put in at that place, for the next `out` loads (0 or 1) of the order. None when that costs
        more lateness than `most_late` or moves more loads than `most_moved`, or when it, or a load that moves
        with it, becomes too long for every open stretch."""
        try:
            return self._tried(place, held, out, most_late, most_moved)
        except ValueError:
            return None

    def _tried(self, place: int, held: Held, out: int, most_late: float, most_moved: float) -> Change | None:
        state = self.before(place)
        timed, leaves = self.happens(held, state)
        self.past(state, held, leaves)
        adds, changed = held.adds(timed), set(self._touches(held))
        here = slice(place, place + out)
        for gone, then in zip(self.held[here], self.times[here], strict=True):
            adds = adds.plus(gone.adds(then), -1)
            changed.update(self._touches(gone))
        moved: dict[int, tuple[TimedLoad, StationState]] = {}
        for number in range(place + out, len(self.held)):
            later, now, after = self.held[number], self.times[number], self.leaves[number]
            touches = self._touches(later)
            if not changed.isdisjoint(touches) or (self._visits and not changed.isdisjoint(later.waits_for)):
                now, after = self.happens(later, state)
                if (now, after) != (self.times[number], self.leaves[number]):
                    moved[number] = now, after
                    adds = adds.plus(later.adds(now)).plus(later.adds(self.times[number]), -1)
                if after == self.leaves[number]:
                    changed.difference_update(touches)
                else:
                    changed.update(touches)
            self.past(state, later, after)
            if adds.lateness > most_late or len(moved) > most_moved:
                return None
            if not changed:
                break
        return Change(place, held, out, timed, leaves, moved, adds)

    def _touches(self, held: Held) -> tuple[object, ...]:
        return (held.station, held.copy, *held.gives) if self._visits else (held.station, held.copy)

    def having(self, change: Change) -> LoadSequence:
        """The loads with a change made."""
        held, times, leaves = list(self.held), list(self.times), list(self.leaves)
        for number, (timed, after) in change.moved.items():
            times[number], leaves[number] = timed, after
        here = slice(change.place, change.place + change.out)
        held[here], times[here], leaves[here] = [change.held], [change.timed], [change.leaves]
        return LoadSequence(self.counted, held, times, leaves, self.score.plus(change.adds))
