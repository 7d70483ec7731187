"""The positions at which a scaled hull lies inside a region: its inner-fit set.

The region is seen as a convex frame less convex obstacles: keep-outs, and the pockets between the region and
its convex hull. A hull sH put at p lies in the region when it lies in the frame (half-planes) and p avoids
every obstacle O grown by -sH (Minkowski sum of two convex sets). No ring is simplified.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import shapely
from shapely.geometry import Point, Polygon
from shapely.geometry.polygon import orient

from layout.fit.inscribed import half_planes, largest_copy
from layout.shop.measure import Floats

#: A copy may reach this far through the frame. What fits exactly then has room to be found in, in spite of
#: float noise; it is a thousandth of the frozen step.
TOUCH_MM = 1e-7
#: Pockets and overlaps of less than this are float noise.
_FLAT_AREA_MM2 = 1e-9
#: A corner that stands inward by less than this is float noise.
_NOISE_MM = 1e-9
#: Where every half-plane is further than this from a point, the frame is built about that point.
_DEEP_MM = 1e-9
#: Half-planes that differ by less than this, relatively, are one.
_IN_LINE = 1e-9
#: Lines whose directions differ by less than this (the sine of their angle) are taken never to meet.
_PARALLEL = 1e-12
#: So many convex sets at the most leave nothing between them that is cut off from outside.
_NOTHING_BETWEEN = 2
#: A copy that lies in a room so much larger has room to move there, in spite of any rounding.
_LARGER = 1.0001
#: No copy is larger than this many times its hull; only a hull that is a single point would be.
_MOST = 1e4


@dataclass(frozen=True, slots=True)
class Room:
    """One connected piece of a region, made ready. `obstacles` are convex and anticlockwise."""

    polygon: Polygon
    normals: Floats
    offsets: Floats
    obstacles: Rings
    walls: _Walls


class Copies:
    """The scaled copies of one hull in one room.

    `hull` is the anticlockwise convex ring (n, 2) of what is to be placed, not repeated; two points or one
    will do. `bound` is the largest scale at which a copy lies in the frame: exact in a convex room, and never
    too small elsewhere.
    """

    def __init__(self, room: Room, hull: Floats) -> None:
        self._centre = hull.mean(axis=0)
        about = hull - self._centre
        self.room = room
        self._reach = (room.normals @ about.T).max(axis=1)
        self._limits = room.offsets + TOUCH_MM
        self._mirrored = -about
        self._sums: tuple[Floats, Floats, Any] | None = None  # made when the first copy lies in the frame
        self._last: tuple[float, Any] | None = None

    @cached_property
    def bound(self) -> float:
        return self._largest[0]

    @cached_property
    def _largest(self) -> tuple[float, float, float]:
        """The largest scale, and where the hull's centre lies then."""
        return largest_copy(-self._mirrored, self.room.normals, self._limits, most=_MOST) or (0.0, 0.0, 0.0)

    @cached_property
    def _taken(self) -> _Taken:
        return _Taken(self.room.walls, self._mirrored)

    def fits_anywhere(self, scale: float) -> bool | None:
        """Whether there are any positions at that scale, by a small part of the work of drawing them; None
        where only they show it.

        There are some where obstacles leave some of the frame's sides. Two convex obstacles enclose nothing
        between them: where they take all sides they take all. More of them may leave something in the middle.
        """
        walls, limits = self.room.walls, self._limits - scale * self._reach
        begins, ends = walls.sides.stretches(limits, limits)
        begin, end = begins.max(axis=0), ends.min(axis=0)
        is_side = end - begin > _DEEP_MM
        if not is_side.any():  # no frame at all, or one that is hardly more than a point
            return False if (end - begin < -_DEEP_MM).all() else None
        if not walls.rings:
            return True
        first, last = self._taken.stretches(limits, scale)
        first = np.where(last > first, first, np.inf)
        order = np.argsort(first, axis=0)
        reached = begin
        for a, b in zip(
            np.take_along_axis(first, order, axis=0), np.take_along_axis(last, order, axis=0), strict=True
        ):
            reached = np.where(a <= reached + _DEEP_MM, np.maximum(reached, b), reached)
        if (is_side & (reached < end - _DEEP_MM)).any():
            return True
        return False if len(walls.rings) <= _NOTHING_BETWEEN else None

    def positions(self, scale: float, *, near: tuple[float, float] | None = None) -> Any:
        """All p with scale * hull + p in the room: a Polygon or MultiPolygon, a point at the largest scale,
        perhaps empty. Positions between two obstacles without any room to move are left out.

        `near` is a p at which the copy may lie in the frame: where it does, no larger one is looked for.
        """
        last = self._last
        if near is not None or last is None or last[0] != scale:
            last = scale, self._free(scale, near)
            if near is None and not last[1].is_empty:
                self._last = last  # the largest copy that was found is the one that is placed next
        return last[1]

    def _free(self, scale: float, near: tuple[float, float] | None) -> Any:
        frame = self._frame(scale, near)
        if len(frame) == 0:
            return Polygon()
        frame = frame - scale * self._centre
        if len(frame) < 3:
            return Point(frame.mean(axis=0))
        free = shapely.polygons(frame)
        # One after the other: in a union of them many edges would all but coincide, which costs GEOS much.
        for obstacle in self._grown(scale, frame):
            free = shapely.difference(free, obstacle)
            if free.is_empty:
                break
        return free

    def _frame(self, scale: float, near: tuple[float, float] | None) -> Floats:
        """Corners (m, 2) of the convex set of places for the hull's centre that keep a copy in the frame."""
        limits = self._limits - scale * self._reach
        if near is not None:
            corners = self._about(near + scale * self._centre, limits)
            if corners is not None:
                return corners
        if scale > self.bound:
            return np.empty((0, 2))
        middle = np.array(self._largest[1:])
        corners = self._about(middle, limits)
        if corners is not None:
            return corners
        corners = _clipped(self.room.normals, limits)
        return corners if len(corners) else middle[None, :]

    def _about(self, inside: Floats, limits: Floats) -> Floats | None:
        """The corners within those limits, built about a point inside; None where it is not well inside."""
        depth = limits - self.room.normals @ inside
        if depth.min() <= _DEEP_MM:
            return None
        return _dual_corners(self.room.normals / depth[:, None]) + inside

    def _grown(self, scale: float, frame: Floats) -> Any:
        """The positions to stay out of: obstacles that reach into the frame, grown by the mirrored copy."""
        if self._sums is None:
            self._sums = _minkowski_sums(self.room.obstacles, self._mirrored)
        fixed, growing, counts = self._sums
        if len(counts) == 0:
            return counts
        corners = fixed + scale * (growing - self._centre)
        starts = np.concatenate([[0], np.cumsum(counts)[:-1]])
        low, high = np.minimum.reduceat(corners, starts), np.maximum.reduceat(corners, starts)
        near = ((high > frame.min(axis=0)) & (low < frame.max(axis=0))).all(axis=1)
        rings = shapely.linearrings(corners, indices=np.repeat(np.arange(len(near)), counts))
        return shapely.polygons(rings[near])


@dataclass(frozen=True, slots=True)
class _Seen:
    """How some half-planes (m,) lie to some lines (k,), all (m, k): the cosines of their normals, by what to
    multiply a distance across to get one along the line, 0 where a line goes into a half-plane and 0 where it
    leaves it (else infinite), and where they never meet, if anywhere."""

    cosines: Floats
    to_along: Floats
    enters: Floats
    leaves: Floats
    parallel: Any

    @classmethod
    def of(cls, lines: Floats, normals: Floats) -> _Seen:
        """Of lines and half-planes with those normals (k, 2 and m, 2)."""
        across = normals @ np.column_stack([-lines[:, 1], lines[:, 0]]).T
        meets = np.abs(across) > _PARALLEL
        return cls(
            normals @ lines.T,
            np.where(meets, 1 / np.where(meets, across, 1.0), 0.0),
            np.where(across < -_PARALLEL, 0.0, -np.inf),
            np.where(across > _PARALLEL, 0.0, np.inf),
            None if meets.all() else ~meets,
        )

    def stretches(self, limits: Floats, offsets: Floats) -> tuple[Floats, Floats]:
        """From where to where (..., m, k) each line, at `limits` (k,), lies in each half-plane at `offsets`
        (..., m)."""
        left = offsets[..., None] - self.cosines * limits
        at = left * self.to_along
        ends = at + self.leaves
        if self.parallel is not None:
            ends[self.parallel & (left < -_DEEP_MM)] = -np.inf
        return at + self.enters, ends


class _Walls:
    """The sides of a room's frame, and how its obstacles lie to them."""

    def __init__(self, normals: Floats, obstacles: Sequence[Floats]) -> None:
        self.rings, self.lines = obstacles, normals
        self.sides = _Seen.of(normals, normals)
        walls = [half_planes(ring) for ring in obstacles]
        self.normals = np.concatenate([wall for wall, _ in walls] or [np.empty((0, 2))])
        self.offsets = np.concatenate([offsets for _, offsets in walls] or [np.empty(0)])
        self.starts = np.cumsum([0, *(len(offsets) for _, offsets in walls)])[:-1]
        self.seen = _Seen.of(normals, self.normals)


class _Taken:
    """What obstacles grown by the mirrored hull take of the sides of the frame for a hull's centre.

    A side is a line at its limit along its normal; what a convex set takes of it is the stretch between where
    the line enters and where it leaves, each the strictest of the set's half-planes. Those of a sum of convex
    sets are those of both, each as far out as both reach together.
    """

    def __init__(self, walls: _Walls, mirrored: Floats) -> None:
        self._walls = walls
        self._growing = (walls.normals @ mirrored.T).max(axis=1)
        normals, self._own_growing = half_planes(mirrored)
        self._own = _Seen.of(walls.lines, normals)
        self._fixed = np.array([(normals @ ring.T).max(axis=1) for ring in walls.rings])

    def stretches(self, limits: Floats, scale: float) -> tuple[Floats, Floats]:
        """From where to where (o, k) each obstacle takes each side, at `limits` (k,)."""
        walls = self._walls
        begins, ends = walls.seen.stretches(limits, walls.offsets + scale * self._growing)
        first = np.maximum.reduceat(begins, walls.starts)
        last = np.minimum.reduceat(ends, walls.starts)
        begins, ends = self._own.stretches(limits, self._fixed + scale * self._own_growing)
        return (
            np.maximum(first, begins.max(axis=1, initial=-np.inf)),
            np.minimum(last, ends.min(axis=1, initial=np.inf)),
        )


def certainly_holds(room: Room, hull: Floats, scale: float, at: tuple[float, float]) -> bool:
    """Whether scale * hull + at lies in the room, and may move a little there: then it is well inside of all
    `Copies.positions`, at a small part of their cost."""
    if len(hull) < 3:
        return False
    centre = hull.mean(axis=0)
    larger = (centre + (hull - centre) * _LARGER) * scale + at
    return bool(shapely.covers(room.polygon, shapely.polygons(larger)))


def room_of(polygon: Polygon) -> Room:
    """Prepare one polygon (mm)."""
    whole = orient(polygon)
    shapely.prepare(whole)
    frame = orient(whole.convex_hull)
    normals, offsets = half_planes(shapely.get_coordinates(frame)[:-1])
    pockets = [
        p
        for p in shapely.get_parts(shapely.difference(frame, Polygon(whole.exterior)))
        if p.area > _FLAT_AREA_MM2
    ]
    holes = [Polygon(ring) for ring in whole.interiors]
    obstacles = [ring for piece in (*pockets, *holes) for ring in _convex_pieces(piece)]
    return Room(whole, normals, offsets, Rings(obstacles), _Walls(normals, obstacles))


def _convex_pieces(piece: Polygon) -> list[Floats]:
    """Rings of few convex polygons that make up the piece: itself if convex, else triangles joined across
    every side at whose ends the angles stay convex.

    At most four times as many as there must be (Hertel and Mehlhorn 1983; from memory).
    """
    if _is_convex(piece):
        return [_ring(piece)]
    rings: list[list[_Corner]] = [
        list(orient(triangle).exterior.coords)[:-1]
        for triangle in shapely.get_parts(shapely.constrained_delaunay_triangles(piece))
    ]
    sides = {side: at for at, ring in enumerate(rings) for side in _sides(ring)}
    for one, other in list(sides):
        at, beyond = sides.pop((one, other), None), sides.pop((other, one), None)
        if at is None or beyond is None or at == beyond:
            continue
        joined = _from(rings[at], other)[:-1] + _from(rings[beyond], one)[:-1]
        if _turns_left(joined, one) and _turns_left(joined, other):
            sides.update((side, at) for side in _sides(joined) if side in sides)
            rings[at], rings[beyond] = joined, []
    pieces = [Polygon(ring) for ring in rings if ring]
    return [_ring(part) for part in pieces if part.area > _FLAT_AREA_MM2]


_Corner = tuple[float, ...]


def _sides(ring: list[_Corner]) -> list[tuple[_Corner, _Corner]]:
    return list(zip(ring, [*ring[1:], ring[0]], strict=True))


def _from(ring: list[_Corner], corner: _Corner) -> list[_Corner]:
    at = ring.index(corner)
    return ring[at:] + ring[:at]


def _turns_left(ring: list[_Corner], corner: _Corner) -> bool:
    """Whether a corner of an anticlockwise ring stands inward by no more than float noise."""
    ring = _from(ring, corner)
    (x0, y0), (x1, y1), (x2, y2) = ring[-1], ring[0], ring[1]
    along, up = x2 - x0, y2 - y0
    return along * (y1 - y0) - up * (x1 - x0) <= _NOISE_MM * math.hypot(along, up)


def _is_convex(piece: Any) -> bool:
    return bool(piece.convex_hull.area - piece.area <= _FLAT_AREA_MM2 * max(piece.area, 1.0))


def _ring(piece: Any) -> Floats:
    return np.asarray(shapely.get_coordinates(orient(piece.convex_hull))[:-1])


class Rings:
    """Convex rings made ready to be added to others: their lowest corners (r, 2), and their edges from there
    on (r, e, 2) with their angles (r, e), padded to as many edges as the longest has."""

    def __init__(self, rings: Sequence[Floats]) -> None:
        ready = [_from_lowest(ring) for ring in rings]
        self.counts = np.array([len(ring) for ring in rings], dtype=np.int64)
        self.first = np.array([first for first, _ in ready]).reshape(-1, 2)
        self.edges = np.zeros((len(rings), int(self.counts.max(initial=0)), 2))
        self.angles = np.full(self.edges.shape[:2], np.inf)
        for number, (_, edges) in enumerate(ready):
            self.edges[number, : len(edges)] = edges
            self.angles[number, : len(edges)] = _angles(edges)


def _minkowski_sums(rings: Rings, other: Floats) -> tuple[Floats, Floats, Any]:
    """`fixed`, `growing` (both (m, 2)) and counts: `fixed + s * growing` are the corners of ring + s * other.

    The edges of a sum of convex sets are those of both, in order of their angles (de Berg and others,
    Computational Geometry, chapter 13; from memory), and that order does not change with s.
    """
    number = len(rings.counts)
    if number == 0:
        return np.empty((0, 2)), np.empty((0, 2)), np.empty(0, dtype=np.int64)
    other_first, other_edges = _from_lowest(other)
    most, counts = rings.edges.shape[1], rings.counts + len(other)
    angles = np.hstack([rings.angles, np.broadcast_to(_angles(other_edges), (number, len(other)))])
    order = np.argsort(angles, axis=1, kind="stable")
    ours = np.concatenate([rings.edges, np.zeros((number, len(other), 2))], axis=1)
    theirs = np.zeros_like(ours)
    theirs[:, most:] = other_edges
    is_corner = np.arange(most + len(other)) < counts[:, None]
    fixed = rings.first[:, None] + _before(np.take_along_axis(ours, order[..., None], axis=1))
    growing = other_first + _before(np.take_along_axis(theirs, order[..., None], axis=1))
    return fixed[is_corner], growing[is_corner], counts


def _angles(edges: Floats) -> Floats:
    return np.asarray(np.arctan2(edges[:, 1], edges[:, 0]) % (2 * np.pi))


def _from_lowest(ring: Floats) -> tuple[Floats, Floats]:
    """The lowest corner (of several, the leftmost) of an anticlockwise ring and its edges from there on."""
    ring = np.roll(ring, -int(np.lexsort((ring[:, 0], ring[:, 1]))[0]), axis=0)
    return ring[0], np.roll(ring, -1, axis=0) - ring


def _before(edges: Floats) -> Floats:
    """Where each edge of the rings (r, e, 2) begins, the first of each at nought."""
    before = np.zeros_like(edges)
    np.cumsum(edges[:, :-1], axis=1, out=before[:, 1:])
    return before


def _dual_corners(dual: Floats) -> Floats:
    """Corners (m, 2) of {x: dual @ x <= 1}: the edges of the hull of the dual points, each one a corner."""
    a = shapely.get_coordinates(shapely.convex_hull(shapely.multipoints(dual)))[:-1]
    # Edges that lie in line but for float noise give points that are one but for float noise.
    a = a[np.abs(a - np.roll(a, 1, axis=0)).max(axis=1) > _IN_LINE * np.abs(a).max(axis=1)]
    b = np.roll(a, -1, axis=0)
    across = a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]
    corners: Floats = np.column_stack([b[:, 1] - a[:, 1], a[:, 0] - b[:, 0]]) / across[:, None]
    return corners


def _clipped(normals: Floats, limits: Floats) -> Floats:
    """Corners of the convex set {p: normals @ p <= limits}, however thin: a square cut by each half-plane."""
    far = float(np.abs(limits).max()) * 4 + 1.0
    ring = np.array([[-far, -far], [far, -far], [far, far], [-far, far]])
    for normal, limit in zip(normals, limits, strict=True):
        beyond = ring @ normal - limit
        if (beyond > 0).any():
            ring = _cut(ring, beyond)
        if len(ring) == 0:
            break
    return ring


def _cut(ring: Floats, beyond: Floats) -> Floats:
    """Sutherland and Hodgman's step: keep what lies at or behind the line."""
    after, beyond_after = np.roll(ring, -1, axis=0), np.roll(beyond, -1)
    kept: list[Floats] = []
    for a, b, da, db in zip(ring, after, beyond, beyond_after, strict=True):
        if da <= 0:
            kept.append(a)
        if (da > 0) != (db > 0):
            kept.append(a + (b - a) * (da / (da - db)))
    return np.array(kept).reshape(-1, 2)
