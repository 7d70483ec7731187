"""Route: the order in which rows, letters and slots are burned, to cut idle travel.

Letters stay in reading order, so that heat and any drift spread as the eye reads; inside one connected
area the next row is the one with the nearest end; between slots the tour is a nearest-neighbour path
bettered by reversals (2-opt). Everything is deterministic: ties go to the lower index.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np

from layout.measure import FROZEN_STEPS_PER_MM, Floats

#: A reversal must shorten the tour by more than this (frozen steps), or rounding could make it swap for ever.
SHORTENED_STEPS = 0.001


def order_rows(rows: Floats, start: Floats | None = None) -> Floats:
    """Rows (n, 2, 2) of one connected area in burn order and direction: the next one has the nearest end.

    `start` (2,) is where the beam comes from; None begins with the first row as given.
    """
    count = len(rows)
    if count == 0:
        return rows
    # x and y of all first ends, then of all second ends: index i and i + count belong to row i.
    whole = _steps(rows)
    x, y = np.concatenate([whole[:, 0, 0], whole[:, 1, 0]]), np.concatenate([whole[:, 0, 1], whole[:, 1, 1]])
    far = np.zeros(2 * count)  # infinite where the row is done
    picked, flipped = np.empty(count, dtype=np.intp), np.empty(count, dtype=bool)
    at_x, at_y = (whole[0, 0] if start is None else _steps(start)).tolist()
    for step in range(count):
        nearest = int(np.argmin((x - at_x) ** 2 + (y - at_y) ** 2 + far))
        row, second = nearest % count, nearest >= count
        picked[step], flipped[step] = row, second
        far[row] = far[row + count] = np.inf
        exit_end = row if second else row + count
        at_x, at_y = x[exit_end], y[exit_end]
    ordered = rows[picked]
    ordered[flipped] = ordered[flipped][:, ::-1]
    return ordered


def jump_mm(paths: Sequence[Floats], start: Floats | None = None) -> float:
    """Idle travel (mm) between paths (each (n, 2)) in this order, from `start` if given."""
    ends = [path[-1] for path in paths]
    starts = [path[0] for path in paths]
    between = sum(float(np.hypot(*(b - a))) for a, b in zip(ends, starts[1:], strict=False))
    return between + (float(np.hypot(*(starts[0] - start))) if start is not None and starts else 0.0)


def tour(points: Floats) -> tuple[int, ...]:
    """A short open path through points (n, 2), as indices; it begins at the one lowest, then leftmost."""
    count = len(points)
    if count < 3:
        return tuple(np.lexsort((points[:, 0], points[:, 1])).tolist()) if count else ()
    away = _steps(points)[:, None] - _steps(points)[None]
    gap = np.sqrt(away[:, :, 0] ** 2 + away[:, :, 1] ** 2)
    path = [int(np.lexsort((points[:, 0], points[:, 1]))[0])]
    left = [i for i in range(count) if i != path[0]]
    while left:
        nearest = min(left, key=lambda i: (gap[path[-1], i], i))
        left.remove(nearest)
        path.append(nearest)
    while (better := _reversal(path, gap)) is not None:
        path = better
    return tuple(path)


def path_mm(points: Floats, path: Sequence[int]) -> float:
    """Length (mm) of an open path through points (n, 2)."""
    return sum(float(np.hypot(*(points[b] - points[a]))) for a, b in pairwise(path))


def _steps(points: Floats) -> Floats:
    """Coordinates in whole frozen steps: sums of their squares are exact, so that equal distances are equal
    and a tie goes to the lower index on every machine."""
    return np.rint(points * FROZEN_STEPS_PER_MM)


def _reversal(path: list[int], gap: Floats) -> list[int] | None:
    """The path with the first stretch reversed that shortens it, its beginning kept; None when none does."""
    last = len(path) - 1
    for i in range(1, last):
        for j in range(i + 1, last + 1):
            old = gap[path[i - 1], path[i]] + (gap[path[j], path[j + 1]] if j < last else 0.0)
            new = gap[path[i - 1], path[j]] + (gap[path[i], path[j + 1]] if j < last else 0.0)
            if new < old - SHORTENED_STEPS:
                return path[:i] + path[i : j + 1][::-1] + path[j + 1 :]
    return None
