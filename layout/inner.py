"""The positions at which a scaled hull lies inside a region: its inner-fit set.

The region is seen as a convex frame less convex obstacles: keep-outs, and the pockets between the region and its
convex hull. A hull sH put at p lies in the region when it lies in the frame (half-planes) and p avoids every
obstacle O grown by -sH (Minkowski sum of two convex sets: the hull of the sums of their corners).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from shapely.geometry import Polygon
from shapely.geometry.polygon import orient

from layout.measure import Floats
from layout.support import half_planes, largest_copy

#: Rings are simplified by no more than this before they become half-planes; frames shrink, never grow.
_FLAT_AREA_MM2 = 1e-9


@dataclass(frozen=True, slots=True)
class Room:
    """One connected piece of a region, ready for fitting. `obstacles` are convex (n, 2) corner arrays."""

    polygon: Polygon
    normals: Floats
    offsets: Floats
    obstacles: tuple[Floats, ...]

    @property
    def is_convex(self) -> bool:
        return not self.obstacles

    def upper_bound(self, hull: Floats, *, most: float) -> tuple[float, float, float] | None:
        """Largest copy in the frame alone: exact where the room is convex, an upper bound elsewhere."""
        return largest_copy(hull, self.normals, self.offsets, most=most)

    def positions(self, hull: Floats, scale: float) -> Any:
        """All p with scale * hull + p in the room: a Polygon or MultiPolygon, perhaps degenerate or empty.

        Shrunk frames are closed sets: a single point or a segment counts and is returned as such.
        """
        sized = hull * scale
        frame = self._frame(sized)
        if frame.is_empty or self.is_convex:
            return frame
        reach = shapely.box(*_reach(sized, frame))
        grown = [
            shapely.convex_hull(shapely.multipoints((corners[:, None, :] - sized[None, :, :]).reshape(-1, 2)))
            for corners in self.obstacles
            if reach.intersects(shapely.multipoints(corners))
            or reach.intersects(shapely.convex_hull(shapely.multipoints(corners)))
        ]
        return shapely.difference(frame, shapely.union_all(grown)) if grown else frame

    def _frame(self, sized: Floats) -> Any:
        limits = self.offsets - (self.normals @ sized.T).max(axis=1)
        return _intersection_of(self.normals, limits)


def room_of(polygon: Polygon) -> Room:
    """Prepare one polygon (mm)."""
    whole = orient(polygon)
    frame = orient(whole.convex_hull)
    normals, offsets = half_planes(shapely.get_coordinates(frame)[:-1])
    pockets = [
        p
        for p in shapely.get_parts(shapely.difference(frame, Polygon(whole.exterior)))
        if p.area > _FLAT_AREA_MM2
    ]
    holes = [Polygon(ring) for ring in whole.interiors]
    obstacles = [corners for piece in (*pockets, *holes) for corners in _convex_pieces(piece)]
    return Room(whole, normals, offsets, tuple(obstacles))


def _convex_pieces(piece: Polygon) -> list[Floats]:
    """Corners of convex polygons that make up the piece: itself where it is convex, else triangles joined greedily."""
    if piece.convex_hull.area - piece.area <= 1e-9 * max(piece.area, 1.0):
        return [shapely.get_coordinates(piece.convex_hull)[:-1]]
    triangles = list(shapely.get_parts(shapely.constrained_delaunay_triangles(piece)))
    joined: list[Any] = []
    for triangle in triangles:
        for index, other in enumerate(joined):
            both = shapely.union(other, triangle)
            if both.geom_type == "Polygon" and both.convex_hull.area - both.area <= 1e-9 * max(
                both.area, 1e-3
            ):
                joined[index] = both.convex_hull
                break
        else:
            joined.append(triangle)
    return [shapely.get_coordinates(part)[:-1] for part in joined]


def _reach(sized: Floats, frame: Any) -> tuple[float, float, float, float]:
    x0, y0, x1, y1 = frame.bounds
    (hx0, hy0), (hx1, hy1) = sized.min(axis=0), sized.max(axis=0)
    return float(x0 + hx0), float(y0 + hy0), float(x1 + hx1), float(y1 + hy1)


def _intersection_of(normals: Floats, limits: Floats) -> Any:
    """The convex set {p: normals @ p <= limits} of bounded half-planes, normals sorted by angle or not."""
    far = float(np.abs(limits).max()) * 4 + 1.0
    ring = np.array([[-far, -far], [far, -far], [far, far], [-far, far]])
    for normal, limit in zip(normals, limits, strict=True):
        beyond = ring @ normal - limit
        if (beyond <= 1e-9).all():
            continue
        ring = _clip(ring, beyond)
        if len(ring) == 0:
            return Polygon()
    return shapely.convex_hull(shapely.multipoints(ring))


def _clip(ring: Floats, beyond: Floats) -> Floats:
    """Sutherland and Hodgman's step: keep what lies at or behind the line."""
    after, beyond_after = np.roll(ring, -1, axis=0), np.roll(beyond, -1)
    kept: list[Floats] = []
    for a, b, da, db in zip(ring, after, beyond, beyond_after, strict=True):
        if da <= 1e-9:
            kept.append(a)
        if (da > 1e-9) != (db > 1e-9):
            kept.append(a + (b - a) * (da / (da - db)))
    return np.array(kept).reshape(-1, 2)
