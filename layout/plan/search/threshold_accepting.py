"""Plans changed a little at a time, very many times: threshold accepting, compiled.

A changed plan is taken when it costs no more than the plan at hand by a threshold that shrinks to nothing
(G. Dueck and T. Scheuer, Journal of Computational Physics 90, 1990; from memory). Changes are made in place
and taken back; a changed plan is timed from its first changed load on, and no further than to where it costs
too much or all is as it was. What the clock of `layout.plan.search.timing` does is done here once more, on
arrays; a plan that comes out of here is timed again by that one.

All of it is in one file, because the machine code that is kept is made anew only when this file changes.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from layout.plan.search.arrays import NONE, Arrays, Bools, Floats, Ints, Records
from layout.plan.search.compiled import compiled
from layout.shop.hours import DAY_S

#: What a search weighs: weighted days and seconds late, loads, changes, orders split, walking.
LATENESS, LATE_S, LOADS, CHANGES, SPLIT, WALKING = range(6)
#: A load: its mount and how many units it has; seconds of burning and turning over, processes as bits, its
#: different orders, the way to the bins; its place in the order and when it ends; when it would end in the
#: trial of that number.
LOAD = np.dtype(
    [
        ("mount", "i8"), ("size", "i8"), ("seconds", "f8"), ("processes", "i8"), ("orders", "i8"),
        ("walking", "i8"), ("place", "i8"), ("ends", "f8"), ("would_end", "f8"), ("trial", "i8"),
    ]
)  # fmt: skip
#: State of a station between two loads.
AT = np.dtype([("hands", "f8"), ("laser", "f8"), ("plate", "i8"), ("process", "i8")])
#: A change touches no more loads than this.
SAVED = 2
#: Where a change begins, from where on nothing did change, how many loads there are then.
Changed = tuple[int, int, int]
#: The change makes no sense.
_NONE: Changed = (-1, 0, 0)
Dice = np.ndarray[tuple[int, ...], np.dtype[np.uint64]]


class Draft(NamedTuple):
    """A plan of loads that have numbers, with what is known of it; room for l loads.

    `order` are the numbers in order of time, behind them those that are free; `tried` is the order being
    tried. `at`, `copies` and `costs` (lateness, seconds late, changes) hold the state before the load at each
    place and after the last; their last row is the one to work on.
    """

    load: Records  # (l + SAVED,): behind the loads, those that are being changed as they were
    units: Ints  # (l + SAVED, slots + 1)
    order: Ints  # (l,)
    tried: Ints  # (l,)
    load_of: Ints  # (units,)
    at: Records  # (l + 2, stations)
    copies: Floats  # (l + 2, copies) when they are free
    costs: Floats  # (l + 2, 3)


@compiled
def _below(dice: Dice, most: int) -> int:
    """A number below `most` that looks like chance and is the same every time (a linear congruential
    generator, constants of D. E. Knuth, MMIX)."""
    dice[0] = dice[0] * np.uint64(6364136223846793005) + np.uint64(1442695040888963407)
    return int(np.int64((dice[0] >> np.uint64(33)) % np.uint64(most)))


@compiled
def _bits(number: int) -> int:
    count = 0
    while number:
        number &= number - 1
        count += 1
    return count


@compiled
def _highest(number: int) -> int:
    place = -1
    while number:
        number >>= 1
        place += 1
    return place


# --- time ---


@compiled
def _span(arrays: Arrays, station: int, ready: float) -> int:
    """The first open span that ends after `ready`."""
    low: int = arrays.station[station]["spans_from"]
    high: int = arrays.station[station]["spans_to"]
    while low < high:
        middle = (low + high) // 2
        if arrays.span[middle]["ends"] <= ready:
            low = middle + 1
        else:
            high = middle
    return low


@compiled
def _fit(arrays: Arrays, station: int, ready: float, seconds: float) -> float:
    """Earliest begin of work that is not interrupted; below zero when there is none within the arrays."""
    for number in range(_span(arrays, station, ready), arrays.station[station]["spans_to"]):
        begin: float = max(ready, arrays.span[number]["begins"])
        if begin + seconds <= arrays.span[number]["ends"]:
            return begin
    return -1.0


@compiled
def _spend(arrays: Arrays, station: int, begin: float, seconds: float) -> float:
    """When work that pauses while it is shut ends; below zero when that is beyond the arrays."""
    if seconds <= 0.0:
        return begin
    for number in range(_span(arrays, station, begin), arrays.station[station]["spans_to"]):
        now: float = max(begin, arrays.span[number]["begins"])
        if now + seconds <= arrays.span[number]["ends"]:
            return now + seconds
        seconds -= arrays.span[number]["ends"] - now
    return -1.0


@compiled
def _ready(arrays: Arrays, draft: Draft, number: int, first: int, trial: int) -> float:
    """When the earlier visits of a load's units are done; below zero when one is not before it."""
    ready = 0.0
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


@compiled
def _begins(arrays: Arrays, draft: Draft, row: int, number: int, ready: float, seconds: float) -> float:
    """When a load begins to burn; below zero when that is beyond the arrays."""
    station = arrays.mount[draft.load[number]["mount"]]["station"]
    at = draft.at[row, station]
    prepares = _fit(arrays, station, max(at["hands"], ready), 0.0)
    if prepares < 0.0:
        return -1.0
    seating = draft.load[number]["size"] * arrays.station[station]["load_s"]
    prepared = _spend(arrays, station, prepares, seating)
    if prepared < 0.0:
        return -1.0
    return _fit(arrays, station, max(prepared, at["laser"]), seconds)


@compiled
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
    end = begins + seconds
    at["hands"], at["laser"], at["plate"] = begins, end, mount["plate"]
    if rest:
        at["process"] = _highest(rest)
    draft.copies[row, copy] = end
    load["would_end"], load["trial"] = end, trial
    today = NONE
    for i in range(load["size"]):
        unit = arrays.unit[draft.units[number, i]]
        if unit["due"] < end:
            if today == NONE:
                today = arrays.working[min(int(end / DAY_S), len(arrays.working) - 1)]
            draft.costs[row, 0] += unit["weight"] * max(1, today - unit["due_day"])
            draft.costs[row, 1] += unit["weight"] * (end - unit["due"])
    draft.costs[row, 2] += plates + steps
    return True


@compiled
def _copy_state(draft: Draft, source: int, goal: int) -> None:
    for station in range(draft.at.shape[1]):
        one, other = draft.at[source, station], draft.at[goal, station]
        other["hands"], other["laser"] = one["hands"], one["laser"]
        other["plate"], other["process"] = one["plate"], one["process"]
    for copy in range(draft.copies.shape[1]):
        draft.copies[goal, copy] = draft.copies[source, copy]
    for part in range(draft.costs.shape[1]):
        draft.costs[goal, part] = draft.costs[source, part]


@compiled
def _is_alike(draft: Draft, row: int, other: int) -> bool:
    """Whether stations and copies are in the same state in two rows."""
    for station in range(draft.at.shape[1]):
        one, two = draft.at[row, station], draft.at[other, station]
        if one["hands"] != two["hands"] or one["laser"] != two["laser"]:
            return False
        if one["plate"] != two["plate"] or one["process"] != two["process"]:
            return False
    alike = True
    for copy in range(draft.copies.shape[1]):
        alike &= draft.copies[row, copy] == draft.copies[other, copy]
    return alike


@compiled
def _cost(draft: Draft, weights: Floats) -> float:
    """What the row to work on costs, but for loads, splits and walking."""
    costs = draft.costs[len(draft.costs) - 1]
    cost: float = weights[LATENESS] * costs[0] + weights[LATE_S] * costs[1] + weights[CHANGES] * costs[2]
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
        if place + 1 >= last and _is_alike(draft, work, before):
            for part in range(draft.costs.shape[1]):
                draft.costs[work, part] += draft.costs[count, part] - draft.costs[before, part]
            break
    return _cost(draft, weights) <= most


@compiled
def _keep_tried(arrays: Arrays, draft: Draft, first: int, loads: int, trial: int) -> bool:
    """Make the order that is tried the one that is, `loads` long, and record the state before every load."""
    work = len(draft.at) - 1
    for place in range(first, len(draft.order)):
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
            fits = fits and _seats(takes, scratch[0], some, scratch[1], scratch[2], scratch[3])
        if fits:
            return True
    return False


@compiled
def _holds(arrays: Arrays, draft: Draft, number: int, scratch: Ints) -> bool:
    """Whether the units of a load can sit on its mount together, and burn within one open stretch if little
    has to be changed for them; records the load's work."""
    load = draft.load[number]
    mount = arrays.mount[load["mount"]]
    if load["size"] > mount["slots"]:
        return False
    station = arrays.station[mount["station"]]
    seconds, processes, orders, low, high = 0.0, 0, 0, NONE, NONE
    for i in range(load["size"]):
        unit = arrays.unit[draft.units[number, i]]
        process = arrays.process[load["mount"], unit["sort"]]
        if process == NONE:
            return False
        processes |= 1 << process
        seconds += unit["seconds"] + arrays.turned[unit["sort"]] * station["turn_s"]
        is_new = 1
        for j in range(i):
            if arrays.unit[draft.units[number, j]]["order"] == unit["order"]:
                is_new = 0
        orders += is_new
        if unit["bin"] != NONE:
            low = unit["bin"] if low == NONE else min(low, unit["bin"])
            high = max(high, unit["bin"])
    load["seconds"], load["processes"] = seconds, processes
    load["orders"], load["walking"] = orders, high - low
    if seconds + (_bits(processes) - 1) * station["process_s"] > mount["longest"]:
        return False
    return _has_room(arrays, draft, number, scratch)


@compiled
def _hold_all(arrays: Arrays, draft: Draft, touched: Ints, scratch: Ints) -> bool:
    """Whether all loads that were changed can be as they are now."""
    for k in range(1, touched[0] + 1):
        if draft.load[touched[k]]["size"]:
            if not _holds(arrays, draft, touched[k], scratch):
                return False
            _note_units(draft, touched[k])
    return True


# --- changes ---


@compiled
def _copy_load(draft: Draft, source: int, goal: int) -> None:
    """Everything of a load that its units make."""
    one, other = draft.load[source], draft.load[goal]
    other["mount"], other["size"] = one["mount"], one["size"]
    other["seconds"], other["processes"] = one["seconds"], one["processes"]
    other["orders"], other["walking"] = one["orders"], one["walking"]
    for i in range(one["size"]):
        draft.units[goal, i] = draft.units[source, i]


@compiled
def _note_units(draft: Draft, number: int) -> None:
    for i in range(draft.load[number]["size"]):
        draft.load_of[draft.units[number, i]] = number


@compiled
def _touch(draft: Draft, touched: Ints, number: int) -> None:
    """Keep a load as it is before it is changed; `touched` begins with how many are kept."""
    _copy_load(draft, number, len(draft.order) + touched[0])
    touched[0] += 1
    touched[touched[0]] = number


@compiled
def _take_back(draft: Draft, touched: Ints) -> None:
    for k in range(touched[0]):
        _copy_load(draft, len(draft.order) + k, touched[k + 1])
        _note_units(draft, touched[k + 1])


@compiled
def _take_out(draft: Draft, number: int, i: int) -> int:
    """Take a load's unit number `i` out of it."""
    unit: int = draft.units[number, i]
    size = draft.load[number]["size"] - 1
    draft.units[number, i] = draft.units[number, size]
    draft.load[number]["size"] = size
    return unit


@compiled
def _put_in(draft: Draft, number: int, unit: int) -> None:
    draft.units[number, draft.load[number]["size"]] = unit
    draft.load[number]["size"] += 1


@compiled
def _shift(order: Ints, source: int, goal: int) -> None:
    """The load at one place goes to another."""
    number, step = order[source], 1 if source < goal else -1
    while source != goal:
        order[source] = order[source + step]
        source += step
    order[goal] = number


@compiled
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


@compiled
def _change(  # noqa: PLR0911
    arrays: Arrays, draft: Draft, count: int, dice: Dice, touched: Ints
) -> Changed:
    """One change of the order that is tried, drawn by chance; single units are moved most often, because that
    helps most often."""
    what = _below(dice, 24)
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
    one, other = _below(dice, count), _below(dice, count)
    if one == other:
        return _NONE
    if what < 21:  # a load earlier or later
        _shift(draft.tried, one, other)
    else:  # two loads change places
        draft.tried[one], draft.tried[other] = draft.tried[other], draft.tried[one]
    return min(one, other), max(one, other) + 1, count


# --- the search ---


@compiled
def _begin(arrays: Arrays, draft: Draft, count: int, scratch: Ints) -> bool:
    """Record what the search needs of a plan; False when the arrays are too short to carry it out."""
    for place in range(len(draft.order)):
        draft.tried[place] = draft.order[place]
        draft.load[draft.order[place]]["trial"] = NONE
    for place in range(count):
        if not _holds(arrays, draft, draft.order[place], scratch):
            return False
        _note_units(draft, draft.order[place])
    return _keep_tried(arrays, draft, 0, count, 0)


@compiled
def _more(draft: Draft, touched: Ints, count: int) -> tuple[int, int]:
    """By how much orders' loads and walking grow with the loads that were changed, of `count`."""
    orders = walking = 0
    for k in range(touched[0]):
        now, before = draft.load[touched[k + 1]], draft.load[len(draft.order) + k]
        if now["place"] < count:  # otherwise there was none
            orders -= before["orders"]
            walking -= before["walking"]
        if now["size"]:
            orders += now["orders"]
            walking += now["walking"]
    return orders, walking


@compiled
def _keep_best(draft: Draft, best: Draft) -> None:
    for number in range(len(draft.order)):
        best.order[number] = draft.order[number]
        load, goal = draft.load[number], best.load[number]
        goal["mount"], goal["size"] = load["mount"], load["size"]
        for i in range(load["size"]):
            best.units[number, i] = draft.units[number, i]


@compiled
def improve_draft(
    arrays: Arrays, draft: Draft, count: int, weights: Floats, threshold: float, rounds: int, dice: Dice,
    best: Draft,
) -> int:  # fmt: skip
    """Change a plan of `count` loads so many times; the best that was met, as plans are judged, is in `best`,
    and its number of loads is returned; below zero when the plan at hand can't be timed within the arrays.

    `weights` (6,) are what a search weighs (`LATENESS` and the others), by `threshold` a change may cost more
    at the beginning. `dice` (1,) is the state of chance.
    """
    scratch = np.zeros((4, draft.units.shape[1]), dtype=np.int64)
    touched = np.zeros(SAVED + 1, dtype=np.int64)
    if not _begin(arrays, draft, count, scratch):
        return -1
    follow = False  # whether visits follow others: then what comes after one that moved is never as it was
    for unit in range(len(arrays.unit)):
        follow |= arrays.unit[unit]["after"] != NONE
    orders = walking = 0
    for place in range(count):
        orders += draft.load[draft.order[place]]["orders"]
        walking += draft.load[draft.order[place]]["walking"]
    costs = draft.costs[len(draft.costs) - 1]
    now = (
        _cost(draft, weights) + weights[LOADS] * count + weights[SPLIT] * orders + weights[WALKING] * walking
    )
    least, best_count = (int(costs[0]), count, int(costs[2]), orders, walking), count
    _keep_best(draft, best)
    for trial in range(1, rounds + 1):
        for place in range(len(draft.order)):
            draft.tried[place] = draft.order[place]
        touched[0] = 0
        first, last, loads = _change(arrays, draft, count, dice, touched)
        if first < 0 or not _hold_all(arrays, draft, touched, scratch):
            _take_back(draft, touched)
            continue
        more_orders, more_walking = _more(draft, touched, count)
        loads_cost = weights[LOADS] * loads + weights[SPLIT] * (orders + more_orders)
        loads_cost += weights[WALKING] * (walking + more_walking)
        most = now + threshold * (1.0 - trial / rounds) - loads_cost
        changed = (first, loads if follow else last, loads)
        if not _costs_no_more(arrays, draft, weights, most, changed, count, trial):
            _take_back(draft, touched)
            continue
        _keep_tried(arrays, draft, first, loads, trial)
        count, orders, walking = loads, orders + more_orders, walking + more_walking
        now = loads_cost + _cost(draft, weights)
        judged = (int(costs[0]), count, int(costs[2]), orders, walking)
        if judged < least:
            least, best_count = judged, count
            _keep_best(draft, best)
    return best_count
