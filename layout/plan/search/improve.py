"""Improving a plan by very many small changes, limited by a count: the same backlog gives the same plan.

What is judged first (whole days, numbers of loads) shows no small progress. So the search for dates also
looks at hours late, and trades lateness, loads and the weighted sum for one another; the search for the
weighted sum leaves lateness and loads as good as they are.
"""

from __future__ import annotations

from collections.abc import Sequence
from statistics import fmean

import numpy as np

from layout.loading.backlog import Backlog, Bound, Kind, PlanJob, PlanPlate, PlanStation, Score
from layout.loading.values import Option
from layout.plan.machine_code import MachineCode
from layout.plan.search import threshold_accepting
from layout.plan.search.arrays import Arrays, Floats, arrays_of
from layout.plan.search.compiled import code_of
from layout.plan.search.problem import Load, Problem
from layout.plan.search.timing import score_of, time_all
from layout.shop.hours import DAY_S
from layout.shop.plan_weights import ScoreWeights

#: What the search for dates counts beside days late, in days late of a usual job: a day's seconds late, a
#: load (more where all is in time, for loads are what is left to gain), a change, and one of what else is in
#: the score's weighted sum and doesn't depend on times. What does (units that wait) pulls loads apart.
A_DAY, A_LOAD, A_LOAD_IN_TIME, A_CHANGE, A_SUM = 0.1, 0.05, 0.5, 0.005, 1 / 600
#: How much worse a plan may get at first, in the same measure.
THRESHOLD = 0.5
#: In the search for the weighted sum a load outweighs the largest possible sum, and a day late all loads; and
#: how much worse the sum may get at first.
A_DAY_JUDGED, A_LOAD_JUDGED, LOST = 1e8, 1e4, 0.3
#: No part of the weighted sum may be worse than in a given plan by more than this share.
NO_PART_WORSE = 0.05


def improve_dates(
    problem: Problem, loads: Sequence[Load], bound: Bound, *, tries: int, seed: int = 1
) -> list[Load]:
    """The best of `tries` changed plans and the one given: less late, or with fewer loads."""
    arrays, score = _arrays_and_score(problem, loads)
    if arrays is None:
        return list(loads)
    usual = fmean(job.weight for job in problem.jobs)
    judged = judged_by(problem.backlog.weights)
    dates = A_SUM * judged
    dates[threshold_accepting.CHANGES] = A_CHANGE * judged[threshold_accepting.CHANGES]
    dates[threshold_accepting.WAITING] = dates[threshold_accepting.NEAR_CUTOFF] = 0.0
    dates[threshold_accepting.LATENESS] = 1.0 / usual
    dates[threshold_accepting.LATE_S] = A_DAY / DAY_S / usual
    dates[threshold_accepting.LOADS] = A_LOAD if score.lateness > bound.lateness else A_LOAD_IN_TIME
    kinds = threshold_accepting.FOR_DATES
    return _search(arrays, loads, dates, judged, THRESHOLD, (tries, tries, 0, kinds), seed)


def improve_sum(
    problem: Problem,
    loads: Sequence[Load],
    *,
    tries: int,
    without_gain: int,
    like: Score | None = None,
    seed: int = 1,
) -> list[Load]:
    """The best of `tries` changed plans and the one given, neither later nor with more loads; the search ends
    when the last `without_gain` brought nothing. If a plan `like` is given, no part of the weighted sum gets
    worse than its part by more than `NO_PART_WORSE`: what people see at a glance is not traded for what they
    don't see."""
    arrays, _ = _arrays_and_score(problem, loads)
    if arrays is None:
        return list(loads)
    judged = judged_by(problem.backlog.weights)
    weighed = judged.copy()
    weighed[threshold_accepting.LATENESS] = A_DAY_JUDGED
    weighed[threshold_accepting.LOADS] = A_LOAD_JUDGED
    most = np.full(threshold_accepting.PARTS, np.inf)
    if like is not None:
        orders = len({problem.order_of[unit.job] for unit in problem.units})
        share = 1.0 + NO_PART_WORSE
        most[threshold_accepting.CHANGES] = share * like.changes
        most[threshold_accepting.WAITING] = share * like.waiting
        most[threshold_accepting.NEAR_CUTOFF] = share * like.near_cutoff
        most[threshold_accepting.SPLIT] = orders + share * like.split
        most[threshold_accepting.WALKING] = share * like.walking
        most[threshold_accepting.TURNED] = share * like.turned
    kinds = threshold_accepting.FOR_ALL
    return _search(arrays, loads, weighed, judged, LOST, (tries, without_gain, 0, kinds), seed, most)


def _arrays_and_score(problem: Problem, loads: Sequence[Load]) -> tuple[Arrays | None, Score]:
    timetable, timed = time_all(problem, loads)
    arrays = arrays_of(problem, max(load.boxed for load in timed))
    return arrays, score_of(problem, loads, timed, timetable.ends)


def judged_by(weights: ScoreWeights) -> Floats:
    """The weight of each part in the score's weighted sum."""
    judged = np.zeros(threshold_accepting.PARTS)
    judged[threshold_accepting.CHANGES] = weights.changes
    judged[threshold_accepting.WAITING] = weights.waiting
    judged[threshold_accepting.NEAR_CUTOFF] = weights.near_cutoff
    judged[threshold_accepting.SPLIT] = weights.split
    judged[threshold_accepting.WALKING] = weights.walking
    judged[threshold_accepting.TURNED] = weights.turned
    return judged


def prepare() -> MachineCode:
    """Compile the search, or fetch it from where it is kept: seconds that no plan should have to wait for."""
    kind = Kind("", "", ("",), {"": (Option("", "", "", "", 0.0, 0.0),)})
    job = PlanJob("", "", kind, due=0.0, seconds=1.0)
    plate = PlanPlate("", ("",), {"": 0.0})
    problem = Problem(Backlog(0.0, (job,), (PlanStation("", ("",)),), (plate,)))
    improve_sum(problem, [(0, (0,))], tries=1, without_gain=1)
    return code_of(threshold_accepting.improve_draft)


def _search(
    arrays: Arrays,
    loads: Sequence[Load],
    weights: Floats,
    judged: Floats,
    threshold: float,
    tries: tuple[int, int, int, int],
    seed: int,
    most: Floats | None = None,
) -> list[Load]:
    """The best plan met, by the plan's own score; `tries` as `threshold_accepting.improve_draft` takes
    them."""
    draft, best = draft_of(arrays, loads), draft_of(arrays, ())
    if most is None:
        most = np.full(threshold_accepting.PARTS, np.inf)
    dice, counts = np.array([seed], dtype=np.uint64), np.array(tries)
    count = threshold_accepting.improve_draft(
        arrays, draft, len(loads), weights, judged, most, threshold, counts, dice, best
    )
    return list(loads) if count < 0 else loads_in(best, count)


def draft_of(arrays: Arrays, loads: Sequence[Load]) -> threshold_accepting.Draft:
    """The loads and the state at the start, with room for as many loads as there are units and one more."""
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
        costs=np.zeros((most + 2, threshold_accepting.TIMED_PARTS)),
    )
    draft.copies[0] = arrays.copies
    at = draft.at[0]
    at["hands"], at["laser"] = station["hands_free"], station["laser_free"]
    at["plate"], at["process"] = station["plate_on"], station["process_on"]
    at["finished"], at["finishing"] = station["finished"], station["finishing"]
    for number, (mount, some) in enumerate(loads):
        draft.load[number]["mount"], draft.load[number]["size"] = mount, len(some)
        draft.units[number, : len(some)] = some
    return draft


def loads_in(draft: threshold_accepting.Draft, count: int) -> list[Load]:
    """The draft's first `count` loads, in order of time."""
    rows = [(draft.load[number], draft.units[number]) for number in draft.order[:count]]
    return [(int(load["mount"]), tuple(units[: load["size"]].tolist())) for load, units in rows]
