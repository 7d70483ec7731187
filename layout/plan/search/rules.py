"""Rules that build a plan in one go, load after load: the station that has its hands free first takes the
next.

Each rule says which unit matters most and which plate to take for it. None is best for every backlog; the
planner tries them all. Units of one sort wait in one queue or two, so a load costs no more when more wait.
"""

from __future__ import annotations

import heapq
import math
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from statistics import fmean

from layout.loading.backlog import PlanJob
from layout.plan.search.problem import Floor, Load, Unit
from layout.plan.search.queues import Ahead, Key, Queues
from layout.plan.search.seating import Room
from layout.plan.search.timing import Clockwork

Quota = dict[int, dict[int, int]]  # units by sort and class of slots


@dataclass(frozen=True, slots=True)
class Rule:
    """`order` is the static rank of a unit (smaller first), `lookahead` makes the rank an apparent tardiness
    cost instead; `allot` holds a fewest-loads allotment to keep to (sort and mount's plate to units)."""

    name: str
    order: str  # "due" or "weight"
    lookahead: float | None = None
    allot: Mapping[tuple[str, int, int], int] | None = None
    classes: Mapping[str, Sequence[int]] | None = None


def ranks(floor: Floor, order: str) -> list[Key]:
    """A rank for every unit; units of one order stand together where nothing else tells them apart."""
    found: list[Key] = []
    for unit in floor.units:
        job = floor.jobs[unit.job]
        order_of = float(floor.order_of[unit.job])
        if order == "due":
            found.append((job.due, -job.weight, order_of, unit.unit))
        else:
            found.append((-job.weight, job.due, order_of, unit.unit))
    return found


def queues_of(floor: Floor, rule: Rule) -> Queues:
    """Everything that waits, in the order of a rule."""
    if rule.lookahead is None:
        return Queues(floor, ranks(floor, rule.order))
    reach = rule.lookahead * usual_s(floor)
    dear = [_dear(unit, floor.jobs[unit.job]) for unit in floor.units]
    opened = {due: opened_by(floor, due) for due in {job.due for job in floor.jobs}}
    begin = [opened[floor.jobs[unit.job].due] - unit.seconds for unit in floor.units]
    return Queues(
        floor,
        [(cost, unit) for unit, cost in enumerate(dear)],
        Ahead([(cost + begin[unit] / reach, unit) for unit, cost in enumerate(dear)], begin),
    )


def usual_s(floor: Floor) -> float:
    """What burning a unit takes on average."""
    return fmean(unit.seconds for unit in floor.units) if floor.units else 1.0


def opened_by(floor: Floor, until: float) -> float:
    """Open seconds until then, of the stations on average."""
    return fmean(opening.open_s(until) for opening in floor.openings)


def _dear(unit: Unit, job: PlanJob) -> float:
    """The cost of a unit that must begin; less is dearer."""
    return math.log(max(unit.seconds, 1e-9) / job.weight)


def build(floor: Floor, rule: Rule) -> list[Load]:
    """The loads of a rule, in the order in which they were decided."""
    queues = queues_of(floor, rule)
    clockwork = Clockwork(floor)
    left = dict(rule.allot) if rule.allot is not None else None
    chooser = Chooser(floor, rule, queues, left)
    loads: list[Load] = []
    asleep: set[int] = set()
    while len(asleep) < len(floor.stations):
        station = min(
            (s for s in range(len(floor.stations)) if s not in asleep),
            key=lambda s: (clockwork.at[s].hands_free, s),
        )
        now = clockwork.at[station].hands_free
        queues.release(now)
        load = chooser.choose(station, clockwork)
        if load is None:
            if queues.pending:
                clockwork.at[station].hands_free = max(now, queues.pending[0][0])
            else:
                asleep.add(station)
            continue
        timed = clockwork.put(load)
        queues.take(load[1], timed.ends)
        if queues.pending:
            asleep.clear()
        loads.append(load)
    return loads


class Chooser:
    """Which plate a station takes next, and with what on it."""

    def __init__(
        self, floor: Floor, rule: Rule, queues: Queues, left: dict[tuple[str, int, int], int] | None
    ) -> None:
        self.floor, self.rule, self.queues, self.left = floor, rule, queues, left
        self.usual_s = usual_s(floor)
        self._opened: dict[tuple[int, float], float] = {}

    def choose(self, station: int, clockwork: Clockwork) -> Load | None:
        best: tuple[Key, Load] | None = None
        urgent = self._head(station)
        if urgent is None:
            return None
        at = clockwork.at[station]
        rank = self._rank(station, at.laser_free)
        if self.rule.lookahead is not None:
            self.queues.press(opened_by(self.floor, at.laser_free))
        for mount in self.floor.mounts_of[station]:
            free = min(clockwork.copies[self.floor.mounts[mount].plate.plate].values())
            units = self._fill(mount, rank)
            if not units and self.left is not None and not any(self.left.values()):
                units = self._fill(mount, rank, keep=False)  # the allotment knew nothing of focus or hours
            if not units:
                continue
            score = self._score(mount, units, urgent, rank, (at.hands_free, free, at.plate))
            if best is None or score > best[0]:
                best = score, (mount, units)
        if best is None:
            return None
        if self.left is not None:
            self._spend(best[1])
        return best[1]

    def _head(self, station: int) -> int | None:
        """The first in rank of all that the station takes."""
        sorts = {sort for mount in self.floor.mounts_of[station] for sort in self.floor.on_mount[mount]}
        queues = [number for sort in sorts for number in self.queues.of(sort)]
        heads = [unit for number in queues if (unit := self.queues.head(number)) is not None]
        return min(heads, key=self.queues.rank.__getitem__, default=None)

    def _rank(self, station: int, now: float) -> Callable[[int], Key]:
        """Slack is counted in open seconds of the station: nights leave no time for anything."""
        if self.rule.lookahead is None:
            return self.queues.rank.__getitem__
        reach = self.rule.lookahead * self.usual_s
        floor, opened = self.floor, self.floor.openings[station].open_s(now)

        def cost(unit: int) -> Key:
            it = floor.units[unit]
            job = floor.jobs[it.job]
            slack = max(0.0, self._open_until(station, job.due) - opened - it.seconds)
            return (_dear(it, job) + slack / reach, unit)

        return cost

    def _open_until(self, station: int, due: float) -> float:
        known = self._opened.get((station, due))
        if known is None:
            known = self._opened[station, due] = self.floor.openings[station].open_s(due)
        return known

    def _score(
        self,
        mount: int,
        units: tuple[int, ...],
        urgent: int,
        rank: Callable[[int], Key],
        at: tuple[float, float, str | None],
    ) -> Key:
        hands_free, copy_free, plate = at
        stays = float(self.floor.mounts[mount].plate.plate == plate)
        waits = -max(0.0, copy_free - hands_free)
        if self.rule.lookahead is not None:
            station = self.floor.stations[self.floor.mounts[mount].station]
            spent = sum(self.floor.units[unit].seconds for unit in units)
            spent += 0.0 if stays or plate is None else station.plate_change_seconds
            worth = sum(math.exp(-rank(unit)[0]) * self.floor.units[unit].seconds for unit in units)
            return (worth / max(spent, 1e-9), stays, -mount)
        if self.left is not None:
            head = min(rank(unit) for unit in units)
            return (*(-part for part in head), len(units), stays, -mount)
        return (float(urgent in units), len(units), stays, waits, -mount)

    def _fill(self, mount: int, rank: Callable[[int], Key], *, keep: bool = True) -> tuple[int, ...]:
        """The fullest filling, over the head heights, that has the most urgent unit the mount takes."""
        quota = self._quota(mount) if keep else None
        best: tuple[int, ...] = ()
        for heights in self.floor.heights(mount):
            filled = self._fill_at(mount, heights, rank, quota)
            if filled and (not best or (rank(filled[0]), -len(filled)) < (rank(best[0]), -len(best))):
                best = filled
        return best

    def _fill_at(
        self, mount: int, heights: tuple[float, ...], rank: Callable[[int], Key], quota: Quota | None
    ) -> tuple[int, ...]:
        """Merge the queues by rank into the slots. What finds no room now finds none later in this load,
        because the seatable sets of a turn are independent sets of a matroid; so its queue is left alone."""
        floor, queues = self.floor, self.queues
        room = Room(floor, mount, heights)
        chosen: list[int] = []
        budget = _Budget(floor, mount)
        most = len(floor.mounts[mount].plate.slots)
        left = None if quota is None else {sort: sum(by.values()) for sort, by in quota.items()}
        heap: list[tuple[Key, int, int]] = []
        for sort in floor.on_mount[mount]:
            if left is not None and left.get(sort, 0) <= 0:
                continue
            for number in queues.of(sort):
                unit = queues.head(number)
                if unit is not None:
                    heap.append((rank(unit), number, queues.first[number]))
        heapq.heapify(heap)
        while heap and len(chosen) < most:
            _, number, place = heapq.heappop(heap)
            unit = queues.waiting[number][place]
            sort = floor.units[unit].sort
            if not budget.allows(sort, floor.units[unit].seconds) or not room.seat(unit, sort):
                continue
            budget.spend(sort, floor.units[unit].seconds)
            chosen.append(unit)
            if left is not None:
                left[sort] -= 1
                if left[sort] == 0:
                    continue
            if place + 1 < len(queues.waiting[number]):
                heapq.heappush(heap, (rank(queues.waiting[number][place + 1]), number, place + 1))
        return tuple(chosen)

    def _quota(self, mount: int) -> Quota | None:
        """How many of each sort, by class of slots, the allotment has for the plate's next load: as many as a
        class has slots, the most urgent first, so that every load but the last is as full as it can be."""
        if self.left is None or self.rule.classes is None:
            return None
        plate, queues = self.floor.mounts[mount].plate.plate, self.queues
        here = self.floor.on_mount[mount]
        quota: Quota = {}
        reserved: dict[int, int] = {}
        for number, capacity in enumerate(self.rule.classes[plate]):
            heap: list[tuple[Key, int, int]] = []

            def push(
                sort: int, taken: int, heap: list[tuple[Key, int, int]] = heap, at: int = number
            ) -> None:
                place = queues.first[sort] + reserved.get(sort, 0)
                if taken < self._left(plate, at, sort) and place < len(queues.waiting[sort]):
                    heapq.heappush(heap, (queues.rank[queues.waiting[sort][place]], sort, taken))

            for sort in here:
                push(sort, 0)
            room = capacity
            while heap and room:
                _, sort, taken = heapq.heappop(heap)
                by_class = quota.setdefault(sort, {})
                by_class[number] = by_class.get(number, 0) + 1
                reserved[sort] = reserved.get(sort, 0) + 1
                room -= 1
                push(sort, taken + 1)
        return quota

    def _left(self, plate: str, number: int, sort: int) -> int:
        return 0 if self.left is None else self.left.get((plate, number, sort), 0)

    def _spend(self, load: Load) -> None:
        """Take a load's units off the allotment, class by class as `_quota` counts them."""
        assert self.left is not None
        plate = self.floor.mounts[load[0]].plate.plate
        quota = self._quota(load[0]) or {}
        counts = Counter(self.floor.units[unit].sort for unit in load[1])
        for sort in counts:
            for number, planned in quota.get(sort, {}).items():
                used = min(counts[sort], planned)
                self.left[plate, number, sort] -= used
                counts[sort] -= used


class _Budget:
    """Whether one more unit still lets the load burn within one open stretch."""

    def __init__(self, floor: Floor, mount: int) -> None:
        self.floor, self.mount = floor, mount
        self.longest = floor.longest(mount)
        self.station = floor.stations[floor.mounts[mount].station]
        self.spent = self.station.plate_change_seconds
        self.processes: set[str] = set()

    def _more(self, sort: int, seconds: float) -> float:
        new = self.floor.process(self.mount, sort) not in self.processes
        turned = len(self.floor.sorts[sort].faces) - 1
        return seconds + turned * self.station.turn_seconds + new * self.station.process_change_seconds

    def allows(self, sort: int, seconds: float) -> bool:
        return self.longest == math.inf or self.spent + self._more(sort, seconds) <= self.longest

    def spend(self, sort: int, seconds: float) -> None:
        self.spent += self._more(sort, seconds)
        self.processes.add(self.floor.process(self.mount, sort))


def first_fit(floor: Floor) -> list[Load]:
    """Earliest due date, first fit: each unit into the first load begun that has room for it, else a new one
    on the first mount that takes it. Only for backlogs without second visits."""
    loads: list[tuple[int, list[int], Room, _Budget]] = []
    begin = [0] * len(floor.sorts)  # loads before this one are known to have no room for the sort
    rank = ranks(floor, "due")
    for unit in sorted(floor.units, key=lambda u: rank[u.unit]):
        sort, placed = unit.sort, False
        for number in range(begin[sort], len(loads)):
            mount, units, room, budget = loads[number]
            fits = mount in floor.sorts[sort].fits and budget.allows(sort, unit.seconds)
            if fits and room.seat(unit.unit, sort):
                units.append(unit.unit)
                budget.spend(sort, unit.seconds)
                placed = True
                break
            if number == begin[sort]:
                begin[sort] += 1
        if not placed:
            mount = next(
                m for m in sorted(floor.sorts[sort].fits) if _Budget(floor, m).allows(sort, unit.seconds)
            )
            rooms = [Room(floor, mount, heights) for heights in floor.heights(mount)]
            room = next(r for r in rooms if r.seat(unit.unit, sort))
            loads.append((mount, [unit.unit], room, _Budget(floor, mount)))
            loads[-1][3].spend(sort, unit.seconds)
    return [(mount, tuple(units)) for mount, units, _, _ in loads]
