"""What a careful person does with a list of orders and a pencil: sort each plate's units by process, by one
or two sides, by ship-by time; fill the plates from the top. No plan may be worse than that.

Common practice, no source. Written without anything of the planner's: places are found by SciPy's bipartite
matching, times by this module's own clock, and the score's parts are read off the finished plan.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.sparse import csr_matrix
from scipy.sparse.csgraph import maximum_bipartite_matching

from layout.loading.backlog import Backlog, Bound, Plan, PlanJob, PlannedLoad, PlanStation, Score
from layout.loading.values import Filled, Option
from layout.shop.hours import WEEK_S, Hours, WorkingDays

Place = tuple[str, str]  # station, plate


@dataclass(frozen=True)
class Parts:
    """What people see of a plan beside lateness and loads."""

    changes: int
    turned: int
    split: int
    walking: int
    waiting: float
    near_cutoff: float


def sorted_and_filled(backlog: Backlog) -> Plan:
    """The rule's plan, with its score. Only for jobs whose faces some plate takes in one load."""
    sizes = {plate.plate: len(plate.slots) for plate in backlog.plates}
    heaps: dict[str, list[PlanJob]] = defaultdict(list)
    for job in backlog.jobs:
        heaps[max(_plates(job), key=lambda plate: (sizes[plate], plate))].append(job)
    loads: list[tuple[str, list[PlanJob]]] = []
    for plate in sorted(heaps):
        inside: list[PlanJob] = []
        for job in sorted(
            heaps[plate], key=lambda j: (_process(j, plate), len(j.kind.faces), j.due, j.order)
        ):
            if inside and not _fits(backlog, plate, [*inside, job]):
                loads.append((plate, inside))
                inside = []
            inside.append(job)
        loads.append((plate, inside))
    return _timed(backlog, loads)


def _plates(job: PlanJob) -> set[str]:
    return {
        plate
        for options in job.kind.options.values()
        for plate in {o.plate for o in options}
        if {o.face for o in options if o.plate == plate} >= set(job.kind.faces)
    }


def _process(job: PlanJob, plate: str) -> str:
    return min(o.process for options in job.kind.options.values() for o in options if o.plate == plate)


def _fits(backlog: Backlog, plate: str, jobs: Sequence[PlanJob]) -> bool:
    """Whether some station can take them, within the longest span that it is open."""
    for station in _stations(backlog, plate, jobs):
        work = sum(job.seconds * len(job.kind.faces) for job in jobs)
        work += sum(len(job.kind.faces) - 1 for job in jobs) * station.turn_seconds
        changes = len({_process(job, plate) for job in jobs}) * station.process_change_seconds
        if work + changes + station.plate_change_seconds > station.hours.longest_s:
            continue
        if _seats(backlog, station.station, plate, jobs) is not None:
            return True
    return False


def _stations(backlog: Backlog, plate: str, jobs: Sequence[PlanJob]) -> list[PlanStation]:
    """Stations that take them all on that plate."""
    return [
        station
        for station in backlog.stations
        if plate in station.plates
        and all(any(o.plate == plate for o in job.kind.options.get(station.station, ())) for job in jobs)
    ]


def _seats(
    backlog: Backlog, station: str, plate: str, jobs: Sequence[PlanJob]
) -> list[list[tuple[str, PlanJob]]] | None:
    """Slots turn by turn at a height that suits everybody; None when there are not enough."""
    slots = next(p.slots for p in backlog.plates if p.plate == plate)
    turns: list[list[tuple[str, PlanJob]]] = []
    for turn in range(max(len(job.kind.faces) for job in jobs)):
        here = [job for job in jobs if len(job.kind.faces) > turn]
        options = {
            id(job.kind): [
                o for o in job.kind.options[station] if (o.plate, o.face) == (plate, job.kind.faces[turn])
            ]
            for job in here
        }
        seated = None
        for height in sorted({o.low_mm for some in options.values() for o in some}, reverse=True):
            seated = _matched(here, options, slots, height)
            if seated is not None:
                break
        if seated is None:
            return None
        turns.append(seated)
    return turns


def _matched(
    jobs: Sequence[PlanJob], options: dict[int, list[Option]], slots: Sequence[str], height: float
) -> list[tuple[str, PlanJob]] | None:
    takes = np.zeros((len(jobs), len(slots)), dtype=np.int8)
    number = {slot: n for n, slot in enumerate(slots)}
    for row, job in enumerate(jobs):
        for option in options[id(job.kind)]:
            if option.low_mm <= height <= option.high_mm:
                takes[row, number[option.slot]] = 1
    found = maximum_bipartite_matching(csr_matrix(takes), perm_type="column")
    return None if (found < 0).any() else [(slots[n], job) for n, job in zip(found, jobs, strict=True)]


# --- time ---


class _Desk:
    """One station's day: its hands, its laser, what is mounted."""

    def __init__(self, begin: float) -> None:
        self.hands = self.laser = begin
        self.plate: str | None = None
        self.process: str | None = None


def _spans(hours: Hours, week: int) -> list[tuple[float, float]]:
    return [(a + week * WEEK_S, b + week * WEEK_S) for a, b in hours.week] or [(0.0, float("inf"))]


def _first_fit(hours: Hours, ready: float, seconds: float) -> float:
    """When work begins that must not be interrupted."""
    for week in range(int(ready // WEEK_S), 10_000):
        for begins, ends in _spans(hours, week):
            if max(begins, ready) + seconds <= ends:
                return max(begins, ready)
    raise AssertionError("no span is long enough")


def _spent(hours: Hours, begin: float, seconds: float) -> float:
    """When work ends that pauses while it is shut."""
    for week in range(int(begin // WEEK_S), 10_000):
        for begins, ends in _spans(hours, week):
            here = max(0.0, ends - max(begins, begin))
            if here > 0.0 and seconds <= here:
                return max(begins, begin) + seconds
            seconds -= here
    raise AssertionError("never done")


def _timed(backlog: Backlog, loads: Iterable[tuple[str, list[PlanJob]]]) -> Plan:
    desks = {s.station: _Desk(max(backlog.now, s.free_at)) for s in backlog.stations}
    for station in backlog.stations:
        desks[station.station].plate, desks[station.station].process = station.plate_on, station.process_on
    free = {copy: max(backlog.now, at) for p in backlog.plates for copy, at in p.copies.items()}
    copies = {p.plate: list(p.copies) for p in backlog.plates}
    written, done = [], {}
    for plate, jobs in loads:
        station = min(_stations(backlog, plate, jobs), key=lambda s: (desks[s.station].hands, s.station))
        desk, copy = desks[station.station], min(copies[plate], key=lambda name: (free[name], name))
        processes = {_process(job, plate) for job in jobs}
        new = sorted(processes - {desk.process})
        steps = len(new) - (desk.process is None and bool(new))
        plates = int(desk.plate not in (None, plate))
        seats = _seats(backlog, station.station, plate, jobs)
        assert seats is not None
        seconds = sum(
            job.seconds * len(job.kind.faces) + (len(job.kind.faces) - 1) * station.turn_seconds
            for job in jobs
        )
        seconds += plates * station.plate_change_seconds + steps * station.process_change_seconds
        prepares = _first_fit(station.hours, max(desk.hands, free[copy]), 0.0)
        prepared = _spent(station.hours, prepares, len(jobs) * station.load_seconds)
        begins = _first_fit(station.hours, max(prepared, desk.laser), seconds)
        ends = begins + seconds
        desk.hands, desk.laser, desk.plate = begins, ends, plate
        desk.process = new[-1] if new else desk.process
        free[copy] = ends
        done |= {job.job: ends for job in jobs}
        turns = tuple(
            tuple(Filled(slot, job.kind.faces[turn], job=job.job) for slot, job in row)
            for turn, row in enumerate(seats)
        )
        written.append(
            PlannedLoad(station.station, plate, copy, turns, prepares, begins, ends, plates + steps)
        )
    plan = Plan(tuple(written), done, Score(0, 0, 0, 0, 0), Bound(0, 0))
    late = lateness_of(backlog, plan)
    parts = parts_of(backlog, plan)
    score = Score(
        late,
        len(written),
        parts.changes,
        parts.split,
        parts.walking,
        parts.waiting,
        parts.near_cutoff,
        parts.turned,
        backlog.weights,
    )
    return Plan(tuple(written), done, score, Bound(0, 0))


# --- what people see of a plan ---


def lateness_of(backlog: Backlog, plan: Plan) -> int:
    """Weighted working days late, read off a plan."""
    days = WorkingDays(station.hours for station in backlog.stations)
    return sum(
        job.weight * days.late(job.due, plan.done[job.job]) for job in backlog.jobs if job.job in plan.done
    )


def parts_of(backlog: Backlog, plan: Plan) -> Parts:
    """The parts of the weighted sum, read off a plan."""
    jobs = {job.job: job for job in backlog.jobs}
    loads = [load for load in plan.loads if load.jobs]
    orders = Counter(order for load in loads for order in {jobs[job].order for job in load.jobs})
    walking = 0
    for load in loads:
        bins = [place for job in load.jobs if (place := jobs[job].bin) is not None]
        walking += max(bins, default=0) - min(bins, default=0)
    margin = 3600.0 * backlog.weights.cutoff_hours
    waiting = near = 0.0
    for name, end in plan.done.items():
        job = jobs[name]
        waiting += job.weight * (end - backlog.now) / max(86_400.0, job.due - backlog.now)
        near += job.weight * min(1.0, max(0.0, 1.0 - (job.due - end) / margin))
    return Parts(
        changes=sum(load.changes for load in loads),
        turned=sum(any(f.job for row in load.turns[1:] for f in row) for load in loads),
        split=sum(orders.values()) - len(orders),
        walking=walking,
        waiting=waiting,
        near_cutoff=near,
    )
