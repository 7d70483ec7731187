"""Plans changed a little at a time, very many times: threshold accepting, compiled.

A changed plan is taken when it costs no more than the plan at hand by a threshold that shrinks to nothing
(G. Dueck and T. Scheuer, Journal of Computational Physics 90, 1990; from memory). Changes are made in place
and taken back; a changed plan is timed from its first changed load on, and no further than to where it costs
too much or all is as it was. What the clock of `layout.plan.search.timing` does is done here once more, on
arrays; a plan that comes out of here is timed again by that one.

All of it is in one file, because the machine code that is kept is made anew only when this file changes.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from layout.plan.search.arrays import NONE, Arrays, Bools, Floats, Ints, Records
from layout.plan.search.compiled import compiled, inlined
from layout.shop.hours import DAY_S

#: What a search weighs: weighted days and seconds late, changes, waiting, nearness to a cut-off (these five
#: depend on times and are counted from load to load); loads, orders split, walking, loads turned over.
LATENESS, LATE_S, CHANGES, WAITING, NEAR_CUTOFF, LOADS, SPLIT, WALKING, TURNED = range(9)
TIMED_PARTS, PARTS = 5, 9
#: A load: its mount and how many units it has; seconds of burning and turning over, processes as bits, its
#: different orders, the way to the bins, whether it is turned over, whether a unit's earlier visit must be
#: before it; by how much the score's `waiting` grows
#: with each second until it is ready, the earliest due time in it; its place in the order and when it is
#: ready; when it would be in the trial of that number.
LOAD = np.dtype(
    [
        ("mount", "i8"), ("size", "i8"), ("seconds", "f8"), ("processes", "i8"), ("orders", "i8"),
        ("walking", "i8"), ("turned", "i8"), ("follows", "i8"), ("rate", "f8"), ("wanted_by", "f8"),
        ("place", "i8"), ("ends", "f8"), ("would_end", "f8"), ("trial", "i8"),
    ]
)  # fmt: skip  # fields that belong together stand on one line
#: State of a station between two loads, as `layout.plan.search.timing.StationState` has it.
AT = np.dtype(
    [
        ("hands", "f8"), ("laser", "f8"), ("plate", "i8"), ("process", "i8"),
        ("finished", "f8"), ("finishing", "f8"),
    ]
)  # fmt: skip  # fields that belong together stand on one line
#: A change touches no more loads than this.
SAVED = 2
#: Kinds of changes, by how often: those that make plans less late, and with those that make them lighter.
FOR_DATES, FOR_ALL = 24, 36
#: Loads that are moved together, at most.
MOST_BLOCK = 8
#: A weighted sum that is lower by less is no better: sums of many numbers are not exact.
LEAST_GAIN = 1e-7
#: What a part costs that is above its limit by one.
ABOVE = 100.0
#: Moments this close are the same: seconds added up in another order differ in their last digits.
SAME_S = 1e-6
#: How two states of the shop stand beside each other.
ALIKE, LATER, DIFFERENT = range(3)
#: Where a change begins, from where on nothing did change, how many loads there are then.
Changed = tuple[int, int, int]
#: The change makes no sense.
_NONE: Changed = (-1, 0, 0)
Dice = np.ndarray[tuple[int, ...], np.dtype[np.uint64]]


class Draft(NamedTuple):
    """A plan of loads that have numbers, with what is known of it; room for l loads.

    `order` are the numbers in order of time, behind them those that are free; `tried` is the order being
    tried. `at`, `copies` and `costs` (the parts that depend on times) hold the state before the load at each
    place and after the last; their last row is the one to work on.
    """

    load: Records  # (l + SAVED,): behind the loads, those that are being changed as they were
    units: Ints  # (l + SAVED, slots + 1)
    order: Ints  # (l,)
    tried: Ints  # (l,)
    load_of: Ints  # (units,)
    at: Records  # (l + 2, stations)
    copies: Floats  # (l + 2, copies) when they are free
    costs: Floats  # (l + 2, TIMED_PARTS)


@inlined
def _below(dice: Dice, most: int) -> int:
    """A number below `most` that looks like chance and is the same every time (a linear congruential
    generator, constants of D. E. Knuth, MMIX)."""
    dice[0] = dice[0] * np.uint64(6364136223846793005) + np.uint64(1442695040888963407)
    return int(np.int64((dice[0] >> np.uint64(33)) % np.uint64(most)))


@inlined
def _bits(number: int) -> int:
    count = 0
    while number:
        number &= number - 1
        count += 1
    return count


@inlined
def _highest(number: int) -> int:
    place = -1
    while number:
        number >>= 1
        place += 1
    return place


# --- time ---


@inlined
def _span(arrays: Arrays, low: int, high: int, ready: float) -> int:
    """The first of these spans that ends after `ready`."""
    while low < high:
        middle = (low + high) // 2
        if arrays.span[middle]["ends"] <= ready:
            low = middle + 1
        else:
            high = middle
    return low


@inlined
def _fit(arrays: Arrays, station: int, ready: float, seconds: float) -> float:
    """Earliest begin of work that is not interrupted; below zero when there is none within the arrays."""
    low: int = arrays.station[station]["spans_from"]
    high: int = arrays.station[station]["spans_to"]
    for number in range(_span(arrays, low, high, ready), high):
        begin: float = max(ready, arrays.span[number]["begins"])
        if begin + seconds <= arrays.span[number]["ends"]:
            return begin
    return -1.0


@inlined
def _hands_from(arrays: Arrays, station: int, ready: float) -> float:
    """The first moment from then on at which hands are there; below zero when that is beyond the arrays."""
    high: int = arrays.station[station]["hands_to"]
    number = _span(arrays, arrays.station[station]["hands_from"], high, ready)
    if number >= high:
        return -1.0
    moment: float = max(ready, arrays.span[number]["begins"])
    return moment


@inlined
def _spend(arrays: Arrays, station: int, begin: float, seconds: float) -> float:
    """When so much handling is done, which rests while nobody is there; below zero when that is beyond the
    arrays."""
    if seconds <= 0.0:
        return begin
    high: int = arrays.station[station]["hands_to"]
    for number in range(_span(arrays, arrays.station[station]["hands_from"], high, begin), high):
        now: float = max(begin, arrays.span[number]["begins"])
        people: float = arrays.span[number]["people"]
        if now + seconds / people <= arrays.span[number]["ends"]:
            return now + seconds / people
        seconds -= (arrays.span[number]["ends"] - now) * people
    return -1.0


@inlined
def _ready(arrays: Arrays, draft: Draft, number: int, first: int, trial: int) -> float:
    """When the earlier visits of a load's units are done; below zero when one is not before it."""
    ready = 0.0
    if not draft.load[number]["follows"]:
        return ready
    for i in range(draft.load[number]["size"]):
        after = arrays.unit[draft.units[number, i]]["after"]
        if after != NONE:
            before = draft.load[draft.load_of[after]]
            if before["trial"] == trial:
                ready = max(ready, before["would_end"])
            elif before["place"] < first:
                ready = max(ready, before["ends"])
            else:
                return -1.0
    return ready


@inlined
def _begins(arrays: Arrays, draft: Draft, row: int, number: int, ready: float, seconds: float) -> float:
    """When a load begins to burn; below zero when that is beyond the arrays."""
    station = arrays.mount[draft.load[number]["mount"]]["station"]
    at = draft.at[row, station]
    prepares = _hands_from(arrays, station, max(at["hands"], ready))
    if prepares < 0.0:
        return -1.0
    seating = draft.load[number]["size"] * arrays.station[station]["load_s"]
    if prepares >= at["laser"]:  # what burned before is finished first
        prepares = _hands_from(arrays, station, max(prepares, at["finished"]))
        if prepares < 0.0:
            return -1.0
        prepared = _spend(arrays, station, prepares, seating)
    else:
        prepared = _spend(arrays, station, prepares, seating)
        if prepared > at["laser"]:
            prepared = _spend(arrays, station, prepares, seating + at["finishing"])
    if prepared < 0.0:
        return -1.0
    return _fit(arrays, station, max(prepared, at["laser"]), seconds)


@inlined
def _finish(arrays: Arrays, draft: Draft, number: int, begins: float, burned: float) -> tuple[float, float]:
    """When the plate of a load is empty again, and when its units are ready to hand over (below zero when
    that is beyond the arrays); its station goes on to after it."""
    load = draft.load[number]
    place = arrays.mount[load["mount"]]["station"]
    station, at = arrays.station[place], draft.at[len(draft.at) - 1, place]
    emptied, end = burned, burned
    at["hands"], at["laser"] = max(begins, at["finished"]), burned
    handling = load["size"] * station["after_burn_s"]
    if handling > 0.0:
        turns_to_it = max(burned, at["finished"])
        emptied = _spend(arrays, place, turns_to_it, load["size"] * station["look_s"])
        end = _spend(arrays, place, turns_to_it, handling)
    at["finished"], at["finishing"] = end, handling
    return emptied, end


@inlined
def _put(arrays: Arrays, draft: Draft, number: int, first: int, trial: int) -> bool:
    """Move the row to work on past one more load; False when it can't be carried out there."""
    row, load = len(draft.at) - 1, draft.load[number]
    mount = arrays.mount[load["mount"]]
    station, at = arrays.station[mount["station"]], draft.at[row, mount["station"]]
    copy = arrays.copies_from[mount["plate"]]
    for other in range(copy + 1, arrays.copies_from[mount["plate"] + 1]):
        if draft.copies[row, other] < draft.copies[row, copy]:
            copy = other
    plates = 1 if at["plate"] != NONE and at["plate"] != mount["plate"] else 0
    # The process at hand is burned first; the first ever mounted is no change.
    rest = load["processes"] if at["process"] == NONE else load["processes"] & ~(1 << at["process"])
    steps = _bits(rest) - (1 if at["process"] == NONE and rest else 0)
    seconds = load["seconds"] + plates * station["plate_s"] + steps * station["process_s"]
    ready = _ready(arrays, draft, number, first, trial)
    if ready < 0.0 or seconds > mount["longest"]:
        return False
    begins = _begins(arrays, draft, row, number, max(ready, draft.copies[row, copy]), seconds)
    if begins < 0.0:
        return False
    emptied, end = _finish(arrays, draft, number, begins, begins + seconds)
    if end < 0.0:
        return False
    at["plate"] = mount["plate"]
    if rest:
        at["process"] = _highest(rest)
    draft.copies[row, copy] = emptied
    load["would_end"], load["trial"] = end, trial
    costs, margin = draft.costs[row], arrays.start[1]
    costs[WAITING] += load["rate"] * (end - arrays.start[0])
    costs[CHANGES] += plates + steps
    if load["wanted_by"] - margin >= end:
        return True
    today: int = arrays.working[min(int(end / DAY_S), len(arrays.working) - 1)]
    for i in range(load["size"]):
        unit = arrays.unit[draft.units[number, i]]
        if unit["wanted_by"] - margin < end:
            if end >= unit["wanted_by"]:
                costs[NEAR_CUTOFF] += unit["weight"]
            else:
                costs[NEAR_CUTOFF] += unit["weight"] * (1.0 - (unit["wanted_by"] - end) / margin)
        if unit["due"] < end:
            costs[LATENESS] += unit["weight"] * max(1, today - unit["due_day"])
            costs[LATE_S] += unit["weight"] * (end - unit["due"])
    return True


@inlined
def _copy_state(draft: Draft, source: int, goal: int) -> None:
    for station in range(draft.at.shape[1]):
        one, other = draft.at[source, station], draft.at[goal, station]
        other["hands"], other["laser"] = one["hands"], one["laser"]
        other["plate"], other["process"] = one["plate"], one["process"]
        other["finished"], other["finishing"] = one["finished"], one["finishing"]
    for copy in range(draft.copies.shape[1]):
        draft.copies[goal, copy] = draft.copies[source, copy]
    for part in range(draft.costs.shape[1]):
        draft.costs[goal, part] = draft.costs[source, part]


@inlined
def _compared(draft: Draft, row: int, other: int) -> int:
    """How stations and copies stand in one row beside another: `ALIKE`, `LATER` (nothing is ready sooner) or
    `DIFFERENT`."""
    later = False
    for station in range(draft.at.shape[1]):
        one, two = draft.at[row, station], draft.at[other, station]
        if one["plate"] != two["plate"] or one["process"] != two["process"]:
            return DIFFERENT
        least = min(one["hands"] - two["hands"], one["laser"] - two["laser"])
        least = min(least, one["finished"] - two["finished"], one["finishing"] - two["finishing"])
        if least < -SAME_S:
            return DIFFERENT
        later |= one["hands"] - two["hands"] > SAME_S or one["laser"] - two["laser"] > SAME_S
        later |= one["finished"] - two["finished"] > SAME_S or one["finishing"] - two["finishing"] > SAME_S
    for copy in range(draft.copies.shape[1]):
        difference = draft.copies[row, copy] - draft.copies[other, copy]
        if difference < -SAME_S:
            return DIFFERENT
        later |= difference > SAME_S
    return LATER if later else ALIKE


@inlined
def _cost(draft: Draft, weights: Floats) -> float:
    """What the row to work on costs, as far as that depends on times."""
    costs, cost = draft.costs[len(draft.costs) - 1], 0.0
    for part in range(TIMED_PARTS):
        cost += weights[part] * costs[part]
    return cost


@compiled
def _costs_no_more(
    arrays: Arrays, draft: Draft, weights: Floats, most: float, changed: Changed, count: int, trial: int
) -> bool:
    """Whether the order that is tried can be carried out and costs no more than `most`; then the row to work
    on holds its costs. `count` loads are in the order as it is."""
    first, last, loads = changed
    work, shift = len(draft.at) - 1, loads - count
    _copy_state(draft, first, work)
    for place in range(first, loads):
        if not _put(arrays, draft, draft.tried[place], first, trial) or _cost(draft, weights) > most:
            return False
        before = place + 1 - shift
        if place + 1 < last:
            continue
        compared = _compared(draft, work, before)
        if compared == DIFFERENT:
            continue
        # Loads that begin no sooner than they did, in the same order, cost no less than they did.
        rest = 0.0
        for part in range(TIMED_PARTS):
            rest += weights[part] * (draft.costs[count, part] - draft.costs[before, part])
        if _cost(draft, weights) + rest > most:
            return False
        if compared == ALIKE:
            for part in range(TIMED_PARTS):
                draft.costs[work, part] += draft.costs[count, part] - draft.costs[before, part]
            break
    return _cost(draft, weights) <= most


@compiled
def _keep_tried(arrays: Arrays, draft: Draft, first: int, loads: int, trial: int) -> bool:
    """Make the order that is tried the one that is, `loads` long, and record the state before every load."""
    work = len(draft.at) - 1
    for place in range(first, min(loads + 2, len(draft.order))):  # behind them nothing has changed
        draft.order[place] = draft.tried[place]
        draft.load[draft.order[place]]["place"] = place
    _copy_state(draft, first, work)
    for place in range(first, loads):
        number = draft.order[place]
        if not _put(arrays, draft, number, first, trial):
            return False
        draft.load[number]["ends"] = draft.load[number]["would_end"]
        _copy_state(draft, work, place + 1)
    return True


# --- room ---


@compiled
def _seats(takes: Bools, sorts: Ints, count: int, seated: Ints, came: Ints, line: Ints) -> bool:
    """Whether so many units of these sorts find slots; `takes` (sorts, slots). Each is seated along the
    shortest way on which others move over."""
    slots = takes.shape[1]
    for slot in range(slots):
        seated[slot] = NONE
    for unit in range(count):
        head = tail = 0
        for slot in range(slots):
            came[slot] = NONE
            if takes[sorts[unit], slot]:
                came[slot] = slots  # from outside
                line[tail] = slot
                tail += 1
        free = NONE
        while head < tail and free == NONE:
            slot = line[head]
            head += 1
            if seated[slot] == NONE:
                free = slot
                break
            for other in range(slots):
                if came[other] == NONE and takes[sorts[seated[slot]], other]:
                    came[other] = slot
                    line[tail] = other
                    tail += 1
        if free == NONE:
            return False
        while came[free] != slots:
            seated[free] = seated[came[free]]
            free = came[free]
        seated[free] = unit
    return True


@compiled
def _has_room(arrays: Arrays, draft: Draft, number: int, scratch: Ints) -> bool:
    """Whether all turns of a load find slots with the head at one of the heights that are tried."""
    mount, count = draft.load[number]["mount"], draft.load[number]["size"]
    most = 0
    for i in range(count):
        most = max(most, arrays.turned[arrays.unit[draft.units[number, i]]["sort"]])
    for height in range(arrays.mount[mount]["heights"]):
        fits = True
        for turn in range(most + 1):
            some = 0
            for i in range(count):
                sort = arrays.unit[draft.units[number, i]]["sort"]
                if arrays.turned[sort] >= turn:
                    scratch[0, some] = sort
                    some += 1
            takes = arrays.takes[mount, height, turn]
            anywhere = True  # whoever may sit in any slot needs no matching
            for i in range(some):
                anywhere &= arrays.anywhere[mount, height, turn, scratch[0, i]]
            if not anywhere:
                fits = fits and _seats(takes, scratch[0], some, scratch[1], scratch[2], scratch[3])
        if fits:
            return True
    return False


@compiled
def _holds(arrays: Arrays, draft: Draft, number: int, scratch: Ints) -> bool:
    """Whether the units of a load can sit on its mount together, and burn within one open stretch if little
    has to be changed for them; records the load's work."""
    return _is_short(arrays, draft, number) and _has_room(arrays, draft, number, scratch)


@compiled
def _is_short(arrays: Arrays, draft: Draft, number: int) -> bool:
    """Whether the units of a load may all sit on its mount and burn within one open stretch, if little has to
    be changed for them; records the load's work."""
    load = draft.load[number]
    mount = arrays.mount[load["mount"]]
    if load["size"] > mount["slots"]:
        return False
    station = arrays.station[mount["station"]]
    seconds, processes, orders, low, high = 0.0, 0, 0, NONE, NONE
    turned, follows, rate, wanted_by = 0, 0, 0.0, np.inf
    for i in range(load["size"]):
        unit = arrays.unit[draft.units[number, i]]
        process = arrays.process[load["mount"], unit["sort"]]
        if process == NONE:
            return False
        processes |= 1 << process
        seconds += unit["seconds"] + arrays.turned[unit["sort"]] * station["turn_s"]
        turned = max(turned, min(1, arrays.turned[unit["sort"]]))
        if unit["after"] != NONE:
            follows = 1
        rate += unit["rate"]
        wanted_by = min(wanted_by, unit["wanted_by"])
        is_new = 1
        for j in range(i):
            if arrays.unit[draft.units[number, j]]["order"] == unit["order"]:
                is_new = 0
        orders += is_new
        if unit["bin"] != NONE:
            low = unit["bin"] if low == NONE else min(low, unit["bin"])
            high = max(high, unit["bin"])
    load["seconds"], load["processes"] = seconds, processes
    load["orders"], load["walking"], load["turned"] = orders, high - low, turned
    load["follows"], load["rate"], load["wanted_by"] = follows, rate, wanted_by
    wholly: bool = seconds + (_bits(processes) - 1) * station["process_s"] <= mount["longest"]
    return wholly


@compiled
def _hold_all(arrays: Arrays, draft: Draft, touched: Ints, scratch: Ints) -> bool:
    """Whether all loads that were changed can be as they are now."""
    for k in range(1, touched[0] + 1):
        if draft.load[touched[k]]["size"]:
            if not _is_short(arrays, draft, touched[k]):
                return False
            if not touched[SAVED + 1] and not _has_room(arrays, draft, touched[k], scratch):
                return False
            _note_units(draft, touched[k])
    return True


# --- changes ---


@inlined
def _copy_load(draft: Draft, source: int, goal: int) -> None:
    """Everything of a load that its units make."""
    one, other = draft.load[source], draft.load[goal]
    other["mount"], other["size"] = one["mount"], one["size"]
    other["seconds"], other["processes"] = one["seconds"], one["processes"]
    other["orders"], other["walking"], other["turned"] = one["orders"], one["walking"], one["turned"]
    other["follows"], other["rate"] = one["follows"], one["rate"]
    other["wanted_by"] = one["wanted_by"]
    for i in range(one["size"]):
        draft.units[goal, i] = draft.units[source, i]


@inlined
def _note_units(draft: Draft, number: int) -> None:
    for i in range(draft.load[number]["size"]):
        draft.load_of[draft.units[number, i]] = number


@inlined
def _touch(draft: Draft, touched: Ints, number: int) -> None:
    """Keep a load as it is before it is changed; `touched` begins with how many are kept."""
    _copy_load(draft, number, len(draft.order) + touched[0])
    touched[0] += 1
    touched[touched[0]] = number


@inlined
def _take_back(draft: Draft, touched: Ints) -> None:
    for k in range(touched[0]):
        _copy_load(draft, len(draft.order) + k, touched[k + 1])
        _note_units(draft, touched[k + 1])


@inlined
def _take_out(draft: Draft, number: int, i: int) -> int:
    """Take a load's unit number `i` out of it."""
    unit: int = draft.units[number, i]
    size = draft.load[number]["size"] - 1
    draft.units[number, i] = draft.units[number, size]
    draft.load[number]["size"] = size
    return unit


@inlined
def _put_in(draft: Draft, number: int, unit: int) -> None:
    draft.units[number, draft.load[number]["size"]] = unit
    draft.load[number]["size"] += 1


@inlined
def _shift(order: Ints, source: int, goal: int) -> None:
    """The load at one place goes to another."""
    number, step = order[source], 1 if source < goal else -1
    while source != goal:
        order[source] = order[source + step]
        source += step
    order[goal] = number


@inlined
def _without_empty(draft: Draft, count: int, source: int, goal: int) -> Changed:
    """What changed when units went from the load at one place to that at another; one that is empty now is
    taken out."""
    first, last = min(source, goal), max(source, goal) + 1
    if draft.load[draft.tried[source]]["size"] == 0:
        _shift(draft.tried, source, count - 1)
        return first, last - 1, count - 1
    return first, last, count


@compiled
def _move_unit(arrays: Arrays, draft: Draft, count: int, dice: Dice, touched: Ints) -> Changed:
    """One unit into another load."""
    source, goal = _below(dice, count), _below(dice, count)
    load, other = draft.tried[source], draft.tried[goal]
    if goal == source or draft.load[other]["size"] >= arrays.mount[draft.load[other]["mount"]]["slots"]:
        return _NONE
    _touch(draft, touched, load)
    _touch(draft, touched, other)
    _put_in(draft, other, _take_out(draft, load, _below(dice, draft.load[load]["size"])))
    return _without_empty(draft, count, source, goal)


@compiled
def _part_unit(arrays: Arrays, draft: Draft, count: int, dice: Dice, touched: Ints) -> Changed:
    """One unit into a load of its own somewhere."""
    source, goal = _below(dice, count), _below(dice, count + 1)
    load = draft.tried[source]
    if draft.load[load]["size"] == 1:
        return _NONE
    new = draft.tried[count]
    _touch(draft, touched, load)
    _touch(draft, touched, new)
    unit = _take_out(draft, load, _below(dice, draft.load[load]["size"]))
    sort = arrays.unit[unit]["sort"]
    mounts = arrays.mounts_from[sort]
    draft.load[new]["mount"] = arrays.mounts[mounts + _below(dice, arrays.mounts_from[sort + 1] - mounts)]
    draft.load[new]["size"] = 0
    _put_in(draft, new, unit)
    _shift(draft.tried, count, goal)
    return min(source, goal), max(source + 2 if goal <= source else 0, goal + 1), count + 1


@compiled
def _swap_units(draft: Draft, count: int, dice: Dice, touched: Ints) -> Changed:
    """Two units of two loads change places."""
    one, other = _below(dice, count), _below(dice, count)
    if one == other:
        return _NONE
    a, b = draft.tried[one], draft.tried[other]
    _touch(draft, touched, a)
    _touch(draft, touched, b)
    unit = _take_out(draft, a, _below(dice, draft.load[a]["size"]))
    _put_in(draft, a, _take_out(draft, b, _below(dice, draft.load[b]["size"])))
    _put_in(draft, b, unit)
    return min(one, other), max(one, other) + 1, count


@compiled
def _merge(arrays: Arrays, draft: Draft, count: int, dice: Dice, touched: Ints) -> Changed:
    """As much of one load as another has slots for goes into it."""
    source, goal = _below(dice, count), _below(dice, count)
    load, other = draft.tried[source], draft.tried[goal]
    free = arrays.mount[draft.load[other]["mount"]]["slots"] - draft.load[other]["size"]
    if source == goal or free < 1:
        return _NONE
    _touch(draft, touched, load)
    _touch(draft, touched, other)
    for _ in range(min(free, draft.load[load]["size"])):
        _put_in(draft, other, _take_out(draft, load, draft.load[load]["size"] - 1))
    return _without_empty(draft, count, source, goal)


@compiled
def _other_mount(arrays: Arrays, draft: Draft, count: int, dice: Dice, touched: Ints) -> Changed:
    """A load on another plate or at another station."""
    place, mount = _below(dice, count), _below(dice, len(arrays.mount))
    if draft.load[draft.tried[place]]["mount"] == mount:
        return _NONE
    _touch(draft, touched, draft.tried[place])
    draft.load[draft.tried[place]]["mount"] = mount
    return place, place + 1, count


@inlined
def _another(dice: Dice, begins: Ints, members: Ints, group: int) -> int:
    """A member of a group, drawn by chance."""
    unit: int = members[begins[group] + _below(dice, begins[group + 1] - begins[group])]
    return unit


@compiled
def _swap_alike(arrays: Arrays, draft: Draft, count: int, dice: Dice, touched: Ints) -> Changed:
    """Two units of one sort in two loads change places: there is a slot for both in any case."""
    unit = _below(dice, len(arrays.unit))
    other = _another(dice, arrays.of_sort_from, arrays.of_sort, arrays.unit[unit]["sort"])
    a, b = draft.load_of[unit], draft.load_of[other]
    if a == b:
        return _NONE
    _touch(draft, touched, a)
    _touch(draft, touched, b)
    draft.units[a, _place_in(draft, a, unit)] = other
    draft.units[b, _place_in(draft, b, other)] = unit
    touched[SAVED + 1] = 1
    one, two = draft.load[a]["place"], draft.load[b]["place"]
    return min(one, two), max(one, two) + 1, count


@compiled
def _join_order(arrays: Arrays, draft: Draft, count: int, dice: Dice, touched: Ints) -> Changed:
    """A unit goes to where another of its order is, in place of one of another order if no slot is left."""
    unit = _below(dice, len(arrays.unit))
    order = arrays.unit[unit]["order"]
    a = draft.load_of[unit]
    b = draft.load_of[_another(dice, arrays.of_order_from, arrays.of_order, order)]
    if a == b:
        return _NONE
    source, goal = draft.load[a]["place"], draft.load[b]["place"]
    _touch(draft, touched, a)
    _touch(draft, touched, b)
    i = _place_in(draft, a, unit)
    if draft.load[b]["size"] < arrays.mount[draft.load[b]["mount"]]["slots"]:
        _put_in(draft, b, _take_out(draft, a, i))
        return _without_empty(draft, count, source, goal)
    j = _below(dice, draft.load[b]["size"])
    if arrays.unit[draft.units[b, j]]["order"] == order:
        return _NONE
    draft.units[a, i], draft.units[b, j] = draft.units[b, j], unit
    return min(source, goal), max(source, goal) + 1, count


@inlined
def _place_in(draft: Draft, number: int, unit: int) -> int:
    """Which unit of the load it is."""
    i = 0
    while draft.units[number, i] != unit:
        i += 1
    return i


@compiled
def _move_block(draft: Draft, count: int, dice: Dice) -> Changed:
    """Some loads that follow one another go elsewhere together."""
    size = 2 + _below(dice, min(count, MOST_BLOCK) - 1)
    source, goal = _below(dice, count - size + 1), _below(dice, count - size + 1)
    if source == goal:
        return _NONE
    for n in range(size):
        if source < goal:
            _shift(draft.tried, source, goal + size - 1)
        else:
            _shift(draft.tried, source + n, goal + n)
    return min(source, goal), max(source, goal) + size, count


@compiled
def _change(  # noqa: PLR0911
    arrays: Arrays, draft: Draft, count: int, dice: Dice, touched: Ints, kinds: int
) -> Changed:
    """One change of the order that is tried, drawn by chance from so many kinds; single units are moved most
    often, because that helps most often."""
    what = _below(dice, kinds)
    if what < 4:
        return _move_unit(arrays, draft, count, dice, touched)
    if what < 6:
        return _part_unit(arrays, draft, count, dice, touched)
    if what < 12:
        return _swap_units(draft, count, dice, touched)
    if what < 15:
        return _merge(arrays, draft, count, dice, touched)
    if what < 18:
        return _other_mount(arrays, draft, count, dice, touched)
    if what < FOR_DATES:
        one, other = _below(dice, count), _below(dice, count)
        if one == other:
            return _NONE
        if what < 21:  # a load earlier or later
            _shift(draft.tried, one, other)
        else:  # two loads change places
            draft.tried[one], draft.tried[other] = draft.tried[other], draft.tried[one]
        return min(one, other), max(one, other) + 1, count
    if what < 29:
        return _join_order(arrays, draft, count, dice, touched)
    if what < 33 or count < 3:
        return _swap_alike(arrays, draft, count, dice, touched)
    return _move_block(draft, count, dice)


# --- the search ---


@compiled
def _begin(arrays: Arrays, draft: Draft, count: int, scratch: Ints) -> bool:
    """Record what the search needs of a plan; False when the arrays are too short to carry it out."""
    for place in range(len(draft.order)):
        draft.tried[place] = draft.order[place]
        draft.load[draft.order[place]]["trial"] = NONE
        draft.load[draft.order[place]]["place"] = place
    for place in range(count):
        if not _holds(arrays, draft, draft.order[place], scratch):
            return False
        _note_units(draft, draft.order[place])
    return _keep_tried(arrays, draft, 0, count, 0)


@inlined
def _add_untimed(totals: Floats, load: Any, sign: int) -> None:
    """Add to the totals (or take off) what a load adds to the parts that don't depend on times. An order's
    first load is no split; that is the same number in every plan."""
    totals[SPLIT] += sign * load["orders"]
    totals[WALKING] += sign * load["walking"]
    totals[TURNED] += sign * load["turned"]


@compiled
def _tried_totals(draft: Draft, totals: Floats, tried: Floats, touched: Ints, count: int) -> None:
    """The totals with the loads that were changed, of `count`."""
    tried[:] = totals
    for k in range(touched[0]):
        now, before = draft.load[touched[k + 1]], draft.load[len(draft.order) + k]
        if now["place"] < count:  # otherwise there was none
            _add_untimed(tried, before, -1)
        if now["size"]:
            _add_untimed(tried, now, 1)


@inlined
def _untimed_cost(totals: Floats, weights: Floats) -> float:
    """What loads, splits, walking and turning over cost."""
    cost = 0.0
    for part in range(TIMED_PARTS, PARTS):
        cost += weights[part] * totals[part]
    return cost


@inlined
def _above(totals: Floats, most: Floats) -> float:
    """What it costs that parts are above their limits."""
    cost = 0.0
    for part in range(PARTS):
        if totals[part] > most[part] + LEAST_GAIN:
            cost += ABOVE * (totals[part] - most[part])
    return cost


@compiled
def _keep_best(draft: Draft, best: Draft, count: int) -> None:
    """Copy the plan's loads, numbered in their order."""
    for place in range(count):
        number = draft.order[place]
        load, goal = draft.load[number], best.load[place]
        best.order[place] = place
        goal["mount"], goal["size"] = load["mount"], load["size"]
        for i in range(load["size"]):
            best.units[place, i] = draft.units[number, i]


@compiled
def improve_draft(
    arrays: Arrays,
    draft: Draft,
    count: int,
    weights: Floats,
    judged: Floats,
    most: Floats,
    threshold: float,
    tries: Ints,
    dice: Dice,
    best: Draft,
) -> int:
    """Change a plan of `count` loads up to `tries[0]` times, and no more when the last `tries[1]` brought no
    better plan; the best that was met, as plans are judged, is in `best`, and its number of loads is
    returned; below zero when the plan at hand can't be timed within the arrays. `tries[2]` is how many were
    made, `tries[3]` from how many kinds of changes they are drawn.

    `weights` (PARTS,) are what the search weighs, `judged` what the score's weighted sum weighs, `most` what
    no part should be above; by `threshold` a change may cost more at the beginning. `dice` (1,) is the state
    of chance.
    """
    scratch = np.zeros((4, draft.units.shape[1]), dtype=np.int64)
    touched = np.zeros(SAVED + 2, dtype=np.int64)
    totals, tried = np.zeros(PARTS), np.zeros(PARTS)
    if not _begin(arrays, draft, count, scratch):
        return -1
    follow = False  # whether visits follow others: then what comes after one that moved is never as it was
    for unit in range(len(arrays.unit)):
        follow |= arrays.unit[unit]["after"] != NONE
    for place in range(count):
        _add_untimed(totals, draft.load[draft.order[place]], 1)
    costs = draft.costs[len(draft.costs) - 1]
    totals[:TIMED_PARTS], totals[LOADS] = costs, count
    now = _cost(draft, weights) + _untimed_cost(totals, weights) + _above(totals, most)
    least_late, best_count = costs[LATENESS], count
    least = _cost(draft, judged) + _untimed_cost(totals, judged) + _above(totals, most)
    _keep_best(draft, best, count)
    rounds, last_gain, trial = tries[0], 0, 0
    while trial < rounds and trial - last_gain < tries[1]:
        trial += 1
        for place in range(min(count + 1, len(draft.order))):
            draft.tried[place] = draft.order[place]
        touched[:] = 0
        first, last, loads = _change(arrays, draft, count, dice, touched, tries[3])
        if first < 0 or not _hold_all(arrays, draft, touched, scratch):
            _take_back(draft, touched)
            continue
        _tried_totals(draft, totals, tried, touched, count)
        tried[LOADS] = loads
        untimed = _untimed_cost(tried, weights)
        limit = now + threshold * (1.0 - trial / rounds) - untimed
        changed = (first, loads if follow else last, loads)
        if not _costs_no_more(arrays, draft, weights, limit, changed, count, trial):
            _take_back(draft, touched)
            continue
        tried[:TIMED_PARTS] = costs
        above = _above(tried, most)
        if _cost(draft, weights) + above > limit:
            _take_back(draft, touched)
            continue
        _keep_tried(arrays, draft, first, loads, trial)
        count = loads
        tried[:TIMED_PARTS] = costs
        totals[:] = tried
        now = untimed + _cost(draft, weights) + above
        total = _cost(draft, judged) + _untimed_cost(totals, judged) + above
        late = costs[LATENESS]
        if (late, count) < (least_late, best_count) or (
            late == least_late and count == best_count and total < least - LEAST_GAIN
        ):
            least_late, best_count, least, last_gain = late, count, total, trial
            _keep_best(draft, best, count)
    tries[2] = trial
    return best_count
