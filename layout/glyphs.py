"""From a font's curves to regions: flattening with a stated tolerance, merging by the non-zero rule."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
import shapely
from fontTools.pens.basePen import BasePen
from shapely.geometry import LinearRing, LineString, Polygon
from shapely.geometry.polygon import orient

from layout.measure import Floats

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
    if not rings:
        return ()
    if len(rings) == 1:
        alone = Polygon(rings[0])
        if alone.is_valid:
            return (orient(alone),)
    noded = shapely.union_all(np.array([LinearRing(ring) for ring in rings], dtype=object))
    faces = shapely.get_parts(shapely.polygonize(shapely.get_parts(noded)))
    if len(faces) == 0:
        return ()
    inside = shapely.get_coordinates(shapely.point_on_surface(faces))
    windings = np.sum([_winding(ring, inside) for ring in rings], axis=0)
    region = shapely.union_all(faces[windings != 0])
    return tuple(orient(part) for part in shapely.get_parts(region) if part.area > 0)


def _winding(ring: Floats, points: Floats) -> Any:
    """Winding number of a closed ring (n, 2) about each of the points (m, 2)."""
    x0, y0 = ring[:, 0], ring[:, 1]
    x1, y1 = np.roll(x0, -1), np.roll(y0, -1)
    px, py = points[:, :1], points[:, 1:]
    left = (x1 - x0) * (py - y0) - (px - x0) * (y1 - y0)
    up = (y0 <= py) & (y1 > py) & (left > 0)
    down = (y0 > py) & (y1 <= py) & (left < 0)
    return up.sum(axis=1) - down.sum(axis=1)


def joined(strokes: Sequence[Floats]) -> tuple[LineString, ...]:
    """Open strokes joined end to end where exactly two of them meet; the order of first appearance is kept."""
    lines = [LineString(stroke) for stroke in strokes if len(stroke) > 1]
    if len(lines) < 2:
        return tuple(lines)
    merged_lines = shapely.get_parts(shapely.line_merge(shapely.multilinestrings(lines)))
    # line_merge gives no order; a single-line letter is burned in the order in which it was drawn.
    starts = [_first_touch(lines, line) for line in merged_lines]
    return tuple(line for _, line in sorted(zip(starts, merged_lines, strict=True), key=lambda pair: pair[0]))


def _first_touch(lines: Sequence[LineString], line: LineString) -> int:
    ends = {line.coords[0], line.coords[-1]} | set(line.coords)
    return next(i for i, candidate in enumerate(lines) if candidate.coords[0] in ends)
