"""A plan put together load by load, with its cost so far. Nothing changes in place, so many plans can share a
beginning."""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

from layout.plan.search.problem import Load, Problem, Work
from layout.plan.search.timing import StationState, Timetable, schedule_next
from layout.shop.hours import DAY_S


class PartialSchedule(NamedTuple):
    """State between two loads: when each station and plate copy (first free first) is free, which visits that
    others must follow have ended, weighted days late and changes so far."""

    at: tuple[StationState, ...]
    copies: tuple[tuple[tuple[float, str], ...], ...]
    ends: Mapping[int, float]
    lateness: int
    changes: int


class _Known(NamedTuple):
    """What stays the same about a load wherever it is put."""

    work: Work
    plate: int
    station: int
    after: tuple[int, ...]
    followed: tuple[int, ...]
    dues: tuple[tuple[float, int, int], ...]  # due, weight, working days up to it; the earliest first


class Scheduler:
    """Adds loads to partial schedules, timed as `layout.plan.search.timing.Timetable` does."""

    def __init__(self, problem: Problem) -> None:
        self.problem = problem
        timetable = Timetable(problem)
        plates = sorted(timetable.copies)
        self.start = PartialSchedule(
            tuple(timetable.at),
            tuple(
                tuple(sorted((free, copy) for copy, free in timetable.copies[plate].items()))
                for plate in plates
            ),
            {},
            0,
            0,
        )
        self._plate_of = [plates.index(mount.plate.plate) for mount in problem.mounts]
        self._followed = {unit.after for unit in problem.units if unit.after is not None}
        self._known: dict[Load, _Known] = {}

    def _ask(self, load: Load) -> _Known:
        asks = self._known.get(load)
        if asks is None:
            problem = self.problem
            mine = [problem.units[unit] for unit in load[1]]
            done = [problem.jobs[unit.job] for unit in mine if unit.last]
            asks = _Known(
                problem.work(load),
                self._plate_of[load[0]],
                problem.mounts[load[0]].station,
                tuple(unit.after for unit in mine if unit.after is not None),
                tuple(unit.unit for unit in mine if unit.unit in self._followed),
                tuple(sorted((j.due, j.weight, problem.days.count(int(j.due // DAY_S))) for j in done)),
            )
            self._known[load] = asks
        return asks

    def put(self, schedule: PartialSchedule, load: Load) -> PartialSchedule:
        """The schedule with one more load.

        Raises KeyError when an earlier visit of a unit is in no load before, ValueError when no open stretch
        is long enough.
        """
        work, plate, station, after, followed, dues = self._ask(load)
        copies = schedule.copies[plate]
        ready, copy = copies[0]
        if after:
            ready = max(ready, *(schedule.ends[unit] for unit in after))
        timed, at = schedule_next(self.problem, work, schedule.at[station], copy, ready)
        end = timed.boxed
        ends = schedule.ends
        if followed:
            ends = {**ends, **dict.fromkeys(followed, end)}
        lateness = schedule.lateness
        if dues and dues[0][0] < end:
            today = self.problem.days.count(int(end // DAY_S))
            for due, weight, day in dues:
                if due >= end:
                    break
                lateness += weight * max(1, today - day)
        copies = tuple(sorted((*copies[1:], (at.emptied, copy))))
        return PartialSchedule(
            (*schedule.at[:station], at, *schedule.at[station + 1 :]),
            (*schedule.copies[:plate], copies, *schedule.copies[plate + 1 :]),
            ends,
            lateness,
            schedule.changes + timed.changes,
        )
