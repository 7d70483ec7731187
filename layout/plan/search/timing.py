"""When the loads of a plan happen: at each station one burns while one more is prepared.

Units are seated (time that pauses while the station is shut) once the station's load before has begun to burn
and a copy of the plate is free. A load burns without a break, all its turns, within one open stretch: nobody
leaves a burning laser alone. A plate's copy is free again when its load has burned.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

from layout.loading.backlog import Score
from layout.plan.search.problem import Floor, Load, Work


@dataclass(slots=True)
class At:
    """What one station is at."""

    hands_free: float
    laser_free: float
    plate: str | None
    process: str | None


class Timed(NamedTuple):
    """One load in time."""

    copy: str
    prepares: float
    begins: float
    ends: float
    changes: int


@dataclass(frozen=True, slots=True)
class Blades:
    """So many blades of a lot (numbered as the floor numbers them) in a load."""

    lot: int
    sort: int
    seconds: float
    count: int


def work_of(floor: Floor, load: Load, blades: Sequence[Blades] = ()) -> Work:
    """The work of a load with bare blades in it."""
    if not blades:
        return floor.work(load)
    mount, units = load
    sorts = [floor.units[unit].sort for unit in units]
    seconds = [floor.units[unit].seconds for unit in units]
    for some in blades:
        sorts += [some.sort] * some.count
        seconds += [some.seconds] * some.count
    return floor.asks(mount, sorts, seconds)


def happens(floor: Floor, work: Work, at: At, copy: str, ready: float) -> tuple[Timed, At]:
    """A load in time when its station is at `at` and its copy and units are `ready`, and what the station is
    at afterwards. Raises ValueError when no open stretch is long enough."""
    mount = floor.mounts[work.mount]
    station, opening = floor.stations[mount.station], floor.openings[mount.station]
    changes, seconds, process = _change(floor, work, at)
    seconds += work.seconds
    prepares = opening.fit(max(at.hands_free, ready), 0.0)
    prepared = opening.spend(prepares, work.filled * station.load_seconds)
    begins = opening.fit(max(prepared, at.laser_free), seconds)
    ends = begins + seconds
    return Timed(copy, prepares, begins, ends, changes), At(begins, ends, mount.plate.plate, process)


def _change(floor: Floor, work: Work, at: At) -> tuple[int, float, str | None]:
    """Changes of plate and process that the load asks for, their seconds, and the process it ends with. The
    process at hand is burned first; the first ever mounted is no change."""
    mount = floor.mounts[work.mount]
    station = floor.stations[mount.station]
    plates = int(at.plate is not None and at.plate != mount.plate.plate)
    rest = [name for name in work.processes if name != at.process]
    steps = len(rest) - (at.process is None and bool(rest))
    seconds = plates * station.plate_change_seconds + steps * station.process_change_seconds
    return plates + steps, seconds, rest[-1] if rest else at.process


class Clockwork:
    """Takes loads in the order in which they are decided and says when each happens."""

    def __init__(self, floor: Floor) -> None:
        self.floor = floor
        now = floor.backlog.now
        self.at = [
            At(max(now, s.hands_free_at), max(now, s.free_at), s.plate_on, s.process_on)
            for s in floor.stations
        ]
        self.copies = {
            mount.plate.plate: {copy: max(now, free) for copy, free in mount.plate.copies.items()}
            for mount in floor.mounts
        }
        self.ends: dict[int, float] = {}  # by unit

    def put(self, load: Load, blades: Sequence[Blades] = ()) -> Timed:
        """Time one more load. Its units' earlier visits must be timed already; raises KeyError otherwise."""
        number, units = load
        mount = self.floor.mounts[number]
        copies = self.copies[mount.plate.plate]
        copy = min(copies, key=lambda name: (copies[name], name))
        ready = copies[copy]
        for unit in units:
            after = self.floor.units[unit].after
            if after is not None:
                ready = max(ready, self.ends[after])
        work = work_of(self.floor, load, blades)
        timed, self.at[mount.station] = happens(self.floor, work, self.at[mount.station], copy, ready)
        copies[copy] = timed.ends
        for unit in units:
            self.ends[unit] = timed.ends
        return timed


def time_all(floor: Floor, loads: Sequence[Load]) -> tuple[Clockwork, list[Timed]]:
    """All loads in the order given."""
    clockwork = Clockwork(floor)
    return clockwork, [clockwork.put(load) for load in loads]


def score_of(floor: Floor, loads: Sequence[Load], timed: Sequence[Timed], ends: dict[int, float]) -> Score:
    """What a plan costs; see `layout.loading.backlog.Score`."""
    lateness = 0
    for unit, end in ends.items():
        it = floor.units[unit]
        if it.last and end > floor.jobs[it.job].due:
            job = floor.jobs[it.job]
            lateness += job.weight * floor.days.late(job.due, end)
    return Score(lateness, len(loads), sum(one.changes for one in timed), *_split_and_walking(floor, loads))


def _split_and_walking(floor: Floor, loads: Sequence[Load]) -> tuple[int, int]:
    """The parts of a score that no times tell of: orders split across loads, and the way to the bins."""
    split = walking = 0
    seen: set[int] = set()
    for _, units in loads:
        jobs = [floor.units[unit].job for unit in units]
        here = {floor.order_of[job] for job in jobs}
        split += len(here & seen)
        seen |= here
        bins = [b for job in jobs if (b := floor.jobs[job].bin) is not None]
        walking += max(bins) - min(bins) if bins else 0
    return split, walking
