"""Improving a plan a few neighbouring loads at a time: their units are shared out anew, in the best way there
is, while all other loads stay as they are."""

from __future__ import annotations

from collections.abc import Sequence

from layout.exact import shared_out
from layout.floor import Floor, Load
from layout.track import Passage, Track

#: Units shared out anew at a time, steps for each of them, and for all together.
MOST_UNITS, MOST_STEPS, ALL_STEPS = 8, 3_000, 20_000


def improve_windows(floor: Floor, loads: Sequence[Load]) -> list[Load]:
    """The plan gone through once, every run of loads that hold no more than a few units made as good as it
    can be alone."""
    track, now = Track(floor), list(loads)
    passage, first, left = track.start, 0, ALL_STEPS
    while first < len(now) and left > 0:
        now, spent = _anew(track, passage, now, first)
        passage, first, left = track.put(passage, now[first]), first + 1, left - spent
    return now


def _anew(track: Track, passage: Passage, loads: list[Load], first: int) -> tuple[list[Load], int]:
    """The loads from `first` on, as many as hold a few units, shared out anew; and the steps it took."""
    last, units = first, 0
    while last < len(loads) and units + len(loads[last][1]) <= MOST_UNITS:
        units += len(loads[last][1])
        last += 1
    if last == first:
        return loads, 0
    inside = sorted(unit for _, some in loads[first:last] for unit in some)
    end = track.run(passage, loads[first:])
    assert end is not None, "a plan to be improved is one that can be carried out"
    known = (end.lateness, last - first)
    better = shared_out(track, passage, inside, loads[last:], known, MOST_STEPS)
    if better.loads is None:
        return loads, MOST_STEPS - better.steps
    return [*loads[:first], *better.loads, *loads[last:]], MOST_STEPS - better.steps
