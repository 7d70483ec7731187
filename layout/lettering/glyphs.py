"""From a font's curves to regions: flattening with a stated tolerance, merging by the non-zero rule."""

# ruff: noqa: N802  (the pen's methods have the names that fontTools calls)

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
import shapely
from fontTools.pens.basePen import BasePen
from shapely.geometry import LinearRing, Polygon
from shapely.geometry.polygon import orient

from layout.shop.measure import Floats

#: A glyph that draws more than this is no letter but an attack or an accident.
MOST_OPERATIONS = 20_000


class TooComplex(ValueError):
    """A glyph draws more than MOST_OPERATIONS segments."""


class RingPen(BasePen):  # type: ignore[misc]  # fontTools is untyped
    """Collects flattened rings, each an (n, 2) array in the pen's units, first point not repeated.

    The number of chords follows Wang's formula, which bounds the distance between a Bézier curve and its
    chords by `tolerance` (G. Wang, "The subdivision method for finding the intersection between two Bézier
    curves or surfaces", Zhejiang University Journal, 1984; from memory).
    """

    def __init__(self, tolerance: float) -> None:
        super().__init__(None)
        self.rings: list[Floats] = []
        self._tolerance = tolerance
        self._points: list[tuple[float, float]] = []
        self._operations = 0

    def _count(self) -> None:
        self._operations += 1
        if self._operations > MOST_OPERATIONS:
            raise TooComplex(f"a glyph draws more than {MOST_OPERATIONS} segments")

    def _moveTo(self, pt: tuple[float, float]) -> None:
        self._points = [pt]

    def _lineTo(self, pt: tuple[float, float]) -> None:
        self._count()
        self._points.append(pt)

    def _qCurveToOne(self, pt1: tuple[float, float], pt2: tuple[float, float]) -> None:
        self._count()
        p0 = np.array(self._points[-1])
        p1, p2 = np.array(pt1), np.array(pt2)
        bend = float(np.linalg.norm(p0 - 2 * p1 + p2))
        chords = max(1, math.ceil(math.sqrt(bend / (4 * self._tolerance))))
        t = np.linspace(0, 1, chords + 1)[1:, None]
        curve = (1 - t) ** 2 * p0 + 2 * t * (1 - t) * p1 + t**2 * p2
        self._points.extend(map(tuple, curve.tolist()))

    def _curveToOne(
        self, pt1: tuple[float, float], pt2: tuple[float, float], pt3: tuple[float, float]
    ) -> None:
        self._count()
        p0 = np.array(self._points[-1])
        p1, p2, p3 = np.array(pt1), np.array(pt2), np.array(pt3)
        bend = max(float(np.linalg.norm(p0 - 2 * p1 + p2)), float(np.linalg.norm(p1 - 2 * p2 + p3)))
        chords = max(1, math.ceil(math.sqrt(0.75 * bend / self._tolerance)))
        t = np.linspace(0, 1, chords + 1)[1:, None]
        curve = (1 - t) ** 3 * p0 + 3 * t * (1 - t) ** 2 * p1 + 3 * t**2 * (1 - t) * p2 + t**3 * p3
        self._points.extend(map(tuple, curve.tolist()))

    def _closePath(self) -> None:
        points = np.array(self._points, dtype=np.float64)
        if not np.isfinite(points).all():
            raise ValueError("a contour has points that are no numbers")
        if len(points) > 1:
            distinct = np.any(points != np.roll(points, 1, axis=0), axis=1)
            points = points[distinct]
        if len(points) > 2:
            self.rings.append(points)
        self._points = []

    def _endPath(self) -> None:
        # An outline font's contour is closed by definition.
        self._closePath()


def merged(rings: Sequence[Floats]) -> tuple[Polygon, ...]:
    """The region that rings (n, 2) enclose by the non-zero winding rule, as disjoint polygons.

    Exact in the sense that every face of the noded rings is judged by its winding number; grouping rings
    by their direction is wrong for islands in holes, and even-odd is wrong where strokes overlap.
    """
    if len(rings) == 1:
        alone = Polygon(rings[0])
        if alone.is_valid:
            return (orient(alone),)
    faces, windings = _faces(rings)
    if not windings.any():
        return ()
    region = shapely.union_all(faces[windings != 0])
    return tuple(orient(part) for part in shapely.get_parts(region) if part.area > 0)


def even_odd_differs(rings: Sequence[Floats]) -> bool:
    """Whether the even-odd rule would leave out something that the non-zero rule fills."""
    _, windings = _faces(rings)
    return bool(np.any((windings != 0) & (windings % 2 == 0)))


def _faces(rings: Sequence[Floats]) -> tuple[Any, Any]:
    """The faces into which rings cut the plane, and the winding number of each."""
    if not rings:
        return np.array([], dtype=object), np.array([], dtype=int)
    noded = shapely.union_all(np.array([LinearRing(ring) for ring in rings], dtype=object))
    faces = shapely.get_parts(shapely.polygonize(shapely.get_parts(noded)))
    inside = shapely.get_coordinates(shapely.point_on_surface(faces))
    windings = np.sum([_winding(ring, inside) for ring in rings], axis=0, dtype=int)
    return faces, windings


def _winding(ring: Floats, points: Floats) -> Any:
    """Winding number of a closed ring (n, 2) about each of the points (m, 2)."""
    x0, y0 = ring[:, 0], ring[:, 1]
    x1, y1 = np.roll(x0, -1), np.roll(y0, -1)
    px, py = points[:, :1], points[:, 1:]
    left = (x1 - x0) * (py - y0) - (px - x0) * (y1 - y0)
    up = (y0 <= py) & (y1 > py) & (left > 0)
    down = (y0 > py) & (y1 <= py) & (left < 0)
    return up.sum(axis=1) - down.sum(axis=1)
