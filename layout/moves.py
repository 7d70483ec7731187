"""Small changes of a plan: each gives other loads, or None where it makes no sense."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from layout.floor import Floor, Load

Loads = list[Load]


@dataclass(slots=True)
class Dice:
    """Numbers that look like chance and are the same every time (a linear congruential generator, constants
    of D. E. Knuth, MMIX)."""

    state: int

    def below(self, most: int) -> int:
        self.state = (self.state * 6364136223846793005 + 1442695040888963407) % 2**64
        return (self.state >> 33) % most


Move = Callable[[Floor, Dice, Loads], Loads | None]


def _without(load: Load, unit: int) -> Load:
    return load[0], tuple(one for one in load[1] if one != unit)


def move_unit(floor: Floor, dice: Dice, loads: Loads) -> Loads | None:
    """One unit into another load, or into one of its own somewhere."""
    source = dice.below(len(loads))
    unit = loads[source][1][dice.below(len(loads[source][1]))]
    goal = len(loads) if dice.below(3) == 0 else dice.below(len(loads))
    if goal == source:
        return None
    changed = list(loads)
    changed[source] = _without(loads[source], unit)
    if goal == len(loads):
        mounts = sorted(floor.sorts[floor.units[unit].sort].fits)
        alone = mounts[dice.below(len(mounts))], (unit,)
        if len(loads[source][1]) == 1 or not floor.holds(alone):
            return None
        changed.insert(dice.below(len(changed) + 1), alone)
    else:
        mount, units = loads[goal]
        changed[goal] = mount, (*units, unit)
        if not floor.holds(changed[goal]):
            return None
    return [load for load in changed if load[1]]


def swap_units(floor: Floor, dice: Dice, loads: Loads) -> Loads | None:
    """Two units of two loads change places."""
    one, other = dice.below(len(loads)), dice.below(len(loads))
    if one == other:
        return None
    a = loads[one][1][dice.below(len(loads[one][1]))]
    b = loads[other][1][dice.below(len(loads[other][1]))]
    first = loads[one][0], (*_without(loads[one], a)[1], b)
    second = loads[other][0], (*_without(loads[other], b)[1], a)
    if not (floor.holds(first) and floor.holds(second)):
        return None
    changed = list(loads)
    changed[one], changed[other] = first, second
    return changed


def move_load(_: Floor, dice: Dice, loads: Loads) -> Loads | None:
    """A load earlier or later."""
    if len(loads) < 2:
        return None
    changed = list(loads)
    load = changed.pop(dice.below(len(changed)))
    changed.insert(dice.below(len(changed) + 1), load)
    return changed


def swap_loads(_: Floor, dice: Dice, loads: Loads) -> Loads | None:
    """Two loads change places."""
    one, other = dice.below(len(loads)), dice.below(len(loads))
    if one == other:
        return None
    changed = list(loads)
    changed[one], changed[other] = loads[other], loads[one]
    return changed


def other_mount(floor: Floor, dice: Dice, loads: Loads) -> Loads | None:
    """A load on another plate or at another station."""
    at, mount = dice.below(len(loads)), dice.below(len(floor.mounts))
    moved = mount, loads[at][1]
    if mount == loads[at][0] or not floor.holds(moved):
        return None
    changed = list(loads)
    changed[at] = moved
    return changed


def merge(floor: Floor, dice: Dice, loads: Loads) -> Loads | None:
    """As much of one load as another has room for goes into it."""
    one, other = dice.below(len(loads)), dice.below(len(loads))
    if one == other:
        return None
    mount, units = loads[one]
    stays: list[int] = []
    for unit in loads[other][1]:
        if floor.holds((mount, (*units, unit))):
            units = (*units, unit)
        else:
            stays.append(unit)
    if len(stays) == len(loads[other][1]):
        return None
    changed = list(loads)
    changed[one], changed[other] = (mount, units), (loads[other][0], tuple(stays))
    return [load for load in changed if load[1]]


#: Moves are drawn from these; those of single units are the ones that help most often.
MOVES: tuple[Move, ...] = (
    move_unit, move_unit, swap_units, swap_units, move_load, other_mount, merge, swap_loads,
)  # fmt: skip
