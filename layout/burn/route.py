"""Route: the order in which rows, letters and slots are burned, to cut idle travel.

Letters stay in reading order, so that heat and any drift spread as the eye reads; inside one connected
area the next row is the one with the nearest end; between slots the way is a nearest-neighbour path, made
shorter by turning stretches round (2-opt) and by moving short ones elsewhere (Or-opt), from several
beginnings. Everything is deterministic: ties go to the lower index.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from layout.shop.measure import FROZEN_STEPS_PER_MM, Floats

#: A reversal must shorten the tour by more than this (frozen steps), or rounding could make it swap for ever.
SHORTENED_STEPS = 0.001
#: Ways begun from the same point, each with another second one.
MOST_BEGINNINGS = 8


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
    if len(points) == 0:
        return ()
    away = _steps(points)[:, None] - _steps(points)[None]
    gaps = np.sqrt(away[:, :, 0] ** 2 + away[:, :, 1] ** 2)
    return shortest_way(gaps, int(np.lexsort((points[:, 0], points[:, 1]))[0]))


def shortest_way(gaps: Floats, start: int) -> tuple[int, ...]:
    """A short open path over a symmetric matrix of distances (n, n), from `start` through all others.

    The best of up to `MOST_BEGINNINGS` nearest-neighbour paths, each with another second point, every one
    changed as long as that makes it shorter. Not always the shortest there is.
    """
    count = len(gaps)
    if count < 3:
        return (start, *(i for i in range(count) if i != start))
    padded = np.zeros((count + 1, count + 1))  # the last is the free end, at no distance from anything
    padded[:count, :count] = gaps
    seconds = [int(i) for i in np.argsort(gaps[start], kind="stable") if i != start]
    best: tuple[float, list[int]] | None = None
    for second in seconds[:MOST_BEGINNINGS]:
        path = _shortened([*_nearest(gaps, [start, second]), count], padded)
        length = float(padded[path[:-1], path[1:]].sum())
        if best is None or length < best[0] - SHORTENED_STEPS:
            best = length, path
    assert best is not None
    return tuple(best[1][:-1])


def _nearest(gaps: Floats, path: list[int]) -> list[int]:
    """The path led on, always to the nearest point left."""
    left = [i for i in range(len(gaps)) if i not in path]
    path = list(path)
    while left:
        nearest = min(left, key=lambda i: (gaps[path[-1], i], i))
        left.remove(nearest)
        path.append(nearest)
    return path


def _steps(points: Floats) -> Floats:
    """Coordinates in whole frozen steps: sums of their squares are exact, so that equal distances are equal
    and a tie goes to the lower index on every machine."""
    return np.rint(points * FROZEN_STEPS_PER_MM)


def _shortened(path: list[int], gaps: Floats) -> list[int]:
    """The path changed by the best of all reversals and moves, again and again until none shortens it. Its
    first and its last point stay."""
    while True:
        there = gaps[np.ix_(path, path)]  # between places on the path
        step = np.diagonal(there, 1)
        saved, changed = max(
            (_reversal(path, there, step), *(_move(path, there, step, size) for size in (1, 2, 3))),
            key=lambda saving_and_ends: saving_and_ends[0],
        )
        if saved <= SHORTENED_STEPS:
            return path
        path = changed


Saving = tuple[float, list[int]]


def _reversal(path: list[int], there: Floats, step: Floats) -> Saving:
    """What turning round the stretch from place i to place j saves at most, and the path with it."""
    saved = step[:-1, None] + step[None, 1:] - there[:-2, 1:-1] - there[1:-1, 2:]
    saved[np.tril_indices(len(saved))] = 0.0
    i, j = (int(n) + 1 for n in divmod(int(np.argmax(saved)), len(saved)))
    return float(saved[i - 1, j - 1]), path[:i] + path[i : j + 1][::-1] + path[j + 1 :]


def _move(path: list[int], there: Floats, step: Floats, size: int) -> Saving:
    """What moving `size` points in a row between two others saves at most, either way round."""
    first = np.arange(1, len(path) - size)  # of the row
    last = first + size - 1
    if len(first) == 0:
        return 0.0, path
    gone = step[first - 1] + step[last] - there[first - 1, last + 1]
    to = np.arange(len(path) - 1)  # the row goes between this place and the next
    as_it_is = there[to[:, None], first] + there[to[:, None] + 1, last] - step[:, None]
    turned = there[to[:, None], last] + there[to[:, None] + 1, first] - step[:, None]
    saved = gone - np.minimum(as_it_is, turned)
    saved[(to[:, None] >= first - 1) & (to[:, None] <= last)] = 0.0
    k, n = divmod(int(np.argmax(saved)), len(first))
    i, j = int(first[n]), int(last[n])
    row = path[i : j + 1] if as_it_is[k, n] <= turned[k, n] else path[i : j + 1][::-1]
    rest = path[:i] + path[j + 1 :]
    at = k + 1 if k < i else k + 1 - size
    return float(saved[k, n]), rest[:at] + row + rest[at:]
