"""When the loads of a plan happen: at each station one burns while one more is prepared.

Units are seated (time that pauses while the station is shut) once the station's load before has begun to burn
and a copy of the plate is free. A load burns without a break, all its turns, within one open stretch: nobody
leaves a burning laser alone. A plate's copy is free again when its load has burned.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from layout.backlog import Score
from layout.floor import Floor, Load, Mount


@dataclass(slots=True)
class _At:
    """What one station is at."""

    hands_free: float
    laser_free: float
    plate: str | None
    process: str | None


@dataclass(frozen=True, slots=True)
class Timed:
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


class Clockwork:
    """Takes loads in the order in which they are decided and says when each happens."""

    def __init__(self, floor: Floor) -> None:
        self.floor = floor
        now = floor.backlog.now
        self.at = [
            _At(max(now, s.hands_free_at), max(now, s.free_at), s.plate_on, s.process_on)
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
        floor = self.floor
        mount = floor.mounts[number]
        station, at = floor.stations[mount.station], self.at[mount.station]
        opening, copies = floor.openings[mount.station], self.copies[mount.plate.plate]
        copy = min(copies, key=lambda name: (copies[name], name))
        prepares = max(at.hands_free, copies[copy])
        burn, filled = 0.0, len(units)
        processes: set[str] = set()
        for unit in units:
            it = floor.units[unit]
            if it.after is not None:
                prepares = max(prepares, self.ends[it.after])
            burn += it.seconds + (len(floor.sorts[it.sort].faces) - 1) * station.turn_seconds
            processes.add(floor.process(number, it.sort))
        for some in blades:
            burn += some.seconds * some.count
            filled += some.count
            processes.add(floor.process(number, some.sort))
        prepares = opening.fit(prepares, 0.0)
        changes, seconds = self._change(mount, processes)
        burn += seconds
        prepared = opening.spend(prepares, filled * station.load_seconds)
        begins = opening.fit(max(prepared, at.laser_free), burn)
        ends = begins + burn
        at.hands_free, at.laser_free = begins, ends
        copies[copy] = ends
        for unit in units:
            self.ends[unit] = ends
        return Timed(copy, prepares, begins, ends, changes)

    def _change(self, mount: Mount, processes: set[str]) -> tuple[int, float]:
        """Changes of plate and process that the load asks for, and their seconds. The process at hand is
        burned first; the first ever mounted is no change."""
        station, at = self.floor.stations[mount.station], self.at[mount.station]
        plates = int(at.plate is not None and at.plate != mount.plate.plate)
        sequence = sorted(processes, key=lambda name: (name != at.process, name))
        steps = len(sequence) - (at.process is None or at.process in processes) if sequence else 0
        at.plate = mount.plate.plate
        at.process = sequence[-1] if sequence else at.process
        return plates + steps, plates * station.plate_change_seconds + steps * station.process_change_seconds


def time_all(floor: Floor, loads: Sequence[Load]) -> tuple[Clockwork, list[Timed]]:
    """All loads in the order given."""
    clockwork = Clockwork(floor)
    return clockwork, [clockwork.put(load) for load in loads]


def score_of(floor: Floor, loads: Sequence[Load], timed: Sequence[Timed], ends: dict[int, float]) -> Score:
    """What a plan costs; see `layout.backlog.Score`."""
    lateness = 0
    for unit, end in ends.items():
        it = floor.units[unit]
        if it.last and end > floor.jobs[it.job].due:
            job = floor.jobs[it.job]
            lateness += job.weight * floor.days.late(job.due, end)
    split = walking = 0
    seen: set[int] = set()
    for _, units in loads:
        here = {floor.order_of[floor.units[unit].job] for unit in units}
        split += len(here & seen)
        seen |= here
        bins = [b for unit in units if (b := floor.jobs[floor.units[unit].job].bin) is not None]
        walking += max(bins) - min(bins) if bins else 0
    return Score(lateness, len(loads), sum(one.changes for one in timed), split, walking)


def overshoot(floor: Floor, ends: dict[int, float]) -> float:
    """Weighted seconds by which late jobs are late: what leads an improvement where whole days don't."""
    return sum(
        floor.jobs[floor.units[unit].job].weight * (end - floor.jobs[floor.units[unit].job].due)
        for unit, end in ends.items()
        if floor.units[unit].last and end > floor.jobs[floor.units[unit].job].due
    )
