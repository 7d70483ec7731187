"""Improving a plan by small changes, so many times and no more: the same backlog gives the same plan.

Late acceptance (Burke and Bykov, "The late acceptance hill-climbing heuristic", European Journal of
Operational Research 258, 2017): a change is kept when it is no worse than the plan now, or than the plan
was so many changes ago. Scores are compared as they stand, the first part that differs decides, so nothing
is weighed against anything else.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from layout.backlog import Score
from layout.floor import Floor, Load
from layout.timing import overshoot, score_of, time_all

#: Plans are compared with what they were so many changes ago.
MEMORY = 20

Cost = tuple[float, ...]


@dataclass(slots=True)
class _Dice:
    """Numbers that look like chance and are the same every time (a linear congruential generator, constants
    of D. E. Knuth, MMIX)."""

    state: int

    def below(self, most: int) -> int:
        self.state = (self.state * 6364136223846793005 + 1442695040888963407) % 2**64
        return (self.state >> 33) % most


@dataclass(slots=True)
class _Search:
    floor: Floor
    dice: _Dice
    best: list[Load] = field(default_factory=list)
    best_score: Score | None = None


def improve(floor: Floor, loads: Sequence[Load], *, rounds: int, seed: int = 1) -> list[Load]:
    """The best of `rounds` changed plans and the one given."""
    search = _Search(floor, _Dice(seed))
    now = list(loads)
    cost = _judge(search, now)
    memory = [cost] * MEMORY
    moves: tuple[Callable[[_Search, list[Load]], list[Load] | None], ...] = (
        _move_unit, _move_unit, _swap_units, _swap_units, _move_load, _other_mount, _merge, _swap_loads,
    )  # fmt: skip
    for number in range(rounds):
        changed = moves[search.dice.below(len(moves))](search, now)
        if changed is None:
            continue
        new = _judge(search, changed)
        if new is not None and cost is not None:
            past = memory[number % MEMORY]
            if new <= cost or (past is not None and new <= past):
                now, cost = changed, new
        memory[number % MEMORY] = cost
    return search.best


def _judge(search: _Search, loads: list[Load]) -> Cost | None:
    """What leads the search; None for loads in an order in which a later visit comes before an earlier
    one."""
    try:
        clockwork, timed = time_all(search.floor, loads)
    except (KeyError, ValueError):
        return None
    score = score_of(search.floor, loads, timed, clockwork.ends)
    if search.best_score is None or score < search.best_score:
        search.best, search.best_score = list(loads), score
    late = overshoot(search.floor, clockwork.ends) if score.lateness else 0.0
    ends = sum(one.ends for one in timed)
    return (score.lateness, late, score.loads, score.changes, score.split, score.walking, ends)


# --- changes: each gives other loads, or None where it makes no sense ---


def _pick(search: _Search, loads: list[Load]) -> int:
    return search.dice.below(len(loads))


def _without(load: Load, unit: int) -> Load:
    return load[0], tuple(one for one in load[1] if one != unit)


def _move_unit(search: _Search, loads: list[Load]) -> list[Load] | None:
    """One unit into another load, or into one of its own somewhere."""
    dice, floor = search.dice, search.floor
    source = _pick(search, loads)
    unit = loads[source][1][dice.below(len(loads[source][1]))]
    goal = len(loads) if dice.below(3) == 0 else dice.below(len(loads))
    if goal == source:
        return None
    changed = list(loads)
    changed[source] = _without(loads[source], unit)
    if goal == len(loads):
        if len(loads[source][1]) == 1:
            return None
        mounts = sorted(floor.sorts[floor.units[unit].sort].fits)
        mount = mounts[dice.below(len(mounts))]
        if not floor.holds(mount, [unit]):
            return None
        changed.insert(dice.below(len(changed) + 1), (mount, (unit,)))
    else:
        mount, units = loads[goal]
        if not floor.holds(mount, (*units, unit)):
            return None
        changed[goal] = (mount, (*units, unit))
    return [load for load in changed if load[1]]


def _swap_units(search: _Search, loads: list[Load]) -> list[Load] | None:
    """Two units of two loads change places."""
    dice, floor = search.dice, search.floor
    one, other = _pick(search, loads), _pick(search, loads)
    if one == other:
        return None
    a = loads[one][1][dice.below(len(loads[one][1]))]
    b = loads[other][1][dice.below(len(loads[other][1]))]
    first = loads[one][0], (*_without(loads[one], a)[1], b)
    second = loads[other][0], (*_without(loads[other], b)[1], a)
    if not (floor.holds(*first) and floor.holds(*second)):
        return None
    changed = list(loads)
    changed[one], changed[other] = first, second
    return changed


def _move_load(search: _Search, loads: list[Load]) -> list[Load] | None:
    """A load earlier or later."""
    if len(loads) < 2:
        return None
    changed = list(loads)
    load = changed.pop(_pick(search, loads))
    changed.insert(search.dice.below(len(changed) + 1), load)
    return changed


def _swap_loads(search: _Search, loads: list[Load]) -> list[Load] | None:
    """Two loads change places."""
    one, other = _pick(search, loads), _pick(search, loads)
    if one == other:
        return None
    changed = list(loads)
    changed[one], changed[other] = loads[other], loads[one]
    return changed


def _other_mount(search: _Search, loads: list[Load]) -> list[Load] | None:
    """A load on another plate or at another station."""
    dice, floor = search.dice, search.floor
    at = _pick(search, loads)
    mount = dice.below(len(floor.mounts))
    if mount == loads[at][0] or not floor.holds(mount, loads[at][1]):
        return None
    changed = list(loads)
    changed[at] = (mount, loads[at][1])
    return changed


def _merge(search: _Search, loads: list[Load]) -> list[Load] | None:
    """As much of one load as another has room for goes into it."""
    one, other = _pick(search, loads), _pick(search, loads)
    if one == other:
        return None
    mount, units = loads[one]
    stays: list[int] = []
    for unit in loads[other][1]:
        if search.floor.holds(mount, (*units, unit)):
            units = (*units, unit)
        else:
            stays.append(unit)
    if len(stays) == len(loads[other][1]):
        return None
    changed = list(loads)
    changed[one], changed[other] = (mount, units), (loads[other][0], tuple(stays))
    return [load for load in changed if load[1]]
