"""A linear programme of three unknowns, for the largest similar copy of a hull in a convex region."""

from __future__ import annotations

import numpy as np

from layout.measure import Floats

_FAR = 1e6  # mm; no face is that large
_TINY = 1e-10


def largest_copy(
    hull: Floats, normals: Floats, offsets: Floats, *, most: float
) -> tuple[float, float, float] | None:
    """Largest s with s * hull + p inside {x: normals @ x <= offsets}, s <= most; returns (s, px, py) or None.

    Each half-plane asks s * h(n) + n . p <= b, h being the hull's support function (Boyd and Vandenberghe,
    Convex Optimization, section 4.3, the Chebyshev centre; from memory). Solved by the dual simplex method
    on three unknowns: begin where only s is bounded, then take in the most violated half-plane.
    """
    reach = (normals @ hull.T).max(axis=1)
    rows = np.vstack(
        [
            [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0], [0.0, -1.0, 0.0], [0.0, 0.0, -1.0]],
            np.column_stack([reach, normals]),
        ]
    )
    limits = np.concatenate([[most, _FAR, _FAR, _FAR, _FAR], offsets])
    basis = [0, 1, 2]
    for _ in range(50 + 10 * len(rows)):
        inverse = np.linalg.inv(rows[basis])
        x = inverse @ limits[basis]
        slack = limits - rows @ x
        worst = int(slack.argmin())
        if slack[worst] >= -1e-9:
            return (float(x[0]), float(x[1]), float(x[2])) if x[0] > 0 else None
        multipliers = inverse[0]  # c = (1, 0, 0)
        step = rows[worst] @ inverse
        ratios = np.where(step > _TINY, multipliers / np.where(step > _TINY, step, 1.0), np.inf)
        leaving = int(ratios.argmin())
        if not np.isfinite(ratios[leaving]):
            return None  # no copy of any size, not even a point
        basis[leaving] = worst
    raise ArithmeticError("the linear programme did not settle")


def half_planes(polygon_ring: Floats) -> tuple[Floats, Floats]:
    """Outward unit normals (n, 2) and offsets (n,) of a counter-clockwise convex ring (n, 2), not repeated."""
    along = np.roll(polygon_ring, -1, axis=0) - polygon_ring
    length = np.hypot(along[:, 0], along[:, 1])
    keep = length > 0
    along, start = along[keep] / length[keep, None], polygon_ring[keep]
    normals = np.column_stack([along[:, 1], -along[:, 0]])
    return normals, np.einsum("ij,ij->i", normals, start)
