"""A linear programme of three unknowns, for the largest similar copy of a hull in a convex region."""

from __future__ import annotations

import numpy as np

from layout.shop.measure import Floats

_FAR = 1e6  # mm; no face is that large
_TINY = 1e-10
_SLACK_MM = 1e-9
#: Ordinary regions need fewer than ten turns of the simplex method.
_QUICK_TURNS, _MOST_TURNS = 50, 5000


def largest_copy(
    hull: Floats, normals: Floats, offsets: Floats, *, most: float
) -> tuple[float, float, float] | None:
    """Largest s with s * hull + p inside {x: normals @ x <= offsets}, s <= most; returns (s, px, py) or None.

    Each half-plane asks s * h(n) + n . p <= b, h being the hull's support function (Boyd and Vandenberghe,
    Convex Optimization, section 4.3, the Chebyshev centre; from memory).
    """
    reach = (normals @ hull.T).max(axis=1)
    return _largest(np.column_stack([reach, normals]), offsets, most=most)


def largest_share(fixed: Floats, growing: Floats, normals: Floats, offsets: Floats) -> float | None:
    """Largest share s <= 1 of `growing` (n, 2) with fixed + s * growing + p inside {x: normals @ x <=
    offsets} at some place p; None when not even a tiny one is."""
    along = (normals @ growing.T).ravel()
    left = (offsets[:, None] - normals @ fixed.T).ravel()
    rows = np.column_stack([along, np.repeat(normals, len(fixed), axis=0)])
    best = _largest(rows, left, most=1.0)
    return best[0] if best else None


def _largest(rows: Floats, limits: Floats, *, most: float) -> tuple[float, float, float] | None:
    """Largest x[0] <= most of all x with rows @ x <= limits, if that is more than nought.

    Solved by the dual simplex method on three unknowns: begin where only x[0] is bounded, then take in the
    most violated row.
    """
    rows = np.vstack(
        [[[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0], [0.0, -1.0, 0.0], [0.0, 0.0, -1.0]], rows]
    )
    limits = np.concatenate([[most, _FAR, _FAR, _FAR, _FAR], limits])
    basis = [0, 1, 2]
    for turn in range(_MOST_TURNS):
        inverse = np.linalg.inv(rows[basis])
        x = inverse @ limits[basis]
        slack = limits - rows @ x
        violated = np.flatnonzero(slack < -_SLACK_MM)
        if len(violated) == 0:
            return (float(x[0]), float(x[1]), float(x[2])) if x[0] > 0 else None
        # Bland's rule (lowest numbers first) can't go round in circles, but is slow; the worst is quick.
        by_rule = turn >= _QUICK_TURNS
        entering = int(violated[0] if by_rule else slack.argmin())
        step = rows[entering] @ inverse
        ratios = np.where(step > _TINY, inverse[0] / np.where(step > _TINY, step, 1.0), np.inf)
        if not np.isfinite(ratios.min()):
            return None  # no copy of any size, not even a point
        ties = np.flatnonzero(ratios <= ratios.min() + _TINY)
        leaving = min(ties, key=lambda tie: basis[tie]) if by_rule else ratios.argmin()
        basis[int(leaving)] = entering
    raise ArithmeticError("the linear programme did not settle")


def half_planes(polygon_ring: Floats) -> tuple[Floats, Floats]:
    """Outward unit normals (n, 2) and offsets (n,) of an anticlockwise convex ring (n, 2), not repeated."""
    along = np.concatenate([polygon_ring[1:], polygon_ring[:1]]) - polygon_ring
    length = np.hypot(along[:, 0], along[:, 1])
    keep = length > 0
    along, start = along[keep] / length[keep, None], polygon_ring[keep]
    normals = np.column_stack([along[:, 1], -along[:, 0]])
    return normals, np.einsum("ij,ij->i", normals, start)
