"""The planner of the whole backlog: every rule builds a plan, the best is improved, lots fill what is left.

Pure and deterministic: the same backlog gives the same plan, and every step is bounded by a count, not by a
clock. What is proposed here is judged by `layout.judge.plan`, which knows nothing of this module. The model
is serial batching with batch availability: all units of a load are done when the load has burned.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from layout.loading.backlog import Backlog, Bound, Plan, PlannedLoad, Score
from layout.plan.machine_code import MachineCode
from layout.plan.search.bound import bound_of
from layout.plan.search.problem import TOO_LONG, Load, Problem
from layout.plan.search.search import ROUNDS, best_plan
from layout.plan.search.seating import SlotMatching, seated
from layout.plan.search.timing import Blades, TimedLoad, Timetable, score_of

#: Lots are tried in the free slots of the first loads; the rest get loads of their own after all orders.
LOADS_FOR_LOTS = 60


def plan(backlog: Backlog, *, rounds: int = ROUNDS) -> Plan:
    """Loads in order of time for everything that waits, with `layout.loading.backlog.Score` as small as
    possible.

    `rounds` limits the improvement of backlogs that are not too large; 0 leaves the best rule's plan. Jobs
    that no load can take are in `unplanned`.
    """
    problem = Problem(backlog)
    bound, fewest = bound_of(problem)
    name, loads = best_plan(problem, fewest, bound, rounds)
    planned = {unit for _, units in loads for unit in units}
    unplanned = dict(problem.unplanned)
    for unit in problem.units:
        if unit.unit not in planned:
            unplanned[problem.jobs[unit.job].job] = TOO_LONG
    return _written(problem, loads, bound, unplanned, name)


def without_a_place(backlog: Backlog) -> Mapping[str, str]:
    """Jobs that no load could ever take, and why; needs no planning."""
    return Problem(backlog).unplanned


def prepare() -> MachineCode:
    """Compile the search: seconds, once, that no plan should have to wait for; from where its code is."""
    from layout.plan.search import improve

    return improve.prepare()


# --- lots ---


def _with_lots(problem: Problem, loads: Sequence[Load]) -> list[tuple[Load, tuple[Blades, ...]]]:
    """Bare blades into slots that stay free, where no order gets later and nothing more has to be changed;
    the rest in loads of their own, after everything that orders need."""
    filled: list[tuple[Load, tuple[Blades, ...]]] = [(load, ()) for load in loads]
    left = [lot.waiting for lot, _ in problem.lots]
    if not any(left):
        return filled
    before = _score_with(problem, filled)
    for at in range(min(len(filled), LOADS_FOR_LOTS)):
        for number, (_, sorts) in enumerate(problem.lots):
            most = min(left[number], len(problem.mounts[loads[at][0]].plate.slots))
            blades = _room_for(problem, filled[at], number, sorts, most)
            if blades is None:
                continue
            tried = list(filled)
            tried[at] = (loads[at], (*filled[at][1], blades))
            try:
                after = _score_with(problem, tried)
            except ValueError:  # the next load would need a change that its open stretch has no time for
                continue
            if (after.lateness, after.changes) <= (before.lateness, before.changes):
                filled = tried
                left[number] -= blades.count
    return [*filled, *_lots_alone(problem, filled, left)]


def _room_for(
    problem: Problem, load: tuple[Load, tuple[Blades, ...]], lot: int, sorts: Sequence[int], most: int
) -> Blades | None:
    """As many blades of a lot as the load has room and time for."""
    mount = load[0][0]
    if most <= 0 or not sorts or mount not in problem.sorts[sorts[0]].fits:
        return None
    seconds = problem.lots[lot][0].seconds
    count = 0
    while count < most and _seated(problem, load, Blades(lot, sorts[0], seconds, count + 1)) is not None:
        count += 1
    return Blades(lot, sorts[0], seconds, count) if count else None


def _seated(
    problem: Problem, load: tuple[Load, tuple[Blades, ...]], more: Blades | None = None
) -> tuple[SlotMatching, list[tuple[str | None, str | None]]] | None:
    """Where a load's units and blades sit, and what its n-th unit is: the name of a job or of a lot."""
    (mount, units), blades = load
    blades = (*blades, more) if more is not None else blades
    who: list[tuple[str | None, str | None]] = [
        (problem.jobs[problem.units[unit].job].job, None) for unit in units
    ]
    sorts = [problem.units[unit].sort for unit in units]
    seconds = sum(problem.units[unit].seconds for unit in units)
    for group in blades:
        who += [(None, problem.lots[group.lot][0].lot)] * group.count
        sorts += [group.sort] * group.count
        seconds += group.seconds * group.count
    if more is not None and problem.spent(mount, sorts, seconds) > problem.longest(mount):
        return None
    matching = seated(problem, mount, sorts)
    return None if matching is None else (matching, who)


def _lots_alone(
    problem: Problem, filled: Sequence[tuple[Load, tuple[Blades, ...]]], left: list[int]
) -> list[tuple[Load, tuple[Blades, ...]]]:
    timetable = Timetable(problem)
    for load, blades in filled:
        timetable.put(load, blades)
    alone: list[tuple[Load, tuple[Blades, ...]]] = []
    while any(left):
        number = next(n for n, count in enumerate(left) if count)
        _, sorts = problem.lots[number]
        mounts = problem.sorts[sorts[0]].fits if sorts else {}
        best: tuple[tuple[int, float, int], Blades] | None = None
        for mount in mounts:
            fitting = _room_for(problem, ((mount, ()), ()), number, sorts, left[number])
            if fitting is not None:
                free = timetable.at[problem.mounts[mount].station].hands_free
                key = (-fitting.count, free, mount)
                if best is None or key < best[0]:
                    best = key, fitting
        if best is None:
            left[number] = 0  # no plate takes them: they wait, and the lot says so itself
            continue
        (_, _, mount), chosen = best
        timetable.put((mount, ()), (chosen,))
        alone.append(((mount, ()), (chosen,)))
        left[number] -= chosen.count
    return alone


def _score_with(problem: Problem, filled: Sequence[tuple[Load, tuple[Blades, ...]]]) -> Score:
    timetable = Timetable(problem)
    timed = [timetable.put(load, blades) for load, blades in filled]
    return score_of(problem, [load for load, _ in filled], timed, timetable.ends)


# --- result ---


def _written(
    problem: Problem, loads: Sequence[Load], bound: Bound, unplanned: Mapping[str, str], name: str
) -> Plan:
    filled = _with_lots(problem, loads)
    timetable = Timetable(problem)
    timed = [timetable.put(load, blades) for load, blades in filled]
    orders = [(load, timing) for (load, _), timing in zip(filled, timed, strict=True) if load[1]]
    score = score_of(problem, [load for load, _ in orders], [timing for _, timing in orders], timetable.ends)
    written = [_load(problem, timing, at) for timing, at in zip(filled, timed, strict=True)]
    done = {
        problem.jobs[unit.job].job: timetable.ends[unit.unit]
        for unit in problem.units
        if unit.last and unit.unit in timetable.ends
    }
    done = {job: end for job, end in done.items() if job not in unplanned}
    return Plan(
        loads=tuple(sorted(written, key=lambda load: (load.begins, load.station))),
        done=done,
        score=score,
        bound=bound,
        unplanned=unplanned,
        rule=name,
    )


def _load(problem: Problem, filled: tuple[Load, tuple[Blades, ...]], timed: TimedLoad) -> PlannedLoad:
    seats = _seated(problem, filled)
    assert seats is not None, "a load that has no room was built"
    matching, who = seats
    mount = problem.mounts[filled[0][0]]
    return PlannedLoad(
        station=problem.stations[mount.station].station,
        plate=mount.plate.plate,
        copy=timed.copy,
        turns=matching.rows(who),
        prepares=timed.prepares,
        begins=timed.begins,
        ends=timed.ends,
        changes=timed.changes,
        boxed=timed.boxed,
    )
