"""How large a block of text can be in a region, and where it goes: the largest height, to the height step,
at which the convex hull of the whole block lies in the region at some position that the zone allows."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
import shapely
from shapely import affinity
from shapely.geometry import LineString, Point
from shapely.ops import nearest_points

from layout.inner import Copies, Room, room_of
from layout.measure import HEIGHT_STEP_MM, Floats
from layout.parts import Align, Slide, Zone
from layout.region import Region

#: What lies this near the block at its largest is what stops it growing.
BINDING_MM = 0.02
_FAR_MM = 1e4


@dataclass(frozen=True, slots=True)
class Binding:
    """What holds a block: a zone's edge, the silhouette or a keep-out, and the point (face frame) where."""

    kind: str
    name: str
    point: tuple[float, float]
    clearance_mm: float


@dataclass(frozen=True, slots=True)
class Fit:
    """A block placed: capital height, where the composition's origin goes, and how it is turned."""

    height_mm: float
    x_mm: float
    y_mm: float
    turn_deg: float
    clearance_mm: float
    binding: tuple[Binding, ...]


@dataclass(frozen=True, slots=True)
class Overhang:
    """By how much a block is too long and too tall: what its hull's box exceeds the room's box by, along and
    across the baseline; where both are nought, the shape of the room is in the way, not its size."""

    length_mm: float
    height_mm: float


def largest(region: Region, hull: Floats, zone: Zone, *, align: Align) -> Fit | None:
    """The largest fit not above the zone's largest height; None when not even one height step fits."""
    wish = _Wish.of(hull, zone, align)
    ceiling, step, found = _steps(zone.max_height_mm), 0, None
    for room in _rooms(region, zone):
        copies = Copies(room, hull)
        best = _largest_step(copies, wish, step, min(ceiling, _steps(copies.bound)))
        if best > step:
            step, found = best, copies
    if found is None:
        return None
    return _placed(region, found, hull, wish, _height_mm(step))


def place(region: Region, hull: Floats, zone: Zone, *, align: Align, height_mm: float) -> Fit | None:
    """The block at that height, as near to the zone's anchor as it fits; None when it fits nowhere."""
    wish = _Wish.of(hull, zone, align)
    found = [
        fit
        for room in _rooms(region, zone)
        if (fit := _placed(region, Copies(room, hull), hull, wish, height_mm)) is not None
    ]
    return min(found, key=wish.distance_mm, default=None)


def overhang(region: Region, hull: Floats, zone: Zone, *, height_mm: float) -> Overhang:
    """See Overhang; measured against the roomiest piece of the region."""
    sized = hull * height_mm
    length, height = (sized.max(axis=0) - sized.min(axis=0)).tolist()
    boxes = [room.polygon.bounds for room in _rooms(region, zone)]
    if not boxes:
        return Overhang(length, height)
    x0, y0, x1, y1 = max(boxes, key=lambda b: (b[2] - b[0]) * (b[3] - b[1]))
    return Overhang(max(0.0, length - (x1 - x0)), max(0.0, height - (y1 - y0)))


def turn_of(zone: Zone) -> float:
    """Direction of a straight baseline in degrees."""
    (x0, y0), (x1, y1) = zone.baseline.points[0], zone.baseline.points[-1]
    return math.degrees(math.atan2(y1 - y0, x1 - x0))


def _rooms(region: Region, zone: Zone) -> tuple[Room, ...]:
    return _turned_rooms(shapely.to_wkb(region.polygon), turn_of(zone))


@lru_cache(maxsize=512)
def _turned_rooms(wkb: bytes, turn_deg: float) -> tuple[Room, ...]:
    """The region's pieces in a frame where the baseline is level."""
    level = affinity.rotate(shapely.from_wkb(wkb), -turn_deg, origin=(0, 0))
    return tuple(room_of(part) for part in shapely.get_parts(level) if part.area > 0)


@dataclass(frozen=True, slots=True)
class _Wish:
    """Where a block wants to be: its own point `own` (composition frame) at `anchor`, both with the baseline
    level, and how far from there the zone lets it slide."""

    anchor: tuple[float, float]
    own: tuple[float, float]
    slide: Slide
    turn_deg: float

    @classmethod
    def of(cls, hull: Floats, zone: Zone, align: Align) -> _Wish:
        return cls(_anchor(zone, align), _own_point(hull), zone.slide, turn_of(zone))

    def origin(self, height_mm: float) -> tuple[float, float]:
        """Where the composition's origin comes to lie when the wish is granted (level frame)."""
        return self.anchor[0] - self.own[0] * height_mm, self.anchor[1] - self.own[1] * height_mm

    def allowed(self, positions: Any, height_mm: float) -> Any:
        """Those of the positions to which the block may slide."""
        if self.slide == "both" or positions.is_empty:
            return positions
        x, y = self.origin(height_mm)
        tracks = {
            "along": LineString([(-_FAR_MM, y), (_FAR_MM, y)]),
            "across": LineString([(x, -_FAR_MM), (x, _FAR_MM)]),
            "none": Point(x, y),
        }
        return shapely.intersection(positions, tracks[self.slide])

    def distance_mm(self, fit: Fit) -> float:
        """How far from its wish a block was placed."""
        wished = self.origin(fit.height_mm)
        x, y = _turned((fit.x_mm, fit.y_mm), -self.turn_deg)
        return math.hypot(x - wished[0], y - wished[1])


def _steps(height_mm: float) -> int:
    """Whole height steps in a height, with allowance for its float representation."""
    return math.floor(height_mm / HEIGHT_STEP_MM + 1e-6)


def _height_mm(step: int) -> float:
    return round(step * HEIGHT_STEP_MM, 6)


def _largest_step(copies: Copies, wish: _Wish, low: int, top: int) -> int:
    """Largest whole step in (low, top] that is feasible, or `low`. Bisection: what fits of a hull at a height
    fits at every smaller one under each of the zone's slides."""

    def feasible(step: int) -> bool:
        height = _height_mm(step)
        return not wish.allowed(copies.positions(height), height).is_empty

    if top <= low:
        return low
    if feasible(top):
        return top
    if top == low + 1 or not feasible(low + 1):
        return low
    low += 1
    while top - low > 1:
        middle = (low + top) // 2
        if feasible(middle):
            low = middle
        else:
            top = middle
    return low


def _placed(region: Region, copies: Copies, hull: Floats, wish: _Wish, height_mm: float) -> Fit | None:
    allowed = wish.allowed(copies.positions(height_mm), height_mm)
    if allowed.is_empty:
        return None
    spot = nearest_points(allowed, Point(wish.origin(height_mm)))[0]
    x, y = _turned((spot.x, spot.y), wish.turn_deg)
    corners = hull * height_mm + [spot.x, spot.y]
    block = affinity.rotate(shapely.convex_hull(shapely.multipoints(corners)), wish.turn_deg, origin=(0, 0))
    clearance = float(region.polygon.boundary.distance(block))
    return Fit(height_mm, x, y, wish.turn_deg, clearance, bindings_of(region, block))


def _anchor(zone: Zone, align: Align) -> tuple[float, float]:
    """The zone's anchor in the level frame: given, or the zone's start, middle or end on its mid-line."""
    turn = turn_of(zone)
    if zone.anchor is not None:
        return _turned(zone.anchor, -turn)
    x0, y0, x1, y1 = affinity.rotate(zone.polygon, -turn, origin=(0, 0)).bounds
    return {"start": x0, "centre": (x0 + x1) / 2, "end": x1}[align], (y0 + y1) / 2


def _own_point(hull: Floats) -> tuple[float, float]:
    """The block's own point that goes to the anchor: on its aligned edge, in the middle of its height.

    Where that point lies outside the hull, the hull's nearest: shrinking about a point of the hull keeps the
    block inside itself, which is what makes a fit at one height a fit at every smaller one.
    """
    y0, y1 = hull[:, 1].min(), hull[:, 1].max()
    wanted = Point(0.0, (y0 + y1) / 2)
    body = shapely.convex_hull(shapely.multipoints(hull))
    point = nearest_points(body, wanted)[0]
    return float(point.x), float(point.y)


def _turned(point: tuple[float, float], turn_deg: float) -> tuple[float, float]:
    turn = math.radians(turn_deg)
    cos, sin = math.cos(turn), math.sin(turn)
    return point[0] * cos - point[1] * sin, point[0] * sin + point[1] * cos


def bindings_of(region: Region, block: Any) -> tuple[Binding, ...]:
    """Everything of the region's boundary within BINDING_MM of the block, one entry per thing: corners of the
    block near a boundary, and corners of a boundary near an edge of the block."""
    found: dict[tuple[str, str], Binding] = {}
    for part in shapely.get_parts(region.polygon):
        for ring in (part.exterior, *part.interiors):
            if ring.distance(block) > BINDING_MM:
                continue
            for point, gap in _contacts(ring, block):
                source = region.source_at(*point)
                key = (source.kind, source.name)
                if key not in found or gap < found[key].clearance_mm:
                    found[key] = Binding(source.kind, source.name, point, gap)
    return tuple(found[key] for key in sorted(found))


def _contacts(ring: Any, block: Any) -> list[tuple[tuple[float, float], float]]:
    """Points of a ring within BINDING_MM of the block, with their distances."""
    corners = shapely.points(shapely.get_coordinates(block))
    near_corners = corners[shapely.distance(ring, corners) <= BINDING_MM]
    feet = shapely.line_interpolate_point(ring, shapely.line_locate_point(ring, near_corners))
    ring_corners = shapely.points(shapely.get_coordinates(ring))
    near_ring = ring_corners[shapely.distance(block, ring_corners) <= BINDING_MM]
    points = np.concatenate([feet, near_ring])
    gaps = shapely.distance(block, points)
    return [((float(p.x), float(p.y)), float(gap)) for p, gap in zip(points, gaps, strict=True)]
