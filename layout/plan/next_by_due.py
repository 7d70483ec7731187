"""The next load of one station by the planner's rule of earliest due dates: for whoever decides load by load
while the world goes on, as the simulation of a shop does."""

from __future__ import annotations

from dataclasses import dataclass

from layout.loading.backlog import Backlog
from layout.plan.search.problem import Problem
from layout.plan.search.rules import Chooser, Rule, queues_of
from layout.plan.search.timing import Timetable

RULE = Rule("earliest due date")


@dataclass(frozen=True, slots=True)
class NextLoad:
    """A load that a station would take now.

    `visits` are its jobs with the faces engraved in it. `seconds` is its burning, including turning over and
    changes of plate and process; `filled` units are seated for it. `process` is what the station ends with.
    """

    plate: str
    visits: tuple[tuple[str, tuple[str, ...]], ...]
    seconds: float
    filled: int
    process: str | None


def next_load(backlog: Backlog, station: str) -> NextLoad | None:
    """What the station takes next from what waits; None when it can take nothing. Lots are ignored.

    Raises KeyError for a station that is not in the backlog.
    """
    names = sorted(each.station for each in backlog.stations)
    numbers = {name: number for number, name in enumerate(names)}
    problem, here = Problem(backlog), numbers[station]
    if not problem.units:
        return None
    timetable = Timetable(problem)
    load = Chooser(problem, RULE, queues_of(problem, RULE), None).choose(here, timetable)
    if load is None:
        return None
    timed = timetable.put(load)
    units = [problem.units[unit] for unit in load[1]]
    return NextLoad(
        plate=problem.mounts[load[0]].plate.plate,
        visits=tuple((problem.jobs[unit.job].job, problem.sorts[unit.sort].faces) for unit in units),
        seconds=timed.ends - timed.begins,
        filled=len(units),
        process=timetable.at[here].process,
    )
