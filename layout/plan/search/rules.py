"""Rules that build a plan in one go, load by load: the station whose hands are free first takes the next.

Each rule says which unit matters most and which plate to take for it. None is best for every backlog, so the
planner tries them all. Units of one sort wait in one queue or two, so a load costs no more when more units
wait.
"""

from __future__ import annotations

import heapq
import math
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from statistics import fmean

from layout.loading.backlog import PlanJob
from layout.plan.search.problem import Load, Problem, Unit
from layout.plan.search.queues import Ahead, Key, Queues
from layout.plan.search.seating import SlotMatching
from layout.plan.search.timing import Timetable
from layout.shop.hours import DAY_S

Quota = dict[int, dict[int, int]]  # units by sort and class of slots


@dataclass(frozen=True, slots=True)
class Rule:
    """Units rank by due time, or, where `days` are given, those due within so many days of one another stand
    together by plate, process and sides; `lookahead` makes the rank an apparent tardiness cost instead;
    `allot` is a fewest-loads allotment to keep to (units by plate, class of slots and sort)."""

    name: str
    days: float | None = None
    lookahead: float | None = None
    allot: Mapping[tuple[str, int, int], int] | None = None
    classes: Mapping[str, Sequence[int]] | None = None


def ranks(problem: Problem, days: float | None = None) -> list[Key]:
    """A rank for every unit; units of one order stand together where nothing else tells them apart."""
    groups = _groups(problem) if days is not None else []
    ranks: list[Key] = []
    for unit in problem.units:
        job = problem.jobs[unit.job]
        rank: Key = (job.due, -job.weight, float(problem.order_of[unit.job]), unit.unit)
        if days is not None:
            rank = (job.due // (days * DAY_S), *groups[unit.sort], *rank)
        ranks.append(rank)
    return ranks


def _groups(problem: Problem) -> list[Key]:
    """For each sort the plate with most slots for it, its process there (both by number), and how many sides
    it has: units alike in these burn one after another without a change."""
    processes = sorted({problem.process(mount, sort.sort) for sort in problem.sorts for mount in sort.fits})
    plates = sorted({mount.plate.plate for mount in problem.mounts})
    groups: list[Key] = []
    for sort in problem.sorts:
        slots = {mount: len({option.slot for option in turns[0]}) for mount, turns in sort.fits.items()}
        mount = max(slots, key=lambda mount: (slots[mount], -mount))
        plate = plates.index(problem.mounts[mount].plate.plate)
        process = processes.index(problem.process(mount, sort.sort))
        groups.append((float(plate), float(process), float(len(sort.faces))))
    return groups


def queues_of(problem: Problem, rule: Rule) -> Queues:
    """Everything that waits, in the order of a rule."""
    if rule.lookahead is None:
        return Queues(problem, ranks(problem, rule.days))
    reach = rule.lookahead * usual_s(problem)
    dear = [_dear(unit, problem.jobs[unit.job]) for unit in problem.units]
    opened = {due: opened_by(problem, due) for due in {job.due for job in problem.jobs}}
    begin = [opened[problem.jobs[unit.job].due] - unit.seconds for unit in problem.units]
    return Queues(
        problem,
        [(cost, unit) for unit, cost in enumerate(dear)],
        Ahead([(cost + begin[unit] / reach, unit) for unit, cost in enumerate(dear)], begin),
    )


def usual_s(problem: Problem) -> float:
    """Average seconds of burning a unit."""
    return fmean(unit.seconds for unit in problem.units) if problem.units else 1.0


def opened_by(problem: Problem, until: float) -> float:
    """Open seconds until then, averaged over the stations."""
    return fmean(opening.open_s(until) for opening in problem.openings)


def _dear(unit: Unit, job: PlanJob) -> float:
    """The cost of a unit that must begin; the smaller, the more urgent."""
    return math.log(max(unit.seconds, 1e-9) / job.weight)


def build(problem: Problem, rule: Rule) -> list[Load]:
    """The loads of a rule, in the order in which they were decided."""
    queues = queues_of(problem, rule)
    timetable = Timetable(problem)
    left = dict(rule.allot) if rule.allot is not None else None
    chooser = Chooser(problem, rule, queues, left)
    loads: list[Load] = []
    asleep: set[int] = set()
    while len(asleep) < len(problem.stations):
        station = min(
            (s for s in range(len(problem.stations)) if s not in asleep),
            key=lambda s: (timetable.at[s].hands_free, s),
        )
        now = timetable.at[station].hands_free
        queues.release(now)
        load = chooser.choose(station, timetable)
        if load is None:
            if queues.pending:
                timetable.at[station].hands_free = max(now, queues.pending[0][0])
            else:
                asleep.add(station)
            continue
        timed = timetable.put(load)
        queues.take(load[1], timed.boxed)
        if queues.pending:
            asleep.clear()
        loads.append(load)
    return loads


class Chooser:
    """Which plate a station takes next, and what is put on it."""

    def __init__(
        self, problem: Problem, rule: Rule, queues: Queues, left: dict[tuple[str, int, int], int] | None
    ) -> None:
        self.problem, self.rule, self.queues, self.left = problem, rule, queues, left
        self.usual_s = usual_s(problem)
        self._opened: dict[tuple[int, float], float] = {}

    def choose(self, station: int, timetable: Timetable) -> Load | None:
        best: tuple[Key, Load] | None = None
        urgent = self._head(station)
        if urgent is None:
            return None
        at = timetable.at[station]
        rank = self._rank(station, at.laser_free)
        if self.rule.lookahead is not None:
            self.queues.press(opened_by(self.problem, at.laser_free))
        for mount in self.problem.mounts_of[station]:
            free = min(timetable.copies[self.problem.mounts[mount].plate.plate].values())
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
        sorts = {sort for mount in self.problem.mounts_of[station] for sort in self.problem.on_mount[mount]}
        queues = [number for sort in sorts for number in self.queues.of(sort)]
        heads = [unit for number in queues if (unit := self.queues.head(number)) is not None]
        return min(heads, key=self.queues.rank.__getitem__, default=None)

    def _rank(self, station: int, now: float) -> Callable[[int], Key]:
        """Slack is counted in open seconds of the station: nights leave no time for anything."""
        if self.rule.lookahead is None:
            return self.queues.rank.__getitem__
        reach = self.rule.lookahead * self.usual_s
        problem, opened = self.problem, self.problem.openings[station].open_s(now)

        def cost(unit: int) -> Key:
            visit = problem.units[unit]
            job = problem.jobs[visit.job]
            slack = max(0.0, self._open_until(station, job.due) - opened - visit.seconds)
            return (_dear(visit, job) + slack / reach, unit)

        return cost

    def _open_until(self, station: int, due: float) -> float:
        opened = self._opened.get((station, due))
        if opened is None:
            opened = self._opened[station, due] = self.problem.openings[station].open_s(due)
        return opened

    def _score(
        self,
        mount: int,
        units: tuple[int, ...],
        urgent: int,
        rank: Callable[[int], Key],
        at: tuple[float, float, str | None],
    ) -> Key:
        hands_free, copy_free, plate = at
        stays = float(self.problem.mounts[mount].plate.plate == plate)
        waits = -max(0.0, copy_free - hands_free)
        if self.rule.lookahead is not None:
            station = self.problem.stations[self.problem.mounts[mount].station]
            spent = sum(self.problem.units[unit].seconds for unit in units)
            spent += 0.0 if stays or plate is None else station.plate_change_seconds
            worth = sum(math.exp(-rank(unit)[0]) * self.problem.units[unit].seconds for unit in units)
            return (worth / max(spent, 1e-9), stays, -mount)
        if self.left is not None:
            head = min(rank(unit) for unit in units)
            return (*(-part for part in head), len(units), stays, -mount)
        return (float(urgent in units), len(units), stays, waits, -mount)

    def _fill(self, mount: int, rank: Callable[[int], Key], *, keep: bool = True) -> tuple[int, ...]:
        """The fullest filling, over the head heights, that has the most urgent unit the mount takes."""
        quota = self._quota(mount) if keep else None
        best: tuple[int, ...] = ()
        for heights in self.problem.heights(mount):
            filled = self._fill_at(mount, heights, rank, quota)
            if filled and (not best or (rank(filled[0]), -len(filled)) < (rank(best[0]), -len(best))):
                best = filled
        return best

    def _fill_at(
        self, mount: int, heights: tuple[float, ...], rank: Callable[[int], Key], quota: Quota | None
    ) -> tuple[int, ...]:
        """Merge the queues by rank into the slots. What finds no room now finds none later in this load,
        because the seatable sets of a turn are independent sets of a matroid; so its queue is left alone."""
        problem, queues = self.problem, self.queues
        matching = SlotMatching(problem, mount, heights)
        chosen: list[int] = []
        budget = _Budget(problem, mount)
        most = len(problem.mounts[mount].plate.slots)
        left = None if quota is None else {sort: sum(by.values()) for sort, by in quota.items()}
        heap: list[tuple[Key, int, int]] = []
        for sort in problem.on_mount[mount]:
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
            sort = problem.units[unit].sort
            if not budget.allows(sort, problem.units[unit].seconds) or not matching.seat(unit, sort):
                continue
            budget.spend(sort, problem.units[unit].seconds)
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
        plate, queues = self.problem.mounts[mount].plate.plate, self.queues
        here = self.problem.on_mount[mount]
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
        plate = self.problem.mounts[load[0]].plate.plate
        quota = self._quota(load[0]) or {}
        counts = Counter(self.problem.units[unit].sort for unit in load[1])
        for sort in counts:
            for number, planned in quota.get(sort, {}).items():
                used = min(counts[sort], planned)
                self.left[plate, number, sort] -= used
                counts[sort] -= used


class _Budget:
    """Whether the load still burns within one open stretch with one more unit."""

    def __init__(self, problem: Problem, mount: int) -> None:
        self.problem, self.mount = problem, mount
        self.longest = problem.longest(mount)
        self.station = problem.stations[problem.mounts[mount].station]
        self.spent = self.station.plate_change_seconds
        self.processes: set[str] = set()

    def _more(self, sort: int, seconds: float) -> float:
        new = self.problem.process(self.mount, sort) not in self.processes
        turned = len(self.problem.sorts[sort].faces) - 1
        return seconds + turned * self.station.turn_seconds + new * self.station.process_change_seconds

    def allows(self, sort: int, seconds: float) -> bool:
        return self.longest == math.inf or self.spent + self._more(sort, seconds) <= self.longest

    def spend(self, sort: int, seconds: float) -> None:
        self.spent += self._more(sort, seconds)
        self.processes.add(self.problem.process(self.mount, sort))
