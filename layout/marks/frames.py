"""Where a frame's initials go: the largest upright box that the frame leaves free."""

from __future__ import annotations

import numpy as np
import shapely
from shapely.geometry import MultiPolygon

from layout.shop.measure import Floats
from layout.shop.svg_text import Box

#: Kept free between the box and the frame, as a part of the frame's shorter side: so much that letters which
#: fill the box do not seem to touch (common practice, no source).
AIR = 0.04
#: The room is looked at in so many squares along its longer side.
_SQUARES = 160
#: A box smaller than this part of the frame's own is no place for letters.
_LEAST_PART = 0.04


def initials_box(frame: MultiPolygon) -> Box | None:
    """The largest box (x and y of two corners) inside the frame's convex hull that keeps `AIR` away from its
    ink; None where there is hardly any. Found on a grid: up to a square of it smaller than the largest.

    >>> ring = shapely.Point(0, 0).buffer(10).difference(shapely.Point(0, 0).buffer(9))
    >>> x0, y0, x1, y1 = initials_box(MultiPolygon([ring]))
    >>> bool(11 < x1 - x0 < 12 and 11 < y1 - y0 < 12)
    True
    """
    x0, y0, x1, y1 = frame.bounds
    free = frame.convex_hull.difference(frame).buffer(-AIR * min(x1 - x0, y1 - y0))
    if free.is_empty:
        return None
    x0, y0, x1, y1 = free.bounds
    step = max(x1 - x0, y1 - y0) / _SQUARES
    xs, ys = (np.arange(low, high + step / 2, step) for low, high in ((x0, x1), (y0, y1)))
    if len(xs) < 2 or len(ys) < 2:
        return None
    left, low = np.meshgrid(xs[:-1], ys[:-1])
    shapely.prepare(free)
    inside = shapely.contains(free, shapely.box(left, low, left + step, low + step))
    area, (row0, column0, row1, column1) = _largest(inside)
    box = (xs[column0], ys[row0], xs[column1], ys[row1])
    if area * step**2 < _LEAST_PART * frame.envelope.area:
        return None
    return tuple(round(float(value), 2) for value in box)  # type: ignore[return-value]  # four of them


def _largest(inside: Floats) -> tuple[int, tuple[int, int, int, int]]:
    """The rectangle of most squares that are all inside: its area, and row and column of its first square and
    beyond its last. By the heights of columns that end at each row (D. Vandevoorde, "The maximal rectangle
    problem", Dr. Dobb's Journal, April 1998)."""
    best, where = 0, (0, 0, 0, 0)
    heights = np.zeros(inside.shape[1] + 1, dtype=int)  # a column of none ends whatever is open
    for row in range(inside.shape[0]):
        heights[:-1] = (heights[:-1] + 1) * inside[row]
        open_since: list[tuple[int, int]] = []
        for column, height in enumerate(heights.tolist()):
            since = column
            while open_since and open_since[-1][1] >= height:
                since, tall = open_since.pop()
                if tall * (column - since) > best:
                    best = tall * (column - since)
                    where = (row + 1 - tall, since, row + 1, column)
            open_since.append((since, height))
    return best, where
