"""The planning problem: the backlog with numbers for names.

A job whose faces no plate takes in one load makes several visits, in order; every visit is a *unit* here.
Units that can sit in the same places are of one *sort*: a thousand knives of a kind are a thousand units and
one sort. A *mount* is a plate at a station. A plan is a list of loads, each a mount and its units; when they
happen is left to `layout.plan.search.timing`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product

from layout.loading.backlog import Backlog, Kind, PlanJob, PlanPlate, PlanStation, faces_by_visit
from layout.loading.focus_heights import heights_to_try
from layout.loading.values import Option
from layout.shop.hours import HandTime, WorkingDays, laid_out, laid_out_hands

#: Why a job is in no load.
NO_PLACE = "no plate of the shop takes it"
OUT_OF_FOCUS = "no place has the whole mark in focus"
TOO_LONG = "no station is open long enough at a stretch to burn it"


@dataclass(frozen=True, slots=True)
class Sort:
    """The faces of one visit, and for each mount the options of each turn."""

    sort: int
    faces: tuple[str, ...]
    fits: dict[int, tuple[tuple[Option, ...], ...]]


@dataclass(frozen=True, slots=True)
class Unit:
    """One visit of a job; `after` is the visit before it, `last` says that it completes the job."""

    unit: int
    job: int
    sort: int
    seconds: float
    after: int | None
    last: bool


@dataclass(frozen=True, slots=True)
class Mount:
    """A plate at a station, both by number."""

    mount: int
    station: int
    plate: PlanPlate


Load = tuple[int, tuple[int, ...]]  # mount, units


@dataclass(frozen=True, slots=True)
class Work:
    """What one load takes, whenever it happens: seconds of burning and turning over (changes come on top),
    units to be seated first, processes by name."""

    mount: int
    seconds: float
    filled: int
    processes: tuple[str, ...]


class Problem:
    """A backlog with its jobs cut into visits, and the questions that planning keeps asking of it."""

    def __init__(self, backlog: Backlog) -> None:
        self.backlog = backlog
        self.stations: tuple[PlanStation, ...] = tuple(sorted(backlog.stations, key=lambda s: s.station))
        plates = {plate.plate: plate for plate in backlog.plates if plate.copies}
        self.mounts: list[Mount] = []
        for number, station in enumerate(self.stations):
            for name in sorted(station.plates):
                if name in plates:
                    self.mounts.append(Mount(len(self.mounts), number, plates[name]))
        self.mounts_of = [
            [m.mount for m in self.mounts if m.station == number] for number in range(len(self.stations))
        ]
        self.openings = [laid_out(station.hours) for station in self.stations]
        self.hands: list[HandTime] = [
            laid_out_hands(station.hands) if station.hands is not None else opening
            for station, opening in zip(self.stations, self.openings, strict=True)
        ]
        self._longest = [self.stations[mount.station].hours.longest_s for mount in self.mounts]
        self.days = WorkingDays(station.hours for station in self.stations)
        self.jobs: tuple[PlanJob, ...] = backlog.jobs
        self.sorts: list[Sort] = []
        self.units: list[Unit] = []
        self.unplanned: dict[str, str] = {}
        self._sorts_of: dict[int, list[int]] = {}
        self._slots: dict[tuple[int, int, int, float], tuple[str, ...]] = {}
        self._heights: dict[int, list[tuple[float, ...]]] = {}
        self.fitting_loads: dict[Load, bool] = {}  # what `layout.plan.search.seating` has answered before
        self.fitting_sorts: dict[tuple[int, tuple[int, ...]], bool] = {}
        self._processes: dict[tuple[int, int], str] = {}
        self._works: dict[Load, Work] = {}
        self.order_of: list[int] = []
        orders: dict[str, int] = {}
        for number, job in enumerate(self.jobs):
            self.order_of.append(orders.setdefault(job.order, len(orders)))
            self._add(number, job)
        self.lots = [
            (lot, self.visits(lot.kind)) for lot in sorted(backlog.lots, key=lambda lot: (lot.due, lot.lot))
        ]
        self.on_mount: list[list[int]] = [
            [sort.sort for sort in self.sorts if m.mount in sort.fits] for m in self.mounts
        ]

    # --- visits ---

    def _add(self, number: int, job: PlanJob) -> None:
        sorts = self.visits(job.kind)
        if not sorts:
            self.unplanned[job.job] = self._why_nowhere(job.kind)
            return
        if any(not self._ever(sort, job.seconds) for sort in sorts):
            self.unplanned[job.job] = TOO_LONG
            return
        before: int | None = None
        for position, sort in enumerate(sorts):
            seconds = job.seconds * len(self.sorts[sort].faces)
            last = position == len(sorts) - 1
            self.units.append(Unit(len(self.units), number, sort, seconds, before, last))
            before = len(self.units) - 1

    def visits(self, kind: Kind) -> list[int]:
        """The visits of a kind in order, as sorts; empty when a face has no place at all."""
        sorts = self._sorts_of.get(id(kind))
        if sorts is not None:
            return sorts
        by_mount = self._places(kind, in_focus=True)
        sorts_made: list[int] = []
        for visit in faces_by_visit(kind.faces, list(by_mount.values())):
            fits = {
                mount: tuple(tuple(faces[face]) for face in visit)
                for mount, faces in by_mount.items()
                if faces.keys() >= set(visit)
            }
            self.sorts.append(Sort(len(self.sorts), visit, fits))
            sorts_made.append(len(self.sorts) - 1)
        self._sorts_of[id(kind)] = sorts_made
        return sorts_made

    def _places(self, kind: Kind, *, in_focus: bool) -> dict[int, dict[str, list[Option]]]:
        """By mount and face the options of a kind; with `in_focus` without those never in focus."""
        by_mount: dict[int, dict[str, list[Option]]] = {}
        for mount in self.mounts:
            station, slots = self.stations[mount.station].station, set(mount.plate.slots)
            for option in kind.options.get(station, ()):
                has_height = option.low_mm <= option.high_mm or not in_focus
                if option.plate == mount.plate.plate and option.slot in slots and has_height:
                    by_mount.setdefault(mount.mount, {}).setdefault(option.face, []).append(option)
        return by_mount

    def _why_nowhere(self, kind: Kind) -> str:
        """Why a kind has no place for one of its faces."""
        seated = list(self._places(kind, in_focus=False).values())
        return OUT_OF_FOCUS if faces_by_visit(kind.faces, seated) else NO_PLACE

    def _ever(self, sort: int, seconds: float) -> bool:
        total = seconds * len(self.sorts[sort].faces)
        return any(self.spent(m, [sort], total) <= self.longest(m) for m in self.sorts[sort].fits)

    # --- questions ---

    def longest(self, mount: int) -> float:
        """The longest stretch in which a load may burn on that mount."""
        return self._longest[mount]

    def size(self, mount: int) -> int:
        """How many slots the mount's plate has."""
        return len(self.mounts[mount].plate.slots)

    def spent(self, mount: int, sorts: Sequence[int], seconds: float) -> float:
        """The longest that a load of these may keep the laser: burning, turning over, every possible
        change."""
        station = self.stations[self.mounts[mount].station]
        turned = sum(len(self.sorts[sort].faces) - 1 for sort in sorts)
        processes = {self.process(mount, sort) for sort in sorts}
        return (
            seconds
            + turned * station.turn_seconds
            + station.plate_change_seconds
            + len(processes) * station.process_change_seconds
        )

    def process(self, mount: int, sort: int) -> str:
        """The process (or processes, joined) of a sort on a mount."""
        key = (mount, sort)
        if key not in self._processes:
            fits = self.sorts[sort].fits[mount]
            self._processes[key] = "+".join(dict.fromkeys(options[0].process for options in fits))
        return self._processes[key]

    def work(self, load: Load) -> Work:
        """What a load takes."""
        work = self._works.get(load)
        if work is None:
            mount, units = load
            mine = [self.units[unit] for unit in units]
            work = self.combined_work(mount, [unit.sort for unit in mine], [unit.seconds for unit in mine])
            self._works[load] = work
        return work

    def combined_work(self, mount: int, sorts: Sequence[int], seconds: Sequence[float]) -> Work:
        """What visits of these sorts and seconds of burning take together, in whatever order they come."""
        station = self.stations[self.mounts[mount].station]
        turned = sum(len(self.sorts[sort].faces) - 1 for sort in sorts)
        processes = {self.process(mount, sort) for sort in set(sorts)}
        burning = math.fsum(seconds) + turned * station.turn_seconds
        return Work(mount, burning, len(sorts), tuple(sorted(processes)))

    def slots(self, mount: int, sort: int, turn: int, height_mm: float) -> tuple[str, ...]:
        """Slots that take the visit's face of that turn with the head at that height, in the plate's
        order."""
        key = (mount, sort, turn, height_mm)
        slots = self._slots.get(key)
        if slots is None:
            options = self.sorts[sort].fits[mount][turn]
            taken = {o.slot for o in options if o.low_mm <= height_mm <= o.high_mm}
            slots = tuple(slot for slot in self.mounts[mount].plate.slots if slot in taken)
            self._slots[key] = slots
        return slots

    def heights(self, mount: int) -> list[tuple[float, ...]]:
        """Head heights to try on a mount, one for each turn: every sort that the mount takes has a seat at
        one of them, and one of them is the best for whatever is to sit together."""
        heights = self._heights.get(mount)
        if heights is None:
            here = [self.sorts[sort].fits[mount] for sort in self.on_mount[mount]]
            per_turn = [
                heights_to_try(
                    (o.low_mm, o.high_mm) for turns in here if turn < len(turns) for o in turns[turn]
                )
                for turn in range(max((len(turns) for turns in here), default=0))
            ]
            heights = self._heights[mount] = list(product(*per_turn))
        return heights
