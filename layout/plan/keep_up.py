"""Keeping a plan: it carries on after whatever has happened, takes in new jobs, and gives way to another plan
only when that is clearly better.

Planning the shop anew at every event gives a good plan every time, and a different one every time: units are
pulled for loads that no longer exist, and promises jump about. Scheduling calls this nervousness. So a plan
in force is carried on (`carried_on`): what was taken or called off leaves it; its loads keep their order,
their plate copies and everything seated in them; their times follow from where the stations stand now. A new
job goes into a planned load with a free slot for it, or into a load of its own at the best of the places
tried (`with_jobs`): where the plan's score suffers least (lateness, then loads, then changes), then where it
overtakes no load that is due sooner, then the earliest. Only bare blades make room for a job.

A plan carried on for long drifts away from what planning everything anew would give. So `kept_or_better`
compares the two, and the new plan takes over when it is less late or has fewer loads (neither is ever given
up for calm), or when the rest of its score is better by more than a threshold.

Pure, deterministic and bounded by counts, like the planner.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Collection, Iterable, Iterator, Sequence
from dataclasses import replace
from itertools import chain
from math import inf

from layout.loading.backlog import Backlog, Bound, Plan, PlanJob, PlanLot, PlannedLoad, Score
from layout.loading.values import Filled
from layout.plan.search.bound import fewest_loads, least_lateness, loads_by_hours
from layout.plan.search.problem import Problem
from layout.plan.search.seating import seated as seated_together
from layout.plan.sequence import Change, Counted, Held, LoadSequence, State, Visit

#: With more new jobs than this everything is planned anew instead of working them in one by one.
MOST_NEW = 24
#: A kept plan gives way to one that is equal in lateness and loads and whose score is better by this share:
#: below it nobody at the bench would notice the gain, and everybody would notice the other loads.
CLEARLY_BETTER = 0.04
#: The name of the rule that such a plan is made by.
KEPT_UP = "kept up"

#: Places tried for one visit: the most promising, and some more spread over all.
MOST_BEST, MOST_SPREAD = 8, 4
#: Loads that a change may move once there is one that makes nothing late.
MOST_MOVED = 60
#: Planned loads searched for room, earliest first.
MOST_ROOMS = 200

#: What a change costs; the first difference decides: lateness, loads, changes, loads put off that are due
#: sooner, when the visit ends.
Cost = tuple[float, float, float, float, float]
#: A place to try: a lower bound on its cost, its place in the order, and the mount of a new load to put in
#: before it (None: the load there gets one more unit).
Candidate = tuple[Cost, int, int | None]
Best = tuple[Cost, Change] | None


def with_jobs(backlog: Backlog, plan: Plan, jobs: Sequence[PlanJob]) -> tuple[Backlog, Plan]:
    """The backlog with `jobs` added, and its plan with them worked in: never worse than adding loads for them
    after all others. Jobs that no load can take are in `unplanned`. The bound stays true, if less sharp.

    Raises ValueError when a job is in the backlog already, KeyError when the plan is of another backlog.
    """
    whole = replace(backlog, jobs=(*backlog.jobs, *jobs))
    counted = Counted(whole, jobs)
    if len(counted.jobs) < len(whole.jobs):
        raise ValueError("a job that is planned already can't be new")
    nowhere = {job.job: why for job in jobs if (why := counted.problem.unplanned.get(job.job)) is not None}
    wanted = sorted((job for job in jobs if job.job not in nowhere), key=lambda job: (job.due, -job.weight))
    before = LoadSequence.of(counted, plan)
    best = _worked_in(before, wanted, first=0)
    # Visit by visit they were put no worse than after all others; together they may be.
    least = before.score.lateness + _late_after_all(before, wanted)
    visits = sum(len(counted.visits(job)) for job in wanted)
    if visits > 1 and best.score > replace(before.score, lateness=least, loads=before.score.loads + 1):
        best = min(best, _worked_in(before, wanted, first=len(before.held)), key=lambda line: line.score)
    own = sum(job.weight * counted.problem.days.late(job.due, backlog.now + job.seconds) for job in wanted)
    bound = replace(plan.bound, lateness=plan.bound.lateness + own)
    return whole, _written(best, plan, wanted, bound, {**plan.unplanned, **nowhere})


def carried_on(
    backlog: Backlog, loads: Sequence[PlannedLoad]
) -> tuple[Backlog, Plan, tuple[PlanJob, ...]] | None:
    """A plan's loads as they can go on now: the backlog of the jobs in them, its plan, and the jobs that are
    in none of them yet. Jobs that were taken, called off, or can no longer sit where they were planned have
    left. None when a load's plate is no longer there, or a load has become too long for every open stretch.

    `loads` are in order of time and may have been planned for any earlier state of the shop: only who sits
    where is read from them.
    """
    counted = Counted(backlog)
    seated = _still_seated(counted, loads)
    if seated is None:
        return None
    new = tuple(job for job in backlog.jobs if job.job not in seated)
    rest = replace(backlog, jobs=tuple(job for job in backlog.jobs if job.job in seated))
    blades = {lot.lot: lot.waiting for lot in backlog.lots}
    line = LoadSequence(counted, [], [], [], Score(0, 0, 0, 0, 0, weights=backlog.weights))
    state = line.before(0)
    for load in loads:
        turns = tuple(_staying(row, seated, blades) for row in load.turns)
        if turns and turns[0]:
            kept = replace(load, turns=tuple(row for row in turns if row))
            mount = counted.mounts[load.station, load.plate]
            held = Held(counted, mount, load.copy, planned=kept)
            try:
                _append(line, held, state)
            except ValueError:  # too long for every open stretch, with the changes it needs now
                return None
    bound = _bound(rest, counted, ())
    empty = Plan((), {}, line.score, bound, {}, KEPT_UP)
    written = _written(line, empty, rest.jobs, bound, {})
    return rest, written, new


def kept_or_better(
    backlog: Backlog,
    loads: Sequence[PlannedLoad],
    fresh: Callable[[Backlog], Plan],
) -> Plan:
    """The planned loads carried on with new jobs worked in, unless the plan that `fresh` makes for the whole
    backlog is clearly better.

    Where the loads have to give way, a plan made with promises for due dates is preferred if it is not
    clearly worse by the real due dates: everything is done as well, and in the order in which people were
    told.
    """
    other = fresh(backlog)
    kept = kept_up(backlog, loads)
    if kept is not None and not is_clearly_better(other, kept):
        return kept
    sooner = _due_as_promised(backlog)
    if sooner == backlog:
        return other
    carried = carried_on(backlog, fresh(sooner).loads)
    if carried is None:
        return other
    _, as_promised, left_out = carried
    if left_out or is_clearly_better(other, as_promised):
        return other
    return replace(as_promised, unplanned=other.unplanned, bound=other.bound, rule=other.rule)


def _due_as_promised(backlog: Backlog) -> Backlog:
    """The backlog with promises for due dates, where they are earlier and have not passed."""
    jobs = tuple(
        replace(job, due=job.wanted_by) if backlog.now < job.wanted_by < job.due else job
        for job in backlog.jobs
    )
    return replace(backlog, jobs=jobs)


def kept_up(backlog: Backlog, loads: Sequence[PlannedLoad]) -> Plan | None:
    """The planned loads carried on with new jobs worked in. None when that can't be done, when too many jobs
    are new, or when there are no loads to carry on."""
    going_on = carried_on(backlog, loads) if loads else None
    if going_on is None:
        return None
    rest, plan, new = going_on
    if _are_too_many(backlog, new):
        return None
    if not new:
        return plan
    whole = with_jobs(rest, plan, new)[1]
    return replace(whole, bound=_bound(backlog, Counted(backlog), whole.unplanned))


def is_too_much_new(backlog: Backlog, loads: Sequence[PlannedLoad]) -> bool:
    """Whether more jobs than `MOST_NEW` wait that none of the loads has, and that some load could take."""
    seated = {job for load in loads for job in load.jobs}
    return _are_too_many(backlog, tuple(job for job in backlog.jobs if job.job not in seated))


def _are_too_many(backlog: Backlog, new: tuple[PlanJob, ...]) -> bool:
    if len(new) <= MOST_NEW:
        return False
    return len(new) - len(Problem(replace(backlog, jobs=new)).unplanned) > MOST_NEW


def is_clearly_better(other: Plan, kept: Plan) -> bool:
    """Whether a plan should replace the one being kept: it plans more, is less late, has fewer loads, or the
    weighted sum of its score is better by more than `CLEARLY_BETTER`."""
    first = [
        (len(plan.unplanned), plan.score.lateness, plan.score.loads, -sum(load.blades for load in plan.loads))
        for plan in (other, kept)
    ]
    if first[0] != first[1]:
        return first[0] < first[1]
    return other.score.weighted < (1 - CLEARLY_BETTER) * kept.score.weighted


# --- carrying on ---


def _still_seated(counted: Counted, loads: Sequence[PlannedLoad]) -> set[str] | None:
    """Jobs that can still sit, visit by visit, where they were planned; None when a load's plate copy is no
    longer there."""
    visits: dict[str, list[tuple[PlannedLoad, tuple[Filled, ...]]]] = {}
    for load in loads:
        mount = counted.mounts.get((load.station, load.plate))
        if mount is None or load.copy not in counted.problem.mounts[mount].plate.copies:
            return None
        seats: dict[str, list[Filled]] = {}
        for filled in chain.from_iterable(load.turns):
            if filled.job is not None:
                seats.setdefault(filled.job, []).append(filled)
        for name, mine in seats.items():
            visits.setdefault(name, []).append((load, tuple(mine)))
    places: dict[int, set[tuple[str, str, str, str]]] = {}
    seated: set[str] = set()
    for name, planned in visits.items():
        if name not in counted.jobs:
            continue
        job = counted.jobs[name]
        if id(job.kind) not in places:
            options = job.kind.options.items()
            places[id(job.kind)] = {(s, o.plate, o.slot, o.face) for s, some in options for o in some}
        wanted = [counted.problem.sorts[visit.sort].faces for visit in counted.visits(job)]
        if [tuple(filled.face for filled in seats) for _, seats in planned] == wanted and all(
            (load.station, load.plate, filled.slot, filled.face) in places[id(job.kind)]
            for load, seats in planned
            for filled in seats
        ):
            seated.add(name)
    return seated


def _staying(row: Sequence[Filled], seated: Collection[str], blades: dict[str, int]) -> tuple[Filled, ...]:
    """The units of a turn that are still there; `blades` counts down how many of each lot are left."""
    staying = []
    for filled in row:
        if filled.lot is not None:
            if blades.get(filled.lot, 0) > 0:
                blades[filled.lot] -= 1
                staying.append(filled)
        elif filled.job in seated:
            staying.append(filled)
    return tuple(staying)


def _append(line: LoadSequence, held: Held, state: State) -> None:
    """Add a load after all others and move the line and the state on. Raises ValueError when it is too long
    for every open stretch."""
    timed, leaves = line.happens(held, state)
    line.past(state, held, leaves)
    line.held.append(held)
    line.times.append(timed)
    line.leaves.append(leaves)
    line.score = line.score.plus(held.adds(timed))


# --- where to put a visit ---


def _worked_in(line: LoadSequence, jobs: Sequence[PlanJob], *, first: int) -> LoadSequence:
    """The loads with the jobs worked in, none of them before the load at place `first`."""
    for job in jobs:
        place = first
        for visit in line.counted.visits(job):
            line, place = _put(line, visit, place)
    return line


def _late_after_all(line: LoadSequence, jobs: Sequence[PlanJob]) -> int:
    """Lower bound on the lateness of the jobs if they came after all loads."""
    at, counted = line.before(len(line.held)).at, line.counted
    late = 0
    for job in jobs:
        visit = counted.visits(job)[-1]
        stations = {counted.problem.mounts[mount].station for mount in counted.problem.sorts[visit.sort].fits}
        ends = min(at[station].laser_free for station in stations) + counted.seconds(*visit)
        late += counted.lateness(*visit, ends)
    return late


def _put(line: LoadSequence, visit: Visit, first: int) -> tuple[LoadSequence, int]:
    """The loads with a visit put into the cheapest of the places tried, from `first` on; and the place after
    it."""
    best = _tried(line, visit, _fills(line, visit, first), None)
    if best is None or best[0] >= (0, 1):
        best = _tried(line, visit, _own_loads(line, visit, first), best)
    assert best is not None, "a load after all others takes every visit that has a place"
    return line.having(best[1]), best[1].place + 1


def _tried(line: LoadSequence, visit: Visit, candidates: Iterable[Candidate], best: Best) -> Best:
    """The best of `best` and the candidates tried: the most promising, some of the others, and every load
    after all others."""
    by_hope = sorted(candidates, key=lambda candidate: candidate[:2])
    last = [candidate for candidate in by_hope if candidate[1] == len(line.held)]
    for least, place, mount in chain(by_hope[:MOST_BEST], _spread(by_hope[MOST_BEST:]), last):
        jumped = least[3]
        if best is not None and best[0] <= least:
            continue
        held = _seated(line.held[place], visit) if mount is None else _alone(line, place, mount, visit)
        if held is None:
            continue
        most_late = inf if best is None else best[0][0]
        # Only to save lateness is a change worth following through all loads.
        most_moved = inf if most_late > 0 else MOST_MOVED
        change = line.tried(place, held, out=int(mount is None), most_late=most_late, most_moved=most_moved)
        if change is None:
            continue
        adds = change.adds
        cost = adds.lateness, adds.loads, adds.changes, jumped, change.timed.boxed
        if best is None or cost < best[0]:
            best = cost, change
    return best


def _spread(candidates: Sequence[Candidate]) -> Sequence[Candidate]:
    """At most `MOST_SPREAD` of the candidates, evenly spread."""
    return candidates[:: max(1, -(-len(candidates) // MOST_SPREAD))]


def _fills(line: LoadSequence, visit: Visit, first: int) -> Iterator[Candidate]:
    """Planned loads with a free slot, or with a bare blade that can make way."""
    counted, problem = line.counted, line.counted.problem
    looked = 0
    for place in range(first, len(line.held)):
        held = line.held[place]
        if held.mount not in problem.sorts[visit.sort].fits or held.jobs >= problem.size(held.mount):
            continue
        ends = line.times[place].ends + counted.seconds(*visit)
        yield (counted.lateness(*visit, ends), held.jobs == 0, 0, 0, ends), place, None
        looked += 1
        if looked == MOST_ROOMS:
            return


def _own_loads(line: LoadSequence, visit: Visit, first: int) -> Iterator[Candidate]:
    """New loads for the visit alone, before each load of a station and after all of them. Their costs are
    lower bounds: as if the station were always open, and with plate changes only where neighbours have
    another plate."""
    counted, problem = line.counted, line.counted.problem
    at = line.before(first).at
    sooner = Counter(held.station for held in line.held[first:] if held.due < visit.job.due)
    for place in range(first, len(line.held) + 1):
        after = line.held[place] if place < len(line.held) else None
        for mount in problem.sorts[visit.sort].fits:
            station, plate = problem.mounts[mount].station, problem.mounts[mount].plate.plate
            if after is not None and after.station != station:
                continue
            ends = at[station].laser_free + counted.seconds(*visit)
            here, then = at[station].plate, problem.mounts[after.mount].plate.plate if after else plate
            changes = (here not in (None, plate)) + (then != plate) - (here not in (None, then))
            jumped = sooner[station] if after is not None else 0
            yield (counted.lateness(*visit, ends), 1, changes, jumped, ends), place, mount
        if after is not None:
            sooner[after.station] -= after.due < visit.job.due
            at[after.station] = line.leaves[place]


def _seated(held: Held, visit: Visit) -> Held | None:
    """The load with one more unit, in place of as few bare blades as possible; None when it has no room."""
    seats = list(zip(held.units, held.sorts, strict=True))
    kept: list[tuple[PlanJob | PlanLot, int]] = [*held.visits, visit]
    blades = [(unit, sort) for unit, sort in seats if isinstance(unit, PlanLot)]
    for count in range(len(blades), -1, -1):
        units, sorts = zip(*kept, *blades[:count], strict=True)
        if seated_together(held.counted.problem, held.mount, sorts) is not None:
            return Held(held.counted, held.mount, held.copy, units=units, sorts=sorts)
    return None


def _alone(line: LoadSequence, place: int, mount: int, visit: Visit) -> Held:
    """A load for the visit alone, on the copy of the plate that is free first."""
    free = line.before(place).free
    copies = line.counted.problem.mounts[mount].plate.copies
    copy = min(copies, key=lambda name: (free[name], name))
    return Held(line.counted, mount, copy, units=(visit.job,), sorts=(visit.sort,))


# --- result ---


def _written(
    line: LoadSequence, plan: Plan, touched: Sequence[PlanJob], bound: Bound, unplanned: dict[str, str]
) -> Plan:
    """The plan of these loads; `touched` are the jobs that came or left."""
    ids_of_plan = {id(load) for load in plan.loads}
    loads = [_load(line, place) for place in range(len(line.held))]
    done = dict(plan.done)
    for job in touched:
        done.pop(job.job, None)
    for held, load in zip(line.held, loads, strict=True):
        if id(load) not in ids_of_plan:
            done.update((job.job, load.ready) for job, sort in held.visits if sort in line.counted.last)
    orders = {job.order for job in touched}
    names = {job.job: job.order for job in line.counted.jobs.values() if job.order in orders}
    split = plan.score.split + _split(loads, names) - _split(plan.loads, names)
    return Plan(
        loads=tuple(sorted(loads, key=lambda load: (load.begins, load.station))),
        done={job: end for job, end in done.items() if job not in unplanned},
        score=replace(line.score, split=split),
        bound=bound,
        unplanned=unplanned,
        rule=plan.rule,
    )


def _load(line: LoadSequence, place: int) -> PlannedLoad:
    """A load as the plan lists it: the planned one itself where nothing about it has changed."""
    held, timed, problem = line.held[place], line.times[place], line.counted.problem
    before = held.planned
    if before is not None:
        if (before.prepares, before.begins, before.ends, before.changes, before.ready) == (
            timed.prepares,
            timed.begins,
            timed.ends,
            timed.changes,
            timed.boxed,
        ):
            return before
        turns = before.turns
    else:
        matching = seated_together(problem, held.mount, held.sorts)
        assert matching is not None, "a load that has no room was built"
        turns = matching.rows(
            [(unit.job, None) if isinstance(unit, PlanJob) else (None, unit.lot) for unit in held.units]
        )
    return PlannedLoad(
        station=problem.stations[held.station].station,
        plate=problem.mounts[held.mount].plate.plate,
        copy=held.copy,
        turns=turns,
        prepares=timed.prepares,
        begins=timed.begins,
        ends=timed.ends,
        changes=timed.changes,
        boxed=timed.boxed,
    )


def _split(loads: Iterable[PlannedLoad], orders: dict[str, str]) -> int:
    """Extra loads over which the orders of those jobs are split; `orders` gives a job's order."""
    parts: Counter[str] = Counter()
    for load in loads:
        parts.update({orders[f.job] for f in load.turns[0] if f.job in orders})
    return sum(count - 1 for count in parts.values())


def _bound(backlog: Backlog, counted: Counted, unplanned: Collection[str]) -> Bound:
    """The bounds, worked out as the planner does."""
    jobs = [job for job in backlog.jobs if job.job not in unplanned]
    visits = [(visit.sort, counted.seconds(*visit)) for job in jobs for visit in counted.visits(job)]
    fewest = fewest_loads(counted.problem, Counter(sort for sort, _ in visits))
    loads = max(fewest.loads, loads_by_hours(counted.problem, visits))
    return Bound(least_lateness(counted.problem, jobs), loads)
