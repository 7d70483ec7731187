"""From the rules' plans to the best one: for a handful of units every way is tried; for more, the best rules'
plans are improved; for very many, the best rule's plan stands."""

from __future__ import annotations

import math
from collections.abc import Sequence

from layout.loading.backlog import Bound, Score
from layout.plan.search.bins import WASTED, fullest
from layout.plan.search.bound import Fewest
from layout.plan.search.exact import shared_out
from layout.plan.search.partial_schedule import Scheduler
from layout.plan.search.problem import Load, Problem
from layout.plan.search.rules import Rule, build
from layout.plan.search.timing import score_of, time_all

#: Changes tried from each of the best rules' plans (`STARTS` of them), then from the best result, `AGAIN`
#: times.
ROUNDS, STARTS, AGAIN = 320_000, 2, 1
#: A change of a longer plan takes longer: beyond `ALL_ROUNDS` units fewer are tried, in proportion; beyond
#: `MOST_IMPROVED` none.
ALL_ROUNDS, MOST_IMPROVED = 100, 10_000
#: Up to this many units every way is looked at, in this many steps, after this many changes.
HANDFUL, HANDFUL_STEPS, HANDFUL_ROUNDS = 10, 80_000, 1_500
#: Added to the name of a rule whose plan was improved.
IMPROVED = ", improved"
#: How far ahead, in usual burns, the apparent tardiness cost looks; where very many units wait and all can
#: be in time, only the last is tried.
LOOKAHEADS = (1.0, 2.0, 4.0, 16.0)
#: Units due within so many days are grouped together by plate, process and sides; `SORTED` groups everything,
#: as people sort a list.
GROUPED_DAYS = 7.0
SORTED = "grouped, all days"
#: Changes tried for the weighted sum, and how many in a row without a gain end it, up to `JUDGED_ALL` units;
#: fewer for more units, in proportion.
MOST_JUDGED, WITHOUT_GAIN, JUDGED_ALL = 150_000, 30_000, 600
#: Some rules are tried only on backlogs up to this size.
FEW = 3_000


def best_plan(problem: Problem, fewest: Fewest, bound: Bound, rounds: int = ROUNDS) -> tuple[str, list[Load]]:
    """The best plan, and the name of the rule it came from."""
    built = _built(problem, fewest, bound)
    tried = [(score(problem, loads), name, loads) for name, loads in built]
    if len(problem.units) > FEW and min(candidate[0] for candidate in tried)[1].lateness:
        tried += [
            (score(problem, loads), name, loads) for name, loads in _looking_ahead(problem, LOOKAHEADS[:-1])
        ]
    tried.sort(key=lambda candidate: candidate[:2])
    (_, best), name, loads = tried[0]
    if not loads or not rounds or _is_least(best, bound):
        return name, loads
    if not _is_at(best, bound) and len(problem.units) <= MOST_IMPROVED:
        name, loads = _fewer_days_and_loads(problem, tried, bound, rounds)
        best = score(problem, loads)[1]
    return _lighter(problem, tried, best, (name, loads), rounds)


def _fewer_days_and_loads(
    problem: Problem, tried: Sequence[tuple[tuple[int, Score], str, list[Load]]], bound: Bound, rounds: int
) -> tuple[str, list[Load]]:
    """A plan that is less late or has fewer loads than the rules' best, if there is one."""
    from layout.plan.search.improve import improve_dates

    (_, best), name, loads = tried[0]
    if len(problem.units) <= HANDFUL:
        every_way = _every_way(problem, loads, bound)
        if every_way is not None:
            return "every way", every_way
    tries = rounds * ALL_ROUNDS // max(ALL_ROUNDS, len(problem.units))
    starts = [(rule, first) for _, rule, first in tried[:STARTS]]
    for number in range(1, STARTS + AGAIN + 1):
        if _is_at(best, bound):
            break
        rule, first = starts[number - 1] if number <= len(starts) else (name, loads)
        better = improve_dates(problem, first, bound, tries=tries, seed=number)
        new = score(problem, better)[1]
        if new < best:
            best, name, loads = new, rule.removesuffix(IMPROVED) + IMPROVED, better
    return name, loads


def _lighter(
    problem: Problem,
    tried: Sequence[tuple[tuple[int, Score], str, list[Load]]],
    best: Score,
    plan: tuple[str, list[Load]],
    rounds: int,
) -> tuple[str, list[Load]]:
    """The plan with a smaller weighted sum. Where the sorted plan is as good in lateness and loads, the
    search starts from it, and no part of its sum gets much worse."""
    from layout.plan.search.improve import improve_sum

    name, loads = plan
    (_, of_sorted), sorted_name, sorted_loads = next(
        candidate for candidate in tried if candidate[1] == SORTED
    )
    like = None
    if (of_sorted.lateness, of_sorted.loads) == (best.lateness, best.loads):
        name, loads, like = sorted_name, sorted_loads, of_sorted
    share = min(1.0, rounds / ROUNDS) * min(1.0, JUDGED_ALL / len(problem.units))
    better = improve_sum(
        problem, loads, tries=int(share * MOST_JUDGED), without_gain=int(share * WITHOUT_GAIN), like=like
    )
    if score(problem, better) < score(problem, loads):
        return name.removesuffix(IMPROVED) + IMPROVED, better
    return name, loads


def _is_at(best: Score, bound: Bound) -> bool:
    return (best.lateness, best.loads) == (bound.lateness, bound.loads)


def _is_least(best: Score, bound: Bound) -> bool:
    return _is_at(best, bound) and best.weighted == 0.0


def _every_way(problem: Problem, loads: list[Load], bound: Bound) -> list[Load] | None:
    """The plan with least lateness, then fewest loads; None when there are too many ways."""
    from layout.plan.search.improve import improve_dates

    loads = improve_dates(problem, loads, bound, tries=HANDFUL_ROUNDS)
    score_before = score(problem, loads)[1]
    if _is_at(score_before, bound):
        return loads
    units = sorted(unit for _, units in loads for unit in units)
    shared = shared_out(Scheduler(problem), units, (score_before.lateness, score_before.loads), HANDFUL_STEPS)
    if not shared.steps:
        return None
    return loads if shared.loads is None else shared.loads


def _built(problem: Problem, fewest: Fewest, bound: Bound) -> list[tuple[str, list[Load]]]:
    few = len(problem.units) <= FEW
    rules = [
        Rule("earliest due date"),
        Rule(f"grouped, {GROUPED_DAYS:g} days", days=GROUPED_DAYS),
        Rule(SORTED, days=math.inf),
    ]
    if fewest.allot:
        rules.append(Rule("fewest loads", allot=fewest.allot, classes=fewest.classes))
    made = [(rule.name, build(problem, rule)) for rule in rules]
    made += _looking_ahead(problem, LOOKAHEADS if few else LOOKAHEADS[-1:])
    if few and bound.loads > fewest.loads and all(unit.after is None for unit in problem.units):
        # Hours limit the loads, not slots.
        packed = min((fullest(problem, wasted) for wasted in WASTED), key=lambda loads: score(problem, loads))
        made.append(("fullest stretches", packed))
    return made


def _looking_ahead(problem: Problem, lookaheads: Sequence[float]) -> list[tuple[str, list[Load]]]:
    rules = [Rule(f"apparent tardiness cost, {k:g}", lookahead=k) for k in lookaheads]
    return [(rule.name, build(problem, rule)) for rule in rules]


def score(problem: Problem, loads: Sequence[Load]) -> tuple[int, Score]:
    """Units left out come first: a plan is no better for planning less."""
    timetable, timed = time_all(problem, loads)
    return len(problem.units) - len(timetable.ends), score_of(problem, loads, timed, timetable.ends)
