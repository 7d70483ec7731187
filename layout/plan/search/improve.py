"""Improving a plan by small changes, so many times and no more: the same backlog gives the same plan.

What is judged (whole days, numbers of loads) shows no small progress. The first search therefore looks at
hours late too, and trades lateness, loads and changes for one another; the second, from the best plan of the
first, weighs them as they are judged.
"""

from __future__ import annotations

from collections.abc import Sequence
from statistics import fmean

import numpy as np

from layout.loading.backlog import Backlog, Bound, Kind, PlanJob, PlanPlate, PlanStation
from layout.loading.values import Option
from layout.plan.search import threshold_accepting
from layout.plan.search.arrays import Arrays, arrays_of
from layout.plan.search.problem import Load, Problem
from layout.plan.search.timing import score_of, time_all
from layout.shop.hours import DAY_S

#: The share of the rounds that the search for dates gets, and how many the other gets at most.
DATES, MOST_JUDGED = 0.8, 100_000
#: What the search for dates counts beside days late, in days late of a usual job: a day's seconds late, a
#: load (more where all is in time, for loads are what is left to gain), a change, an order split, a bin
#: walked past.
A_DAY, A_LOAD, A_LOAD_IN_TIME, A_CHANGE, A_SPLIT, A_BIN = 0.1, 0.05, 0.5, 0.005, 5e-4, 1e-6
#: By how much a plan may get worse in the first round, in the same measure.
THRESHOLD = 0.5
#: The second search: each part outweighs all there can be of the next. It may lose some changes at first.
JUDGED = (1e9, 0.0, 1e6, 1e3, 1.0, 1e-3)
CHANGES_LOST = 2


def improve(
    problem: Problem, loads: Sequence[Load], bound: Bound, *, rounds: int, seed: int = 1
) -> list[Load]:
    """The best of about `rounds` changed plans and the one given. What the bound says can't be had any more
    is not searched for."""
    timetable, timed = time_all(problem, loads)
    arrays = arrays_of(problem, max(one.ends for one in timed))
    best = list(loads)
    if arrays is None:
        return best
    dice = np.array([seed], dtype=np.uint64)
    score = score_of(problem, loads, timed, timetable.ends)
    if score.lateness > bound.lateness or score.loads > bound.loads:
        usual = fmean(job.weight for job in problem.jobs)
        load = A_LOAD if score.lateness > bound.lateness else A_LOAD_IN_TIME
        dates = (1.0 / usual, A_DAY / DAY_S / usual, load, A_CHANGE, A_SPLIT, A_BIN)
        spent = int(DATES * rounds)
        best = _search(arrays, best, dates, THRESHOLD, spent, dice)
        rounds -= spent
    lost = CHANGES_LOST * JUDGED[threshold_accepting.CHANGES]
    return _search(arrays, best, JUDGED, lost, min(rounds, MOST_JUDGED), dice)


def prepare() -> None:
    """Make the machine code of the search, or fetch it from where it is kept: seconds that no plan should
    have to wait for."""
    kind = Kind("", "", ("",), {"": (Option("", "", "", "", 0.0, 0.0),)})
    job = PlanJob("", "", kind, due=0.0, seconds=1.0)
    plate = PlanPlate("", ("",), {"": 0.0})
    problem = Problem(Backlog(0.0, (job,), (PlanStation("", ("",)),), (plate,)))
    improve(problem, [(0, (0,))], Bound(0, 0), rounds=1)


def _search(
    arrays: Arrays,
    loads: list[Load],
    weights: Sequence[float],
    threshold: float,
    rounds: int,
    dice: threshold_accepting.Dice,
) -> list[Load]:
    """The best plan met, as plans are judged."""
    draft, best = draft_of(arrays, loads), draft_of(arrays, ())
    count = threshold_accepting.improve_draft(
        arrays, draft, len(loads), np.array(weights, dtype=np.float64), threshold, rounds, dice, best
    )
    return loads if count < 0 else loads_in(best, count)


def draft_of(arrays: Arrays, loads: Sequence[Load]) -> threshold_accepting.Draft:
    """The loads and the state at the start, with room for as many loads as there are units, and one more."""
    units, station = len(arrays.unit), arrays.station
    most, slots = units + 1, int(arrays.mount["slots"].max())
    draft = threshold_accepting.Draft(
        load=np.zeros(most + threshold_accepting.SAVED, dtype=threshold_accepting.LOAD),
        units=np.zeros((most + threshold_accepting.SAVED, slots + 1), dtype=np.int64),
        order=np.arange(most),
        tried=np.arange(most),
        load_of=np.zeros(units, dtype=np.int64),
        at=np.zeros((most + 2, len(station)), dtype=threshold_accepting.AT),
        copies=np.zeros((most + 2, len(arrays.copies))),
        costs=np.zeros((most + 2, 3)),
    )
    draft.copies[0] = arrays.copies
    at = draft.at[0]
    at["hands"], at["laser"] = station["hands_free"], station["laser_free"]
    at["plate"], at["process"] = station["plate_on"], station["process_on"]
    for number, (mount, some) in enumerate(loads):
        draft.load[number]["mount"], draft.load[number]["size"] = mount, len(some)
        draft.units[number, : len(some)] = some
    return draft


def loads_in(draft: threshold_accepting.Draft, count: int) -> list[Load]:
    """The draft's loads in order of time, so many."""
    rows = [(draft.load[number], draft.units[number]) for number in draft.order[:count]]
    return [(int(load["mount"]), tuple(units[: load["size"]].tolist())) for load, units in rows]
