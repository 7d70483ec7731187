"""The head heights worth trying for one turn of a plate.

While a turn burns, the laser's head stands at one height. A mark is in focus over a range of heights, so each
way to seat a unit is a bar from its lowest to its highest height, and a height is a line drawn across the
bars: it serves those it crosses.

    21 to 25 mm  |                    #####      two heights serve all four: one in the lower group,
     3 to  5 mm  |  ---                          one in the upper; nothing is gained by a third
     2 to  4 mm  | ---
     1 to  3 mm  |---

A choice is not lost by looking at few heights, because a height whose bars another height crosses as well is
never the better one. What is left are the places where a low end is followed by a high end: there the set of
bars is as large as it gets (the maximal cliques of an interval graph: D. R. Fulkerson and O. A. Gross,
"Incidence matrices and interval graphs", Pacific Journal of Mathematics 15, 1965; from memory).

The fewest heights that serve every bar are found by going through the bars by their high ends and setting a
line for each bar that none has crossed yet (interval stabbing; common knowledge of textbooks).
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Sequence
from math import inf

#: Lowest and highest head height (mm above the plate's datum) at which something is in focus.
Range = tuple[float, float]

#: Heights tried for one turn where fewer serve everything: seats of a shop have a handful of heights.
MOST_HEIGHTS = 8


def heights_to_try(
    ranges: Iterable[Range], *, must_serve: Iterable[Range] = (), most: int = MOST_HEIGHTS
) -> list[float]:
    """Head heights (mm, ascending) of which one is best for a turn, whichever of the ranges are to meet.

    With `must_serve` only heights that serve one of those ranges. Where there are more than `most`: the
    fewest that serve every range, and of the others those that serve the most, up to `most`; so every range
    is served, however many heights that takes. A range that ends below its begin (never in focus) is left
    out.

    >>> heights_to_try([(1.0, 3.0), (2.0, 4.0), (3.0, 5.0), (21.0, 25.0)])
    [3.0, 21.0]
    """
    bars = _usable(ranges)
    wanted = _usable(must_serve)
    heights = [h for h in best_heights(bars) if not wanted or any(low <= h <= high for low, high in wanted)]
    if len(heights) <= most:
        return heights
    lows, highs = [low for low, _ in bars], sorted(high for _, high in bars)
    needed = set(fewest_heights(bars, among=heights))
    by_use = sorted(
        heights, key=lambda h: (h not in needed, bisect_left(highs, h) - bisect_right(lows, h), h)
    )
    return sorted(by_use[: max(most, len(needed))])


def best_heights(ranges: Iterable[Range]) -> list[float]:
    """Every height (ascending) that serves a set of ranges which no other height serves with more: the lowest
    of each such stretch of heights.

    >>> best_heights([(0.0, 2.0), (1.0, 3.0), (2.5, 4.0)])
    [1.0, 2.5]
    """
    bars = _usable(ranges)
    highs = sorted(high for _, high in bars)
    lows = sorted({low for low, _ in bars})
    # Where some bar ends before the next begins, the bars at hand are a set that can't be added to.
    next_ends = [highs[bisect_left(highs, low)] for low in lows]
    return [low for low, end, after in zip(lows, next_ends, [*lows[1:], inf], strict=False) if end < after]


def fewest_heights(ranges: Iterable[Range], *, among: Sequence[float] | None = None) -> list[float]:
    """The fewest heights (ascending) that serve every range; with `among`, of those given (ascending), and
    ranges that none of them serves are left out.

    >>> fewest_heights([(0.0, 2.0), (1.0, 3.0), (2.5, 4.0), (3.5, 5.0)])
    [1.0, 3.5]
    """
    bars = _usable(ranges)
    choices = best_heights(bars) if among is None else among
    chosen: list[float] = []
    for low, high in sorted(bars, key=lambda bar: bar[1]):
        if chosen and low <= chosen[-1]:
            continue
        last = bisect_right(choices, high) - 1
        if last >= 0 and choices[last] >= low:
            chosen.append(choices[last])
    return chosen


def _usable(ranges: Iterable[Range]) -> list[Range]:
    return sorted({(low, high) for low, high in ranges if low <= high})
