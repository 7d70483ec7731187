"""The planner of the whole backlog: every rule builds a plan, the best is improved, lots fill what is left.

Pure and deterministic: the same backlog gives the same plan; every step is bounded by a count, none by a
clock. What is proposed here is judged by `layout.judge.plan`, which knows nothing of this module. The
model is serial batching with batch availability: all units of a load are done when the load has burned.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from layout.loading.backlog import Backlog, Bound, Plan, PlannedLoad, Score
from layout.plan.search.bound import bound_of
from layout.plan.search.problem import TOO_LONG, Floor, Load
from layout.plan.search.search import ROUNDS, best_plan
from layout.plan.search.seating import Room
from layout.plan.search.timing import Blades, Clockwork, Timed, score_of

#: Lots are tried in the free slots of so many loads; what is left gets loads of its own after all orders.
LOADS_FOR_LOTS = 60


def plan(backlog: Backlog, *, rounds: int = ROUNDS) -> Plan:
    """Loads in order of time for everything that waits; `layout.loading.backlog.Score` is minimised.

    `rounds` bounds the improvement of backlogs that are not too large; none leaves the best rule's plan. Jobs
    that no load can take are in `unplanned`.
    """
    floor = Floor(backlog)
    bound, fewest = bound_of(floor)
    name, loads = best_plan(floor, fewest, bound, rounds)
    planned = {unit for _, units in loads for unit in units}
    unplanned = dict(floor.unplanned)
    for unit in floor.units:
        if unit.unit not in planned:
            unplanned[floor.jobs[unit.job].job] = TOO_LONG
    return _written(floor, loads, bound, unplanned, name)


def without_a_place(backlog: Backlog) -> Mapping[str, str]:
    """Jobs that no load could ever take, and why: known before anything is planned."""
    return Floor(backlog).unplanned


def prepare() -> None:
    """Make the search's machine code ready: seconds once, which no plan should wait for."""
    from layout.plan.search import improve

    improve.prepare()


# --- lots ---


def _with_lots(floor: Floor, loads: Sequence[Load]) -> list[tuple[Load, tuple[Blades, ...]]]:
    """Bare blades into slots that stay free, where no order gets later and nothing more is changed for them;
    the others in loads of their own, after everything that orders need."""
    filled: list[tuple[Load, tuple[Blades, ...]]] = [(load, ()) for load in loads]
    left = [lot.waiting for lot, _ in floor.lots]
    if not any(left):
        return filled
    before = _score_with(floor, filled)
    for at in range(min(len(filled), LOADS_FOR_LOTS)):
        for number, (_, sorts) in enumerate(floor.lots):
            most = min(left[number], len(floor.mounts[loads[at][0]].plate.slots))
            blades = _room_for(floor, filled[at], number, sorts, most)
            if blades is None:
                continue
            tried = list(filled)
            tried[at] = (loads[at], (*filled[at][1], blades))
            try:
                after = _score_with(floor, tried)
            except ValueError:  # the next load would need a change that its open stretch has no time for
                continue
            if (after.lateness, after.changes) <= (before.lateness, before.changes):
                filled = tried
                left[number] -= blades.count
    return [*filled, *_lots_alone(floor, filled, left)]


def _room_for(
    floor: Floor, load: tuple[Load, tuple[Blades, ...]], lot: int, sorts: Sequence[int], most: int
) -> Blades | None:
    """As many blades of a lot as the load has room and time for."""
    mount = load[0][0]
    if most <= 0 or not sorts or mount not in floor.sorts[sorts[0]].fits:
        return None
    seconds = floor.lots[lot][0].seconds
    count = 0
    while count < most and _seated(floor, load, Blades(lot, sorts[0], seconds, count + 1)) is not None:
        count += 1
    return Blades(lot, sorts[0], seconds, count) if count else None


def _seated(
    floor: Floor, load: tuple[Load, tuple[Blades, ...]], more: Blades | None = None
) -> tuple[Room, list[tuple[str | None, str | None]]] | None:
    """The room of a load with its blades, and what its n-th unit is (the name of a job or of a lot)."""
    (mount, units), blades = load
    blades = (*blades, more) if more is not None else blades
    who: list[tuple[str | None, str | None]] = [
        (floor.jobs[floor.units[unit].job].job, None) for unit in units
    ]
    sorts = [floor.units[unit].sort for unit in units]
    seconds = sum(floor.units[unit].seconds for unit in units)
    for some in blades:
        who += [(None, floor.lots[some.lot][0].lot)] * some.count
        sorts += [some.sort] * some.count
        seconds += some.seconds * some.count
    if more is not None and floor.spent(mount, sorts, seconds) > floor.longest(mount):
        return None
    room = floor.room(mount, sorts)
    return None if room is None else (room, who)


def _lots_alone(
    floor: Floor, filled: Sequence[tuple[Load, tuple[Blades, ...]]], left: list[int]
) -> list[tuple[Load, tuple[Blades, ...]]]:
    clockwork = Clockwork(floor)
    for load, blades in filled:
        clockwork.put(load, blades)
    alone: list[tuple[Load, tuple[Blades, ...]]] = []
    while any(left):
        number = next(n for n, count in enumerate(left) if count)
        _, sorts = floor.lots[number]
        mounts = floor.sorts[sorts[0]].fits if sorts else {}
        best: tuple[tuple[int, float, int], Blades] | None = None
        for mount in mounts:
            some = _room_for(floor, ((mount, ()), ()), number, sorts, left[number])
            if some is not None:
                free = clockwork.at[floor.mounts[mount].station].hands_free
                key = (-some.count, free, mount)
                if best is None or key < best[0]:
                    best = key, some
        if best is None:
            left[number] = 0  # no plate takes them: they wait, and the lot says so itself
            continue
        (_, _, mount), chosen = best
        clockwork.put((mount, ()), (chosen,))
        alone.append(((mount, ()), (chosen,)))
        left[number] -= chosen.count
    return alone


def _score_with(floor: Floor, filled: Sequence[tuple[Load, tuple[Blades, ...]]]) -> Score:
    clockwork = Clockwork(floor)
    timed = [clockwork.put(load, blades) for load, blades in filled]
    return score_of(floor, [load for load, _ in filled], timed, clockwork.ends)


# --- result ---


def _written(
    floor: Floor, loads: Sequence[Load], bound: Bound, unplanned: Mapping[str, str], name: str
) -> Plan:
    filled = _with_lots(floor, loads)
    clockwork = Clockwork(floor)
    timed = [clockwork.put(load, blades) for load, blades in filled]
    orders = [(load, one) for (load, _), one in zip(filled, timed, strict=True) if load[1]]
    score = score_of(floor, [load for load, _ in orders], [one for _, one in orders], clockwork.ends)
    written = [_load(floor, one, at) for one, at in zip(filled, timed, strict=True)]
    done = {
        floor.jobs[unit.job].job: clockwork.ends[unit.unit]
        for unit in floor.units
        if unit.last and unit.unit in clockwork.ends
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


def _load(floor: Floor, filled: tuple[Load, tuple[Blades, ...]], timed: Timed) -> PlannedLoad:
    seated = _seated(floor, filled)
    assert seated is not None, "a load that has no room was built"
    room, who = seated
    mount = floor.mounts[filled[0][0]]
    return PlannedLoad(
        station=floor.stations[mount.station].station,
        plate=mount.plate.plate,
        copy=timed.copy,
        turns=room.rows(who),
        prepares=timed.prepares,
        begins=timed.begins,
        ends=timed.ends,
        changes=timed.changes,
    )
