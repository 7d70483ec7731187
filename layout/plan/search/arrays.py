"""The planning problem as arrays, for the compiled search: what it keeps asking of
`layout.plan.search.problem` and `layout.plan.search.timing`, worked out beforehand.

Units, sorts, mounts and stations have the problem's numbers; plates, copies and processes are numbered in the
order of their names. Times are seconds, as everywhere in a plan. There are few arrays, most of them of
records, because every compiled function unpacks all of them.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from layout.loading.backlog import PlanStation, waiting_rate
from layout.plan.search.problem import Problem
from layout.plan.search.timing import Timetable
from layout.shop.hours import DAY_S, laid_out, laid_out_hands

Ints = np.ndarray[tuple[int, ...], np.dtype[np.int64]]
Floats = np.ndarray[tuple[int, ...], np.dtype[np.float64]]
Records = np.ndarray[tuple[int, ...], np.dtype[np.void]]
Bools = np.ndarray[tuple[int, ...], np.dtype[np.bool_]]

NONE = -1
#: Processes are bits of one number.
MOST_PROCESSES = 62
#: The open spans reach so much further than a plan twice as long as the one given.
BEYOND_S = 28 * DAY_S
#: When a station that never shuts opens and shuts.
_NEVER = 1e15


#: A unit: `due` is infinite, and `rate` (by which the score's `waiting` grows each second) 0, for a visit
#: that others follow; `due_day` are working days up to it; `after` is the visit before it, `bin` the turn of
#: its box, or NONE.
UNIT = np.dtype(
    [
        ("sort", "i8"), ("seconds", "f8"), ("due", "f8"), ("due_day", "i8"), ("wanted_by", "f8"),
        ("weight", "i8"), ("rate", "f8"), ("after", "i8"), ("order", "i8"), ("bin", "i8"),
    ]
)  # fmt: skip  # fields that belong together stand on one line
#: A mount: station, plate, how many slots, the stretch in which a load may burn, how many head heights are to
#: be tried.
MOUNT = np.dtype([("station", "i8"), ("plate", "i8"), ("slots", "i8"), ("longest", "f8"), ("heights", "i8")])
#: A station: seconds to seat a unit, to turn it over, to change the plate and the process, to look at a
#: burned unit, to get it ready in all; its spans and those of its hands, each from one to before another; how
#: it stands at the start, plate and process by number or NONE.
STATION = np.dtype(
    [
        ("load_s", "f8"), ("turn_s", "f8"), ("plate_s", "f8"), ("process_s", "f8"),
        ("look_s", "f8"), ("after_burn_s", "f8"),
        ("spans_from", "i8"), ("spans_to", "i8"), ("hands_from", "i8"), ("hands_to", "i8"),
        ("hands_free", "f8"), ("laser_free", "f8"), ("plate_on", "i8"), ("process_on", "i8"),
        ("finished", "f8"), ("finishing", "f8"),
    ]
)  # fmt: skip  # fields that belong together stand on one line
#: A span with the people who work in it; for the laser's own hours one.
SPAN = np.dtype([("begins", "f8"), ("ends", "f8"), ("people", "f8")])


class Arrays(NamedTuple):
    """The planning problem as arrays: records of the types above, and tables by sort and mount."""

    unit: Records
    mount: Records
    station: Records
    span: Records
    turned: Ints  # (sorts,) times that a unit is turned over
    mounts_from: Ints  # (sorts + 1,) places of each sort's mounts in the next
    mounts: Ints
    process: Ints  # (mounts, sorts) or NONE where the mount does not take the sort
    takes: Bools  # (mounts, heights, turns, sorts, slots)
    anywhere: Bools  # (mounts, heights, turns, sorts), whether every slot takes them
    copies_from: Ints  # (plates + 1,) places of each plate's copies in the next
    copies: Floats  # when each is free at the start
    working: Ints  # (days,) working days up to and including each day
    of_sort_from: Ints  # (sorts + 1,) places of each sort's units in the next
    of_sort: Ints
    of_order_from: Ints  # (orders + 1,) places of each order's units in the next
    of_order: Ints
    start: Floats  # (2,) the moment of the plan; seconds before a ship-by time that count as near it


def arrays_of(problem: Problem, latest: float) -> Arrays | None:
    """The problem as arrays, for plans that end about `latest`; None when the shop has more processes than
    can be told apart."""
    timetable = Timetable(problem)
    plates = sorted(timetable.copies)
    named = {problem.process(mount, sort.sort) for sort in problem.sorts for mount in sort.fits}
    processes = sorted(named | {at.process for at in timetable.at if at.process is not None})
    if len(processes) > MOST_PROCESSES:
        return None
    process_of = {None: NONE} | {name: number for number, name in enumerate(processes)}
    # The plate that is on may be one of which no copy is there any more.
    on = {at.plate for at in timetable.at if at.plate is not None} - {*plates}
    plate_of = {None: NONE} | {name: number for number, name in enumerate([*plates, *sorted(on)])}
    days, until = problem.days, latest + (latest - problem.backlog.now) + BEYOND_S
    spans = [_spans(station, until) for station in problem.stations]
    at_work = [_hand_spans(station, until) for station in problem.stations]
    first = _offsets([len(some) for some in (*spans, *at_work)])
    count = len(spans)
    heights, takes = _takes(problem)
    jobs = [problem.jobs[unit.job] for unit in problem.units]
    now = problem.backlog.now
    of_sort = _grouped([unit.sort for unit in problem.units], len(problem.sorts))
    of_order = _grouped([problem.order_of[unit.job] for unit in problem.units], max(problem.order_of) + 1)
    process = np.full((len(problem.mounts), len(problem.sorts)), NONE)
    for sort in problem.sorts:
        for mount in sort.fits:
            process[mount, sort.sort] = process_of[problem.process(mount, sort.sort)]
    return Arrays(
        unit=np.array(
            [
                (
                    unit.sort, unit.seconds, job.due if unit.last else np.inf,
                    days.count(int(job.due // DAY_S)), job.wanted_by if unit.last else np.inf, job.weight,
                    waiting_rate(job, now) if unit.last else 0.0, NONE if unit.after is None else unit.after,
                    problem.order_of[unit.job], NONE if job.bin is None else job.bin,
                )
                for unit, job in zip(problem.units, jobs, strict=True)
            ],
            dtype=UNIT,
        ),
        mount=np.array(
            [
                (m.station, plate_of[m.plate.plate], problem.size(m.mount), problem.longest(m.mount), tried)
                for m, tried in zip(problem.mounts, heights, strict=True)
            ],
            dtype=MOUNT,
        ),
        station=np.array(
            [
                (
                    it.load_seconds, it.turn_seconds, it.plate_change_seconds, it.process_change_seconds,
                    it.look_seconds, it.after_burn_s, first[n], first[n + 1],
                    # Without people of its own a station's hands are there whenever it is open.
                    *((first[count + n], first[count + n + 1]) if at_work[n] else (first[n], first[n + 1])),
                    at.hands_free, at.laser_free, plate_of[at.plate], process_of[at.process],
                    at.finished, at.finishing_s,
                )
                for n, (it, at) in enumerate(zip(problem.stations, timetable.at, strict=True))
            ],
            dtype=STATION,
        ),
        span=np.array([span for some in (*spans, *at_work) for span in some], dtype=SPAN),
        turned=_ints([len(sort.faces) - 1 for sort in problem.sorts]),
        mounts_from=_offsets([len(sort.fits) for sort in problem.sorts]),
        mounts=_ints([mount for sort in problem.sorts for mount in sorted(sort.fits)]),
        process=process,
        takes=takes,
        anywhere=np.stack(
            [takes[m.mount, ..., : problem.size(m.mount)].all(axis=-1) for m in problem.mounts]
        ),
        copies_from=_offsets([len(timetable.copies[plate]) for plate in plates]),
        copies=np.array(
            [free for plate in plates for free in timetable.copies[plate].values()], dtype=np.float64
        ),
        working=_ints([days.count(day) for day in range(int(until // DAY_S) + 9)]),
        of_sort_from=of_sort[0], of_sort=of_sort[1],
        of_order_from=of_order[0], of_order=of_order[1],
        start=np.array([now, problem.backlog.weights.cutoff_s]),
    )  # fmt: skip  # fields that belong together stand on one line


def _spans(station: PlanStation, until: float) -> list[tuple[float, float, float]]:
    """The open spans of a station up to `until` at least."""
    opening = laid_out(station.hours)
    if opening.always:
        return [(-_NEVER, _NEVER, 1.0)]
    opening.open_s(until)  # lays them out
    return [(begin, end, 1.0) for begin, end in zip(opening.begins, opening.ends, strict=True)]


def _hand_spans(station: PlanStation, until: float) -> list[tuple[float, float, float]]:
    """When its people work, up to `until` at least; empty where it has no people of its own."""
    if station.hands is None:
        return []
    at_work = laid_out_hands(station.hands)
    at_work.reach(until)
    return list(zip(at_work.begins, at_work.ends, at_work.people, strict=True))


def _takes(problem: Problem) -> tuple[list[int], Bools]:
    """How many head heights each mount is tried with, and which slots take which sorts at each."""
    heights = [problem.heights(mount.mount) for mount in problem.mounts]
    turns = max((len(heads) for tries in heights for heads in tries), default=0)
    most = max((problem.size(mount.mount) for mount in problem.mounts), default=0)
    shape = len(heights), max(map(len, heights), default=0), turns, len(problem.sorts), most
    takes = np.zeros(shape, dtype=np.bool_)
    for mount, tries in enumerate(heights):
        slots = problem.mounts[mount].plate.slots
        for number, heads in enumerate(tries):
            for sort in problem.on_mount[mount]:
                for turn in range(len(problem.sorts[sort].faces)):
                    for slot in problem.slots(mount, sort, turn, heads[turn]):
                        takes[mount, number, turn, sort, slots.index(slot)] = True
    return [len(tries) for tries in heights], takes


def _grouped(groups: Sequence[int], count: int) -> tuple[Ints, Ints]:
    """Items by group: where each of `count` groups begins in the second array, and the items' numbers."""
    counts = np.bincount(_ints(groups), minlength=count)
    return _offsets(counts.tolist()), np.argsort(_ints(groups), kind="stable")


def _offsets(counts: Sequence[int]) -> Ints:
    return np.concatenate([_ints([0]), np.cumsum(_ints(counts))])


def _ints(values: Sequence[int]) -> Ints:
    return np.array(values, dtype=np.int64)
