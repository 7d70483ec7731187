"""Where letters lie on a curve: x, y and turn (radians) of each, as rows of an array."""

from __future__ import annotations

from functools import partial
from typing import Any

import numpy as np
import shapely

from layout.shop.measure import Floats


def seen_from(own: Floats, other: Floats) -> Floats:
    """The pose of another (..., 3) in one's own frame."""
    cos, sin = np.cos(own[..., 2]), np.sin(own[..., 2])
    seen = other - own
    x, y = seen[..., 0], seen[..., 1]
    seen[..., 0], seen[..., 1] = cos * x + sin * y, cos * y - sin * x
    return seen


def moved(points: Floats, poses: Floats) -> Floats:
    """Points (n, 2), each put at its pose (..., n, 3)."""
    cos, sin = np.cos(poses[..., 2]), np.sin(poses[..., 2])
    x, y = points.T
    return np.stack([poses[..., 0] + cos * x - sin * y, poses[..., 1] + sin * x + cos * y], axis=-1)


def apart(ones: Any, others: Any, own: Floats, other: Floats) -> Floats:
    """How far apart geometries (k,) are from others (k,), each at its pose (k, 3)."""
    # The others are put as the ones see them, so that those are prepared once for all poses.
    return np.asarray(shapely.distance(ones, put(others, seen_from(own, other))), dtype=np.float64)


def put(pieces: Any, poses: Floats, scale: float | Floats = 1.0) -> Any:
    """Each of the geometries scaled and put at its own pose: x, y, turn (n, 3)."""
    if len(pieces) == 0:
        return pieces
    turn = poses[:, 2]
    there = np.stack([poses[:, 0], poses[:, 1], np.cos(turn) * scale, np.sin(turn) * scale])
    counts = shapely.get_num_coordinates(pieces)
    return shapely.transform(pieces, partial(_turned, there=np.repeat(there, counts, axis=1)))


def _turned(points: Floats, *, there: Floats) -> Floats:
    x0, y0, cos, sin = there
    x, y = points.T
    return np.stack([x0 + x * cos - y * sin, y0 + x * sin + y * cos], axis=-1)
