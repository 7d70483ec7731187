"""How far a plan is from the best possible at most: bounds that no plan can beat.

Loads, the larger of three: the fewest plates that offer enough slots, class by class, as an integer programme
without time, focus or differences between stations; the same with every load at one head height a turn, where
units need the head at different heights; the fewest open stretches that hold all the burning and turning
over.

Lateness: for every due time, what is due by then must share the open time until then; the excess, taken from
the cheapest units first and in parts, is late by at least a day.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from layout.loading.backlog import Bound, PlanJob
from layout.plan.search.problem import Problem
from layout.shop.hours import DAY_S

#: Programmes with more unknowns than this are solved without whole numbers; that is still a bound.
MOST_WHOLE = 6_000
#: Head heights of mounts looked at together.
MOST_WAYS = 40
#: Steps of branching, so that the answer does not depend on the clock.
MOST_NODES = 500
#: Due times looked at, the earliest first, and days by which each may be late.
MOST_DUES, MOST_DAYS = 60, 30
#: Shares of a stretch looked at, and what sums of shares may be off by.
MOST_SHARES, ROUNDING = 200, 1e-6


@dataclass(frozen=True, slots=True)
class Fewest:
    """The bound on loads; how many of each sort go to which class of slots of which plate; the classes'
    sizes.

    `allot` is empty when the programme gave only a bound.
    """

    loads: int
    allot: Mapping[tuple[str, int, int], int]
    classes: Mapping[str, tuple[int, ...]]


def bound_of(problem: Problem) -> tuple[Bound, Fewest]:
    """The bounds of a backlog, and how the fewest loads would share out its units."""
    fewest = fewest_loads(problem, Counter(unit.sort for unit in problem.units))
    hours = loads_by_hours(problem, [(unit.sort, unit.seconds) for unit in problem.units])
    jobs = [problem.jobs[unit.job] for unit in problem.units if unit.last]
    focus = loads_by_focus(problem, Counter(unit.sort for unit in problem.units))
    return Bound(least_lateness(problem, jobs), max(fewest.loads, hours, focus)), fewest


def loads_by_hours(problem: Problem, visits: Sequence[tuple[int, float]]) -> int:
    """Lower bound on loads for visits (sort, seconds of burning): no load may burn and be turned over longer
    than the longest open stretch of a station that takes it.

    The bound L2 of S. Martello and P. Toth ("Lower bounds and reduction procedures for the bin packing
    problem", Discrete Applied Mathematics 28, 1990; from memory): a visit longer than a whole stretch less
    some share needs a stretch that nothing of that share or more can join; one longer than half needs a
    stretch of its own; what is in between shares the rest.
    """
    stretches = {sort: _stretches(problem, sort) for sort, _ in visits}
    share = np.sort(
        [
            min(((seconds + turning) / longest for turning, longest in stretches[sort]), default=0.0)
            for sort, seconds in visits
        ]
    )
    if not len(share) or share[-1] == 0.0:
        return 0
    total = np.concatenate([[0.0], np.cumsum(share)])
    half = int(np.searchsorted(share, 0.5, side="right"))
    most = math.ceil(total[-1] - ROUNDING)
    for least in (0.0, *np.unique(share[:half])[:MOST_SHARES]):
        alone = int(np.searchsorted(share, 1.0 - least + ROUNDING, side="right"))
        small = int(np.searchsorted(share, least - ROUNDING, side="left"))
        free = (alone - half) - (total[alone] - total[half])
        rest = total[half] - total[small] - free
        most = max(most, len(share) - half + max(0, math.ceil(rest - ROUNDING)))
    return int(most)


def _stretches(problem: Problem, sort: int) -> set[tuple[float, float]]:
    """Where a sort may burn: seconds of turning it over, and the longest stretch in which a load may burn
    there."""
    over = len(problem.sorts[sort].faces) - 1
    return {
        (over * problem.stations[problem.mounts[mount].station].turn_seconds, problem.longest(mount))
        for mount in problem.sorts[sort].fits
    }


def loads_by_focus(problem: Problem, counts: Mapping[int, int]) -> int:
    """Lower bound on loads where one head height can't serve everything: every load of a mount has, turn by
    turn, one of the heights tried there (`Problem.heights`) and takes what is in focus then. 0 where one
    height serves all, or where there are too many heights to tell."""
    sorts = sorted(sort for sort, count in counts.items() if count)
    ways = [(mount.mount, heads) for mount in problem.mounts for heads in problem.heights(mount.mount)]
    if not sorts or len(ways) == len(problem.mounts) or len(ways) > MOST_WAYS:
        return 0
    programme = _Programme(len(ways))
    units: dict[int, dict[int, float]] = {sort: {} for sort in sorts}  # by sort, the unknowns that are units
    for way, (mount, heads) in enumerate(ways):
        here = [sort for sort in sorts if mount in problem.sorts[sort].fits]
        of_sort = {sort: programme.unknown() for sort in here}
        for sort, unknown in of_sort.items():
            units[sort][unknown] = 1.0
        for turn, head in enumerate(heads):
            turned = [sort for sort in here if turn < len(problem.sorts[sort].faces)]
            takes: dict[str, set[int]] = {}
            for sort in turned:
                for slot in problem.slots(mount, sort, turn, head):
                    takes.setdefault(slot, set()).add(sort)
            seated: dict[int, dict[int, float]] = {sort: {of_sort[sort]: -1.0} for sort in turned}
            for alike, size in Counter(frozenset(some) for some in takes.values()).items():
                row = {way: -float(size)}
                for sort in sorted(alike):
                    unknown = programme.unknown()
                    seated[sort][unknown] = row[unknown] = 1.0
                programme.rows.append((row, -np.inf, 0.0))
            programme.rows += [(row, 0.0, 0.0) for row in seated.values()]
    programme.rows += [(row, float(counts[sort]), float(counts[sort])) for sort, row in units.items()]
    return programme.least()


class _Programme:
    """An integer programme whose first unknowns count loads, of which there are to be few."""

    def __init__(self, loads: int) -> None:
        self.loads, self.unknowns = loads, loads
        self.rows: list[tuple[dict[int, float], float, float]] = []

    def unknown(self) -> int:
        self.unknowns += 1
        return self.unknowns - 1

    def least(self) -> int:
        """Lower bound on the loads; 0 when nothing was found out."""
        solution = _solved(self.rows, self.unknowns, self.loads)
        whole = self.unknowns <= MOST_WHOLE
        bound = solution.mip_dual_bound if whole and solution.mip_dual_bound is not None else solution.fun
        return 0 if bound is None or not math.isfinite(bound) else math.ceil(bound - 1e-6)


def _solved(rows: Sequence[tuple[dict[int, float], float, float]], unknowns: int, loads: int) -> Any:
    """The programme solved for as few loads (its first unknowns) as possible, in whole numbers where it is
    not too large."""
    from scipy.optimize import Bounds, LinearConstraint, milp  # here: it takes long to load, and few plan
    from scipy.sparse import coo_matrix

    at = [(r, c, v) for r, (row, _, _) in enumerate(rows) for c, v in row.items()]
    matrix = coo_matrix(
        ([v for *_, v in at], ([r for r, *_ in at], [c for _, c, _ in at])), (len(rows), unknowns)
    )
    cost = np.zeros(unknowns)
    cost[:loads] = 1.0
    return milp(
        cost,
        constraints=LinearConstraint(
            matrix.tocsr(), [low for _, low, _ in rows], [high for *_, high in rows]
        ),
        bounds=Bounds(0, np.inf),
        integrality=np.full(unknowns, int(unknowns <= MOST_WHOLE)),
        options={"node_limit": MOST_NODES},
    )


def fewest_loads(problem: Problem, counts: Mapping[int, int]) -> Fewest:
    """Lower bound on loads for the given units of each sort (`counts`)."""
    sorts = sorted(sort for sort, count in counts.items() if count)
    if not sorts:
        return Fewest(0, {}, {})
    plates = sorted({mount.plate.plate for mount in problem.mounts})
    turns = max(len(problem.sorts[s].faces) for s in sorts)
    classes = {
        (plate, turn): _classes(problem, plate, turn, sorts) for plate in plates for turn in range(turns)
    }
    return _solve(problem, counts, sorts, plates, classes)


def _classes(
    problem: Problem, plate: str, turn: int, sorts: Sequence[int]
) -> list[tuple[frozenset[int], int]]:
    """Slots of a plate that take the same sorts, and how many they are."""
    takes: dict[str, set[int]] = {}
    for mount in problem.mounts:
        if mount.plate.plate != plate:
            continue
        for sort in sorts:
            fits = problem.sorts[sort].fits.get(mount.mount)
            if fits is not None and turn < len(fits):
                for option in fits[turn]:
                    takes.setdefault(option.slot, set()).add(sort)
    classes: dict[frozenset[int], int] = {}
    for slot in sorted(takes):
        classes[frozenset(takes[slot])] = classes.get(frozenset(takes[slot]), 0) + 1
    return sorted(classes.items(), key=lambda item: (sorted(item[0]), item[1]))


def _solve(
    problem: Problem,
    counts: Mapping[int, int],
    sorts: Sequence[int],
    plates: Sequence[str],
    classes: Mapping[tuple[str, int], list[tuple[frozenset[int], int]]],
) -> Fewest:
    loads_of = {plate: number for number, plate in enumerate(plates)}
    parts: dict[tuple[str, int, int, int], int] = {}  # plate, turn, class, sort
    for (plate, turn), groups in classes.items():
        for number, (takes, _) in enumerate(groups):
            for sort in sorted(takes):
                parts[plate, turn, number, sort] = len(plates) + len(parts)
    rows: list[tuple[dict[int, float], float, float]] = []
    for sort in sorts:
        for turn in range(len(problem.sorts[sort].faces)):
            mine = [at for (_, t, _, s), at in parts.items() if s == sort and t == turn]
            rows.append((dict.fromkeys(mine, 1.0), float(counts[sort]), float(counts[sort])))
            if turn > 0:  # a unit is turned over on the plate on which it was
                for plate in plates:
                    row = {at: 1.0 for (p, t, _, s), at in parts.items() if (p, t, s) == (plate, turn, sort)}
                    row |= {at: -1.0 for (p, t, _, s), at in parts.items() if (p, t, s) == (plate, 0, sort)}
                    rows.append((row, 0.0, 0.0))
    for (plate, turn), groups in classes.items():
        for number, (takes, size) in enumerate(groups):
            row = {parts[plate, turn, number, sort]: 1.0 for sort in takes}
            row[loads_of[plate]] = -float(size)
            rows.append((row, -np.inf, 0.0))
    unknowns = len(plates) + len(parts)
    whole = unknowns <= MOST_WHOLE
    solution = _solved(rows, unknowns, len(plates))
    sizes = {plate: tuple(size for _, size in classes[plate, 0]) for plate in plates}
    bound = solution.mip_dual_bound if whole and solution.mip_dual_bound is not None else solution.fun
    least = max(1, math.ceil((bound if bound is not None else 1.0) - 1e-6))
    if solution.x is None or not whole:
        return Fewest(least, {}, sizes)
    allot = {
        (plate, number, sort): round(solution.x[column])
        for (plate, turn, number, sort), column in parts.items()
        if turn == 0 and round(solution.x[column]) > 0
    }
    return Fewest(least, allot, sizes)


def least_lateness(problem: Problem, jobs: Sequence[PlanJob]) -> int:
    """Lower bound on the weighted lateness (working days) of every plan of these jobs."""
    turning = {id(job.kind): _turning(problem, job) for job in jobs}
    spent = np.array([job.seconds * len(job.kind.faces) + turning[id(job.kind)] for job in jobs])
    due = np.array([job.due for job in jobs])
    weight = np.array([float(job.weight) for job in jobs])
    cheapest = np.argsort(weight / np.maximum(spent, 1e-9), kind="stable")
    most = 0.0
    for latest in np.unique(due)[:MOST_DUES]:
        mine = cheapest[due[cheapest] <= latest]
        excess = _excess(problem, float(latest), spent[mine], weight[mine])
        most = max(most, excess)
    return math.ceil(most - 1e-6)


def _turning(problem: Problem, job: PlanJob) -> float:
    """The least laser time (seconds) that turning a job over takes."""
    return sum(min(turning for turning, _ in _stretches(problem, sort)) for sort in problem.visits(job.kind))


def _excess(problem: Problem, latest: float, spent: np.ndarray, weight: np.ndarray) -> float:
    """Lower bound on the lateness of the units due by `latest`: their excess work, day after day."""
    total, needed = 0.0, float(spent.sum())
    for late in range(MOST_DAYS):
        until = latest if late == 0 else _end_of(problem, latest, late)
        room = sum(
            max(0.0, opening.open_s(until) - opening.open_s(max(problem.backlog.now, station.free_at)))
            for opening, station in zip(problem.openings, problem.stations, strict=True)
            if until > max(problem.backlog.now, station.free_at)
        )
        over = needed - room
        if over <= 1e-9:
            break
        through = np.cumsum(spent)
        whole = int(np.searchsorted(through, over, side="right"))
        total += float(weight[:whole].sum())
        if whole < len(spent):
            before = float(through[whole - 1]) if whole else 0.0
            total += float(weight[whole]) * (over - before) / float(spent[whole])
    return total


def _end_of(problem: Problem, due: float, late: int) -> float:
    """The end of the last day on which something due then is no more than `late` working days late."""
    day = int(due // DAY_S)
    goal = problem.days.count(day) + late
    while problem.days.count(day + 1) <= goal:
        day += 1
    return (day + 1) * DAY_S
