"""Text along a curved baseline: clusters placed by arc length and turned, never running into one another."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import shapely
from shapely.geometry import LineString, Polygon

from layout.measure import HEIGHT_STEP_MM, Floats
from layout.outline import Outline, frozen
from layout.parts import Align, Zone
from layout.region import Region
from layout.typeset import Cluster, Composition, glyph_areas, glyph_hull, glyph_strokes, union_touching

#: Clusters that don't touch on a straight line keep at least this share of their straight distance on a curve.
_KEPT_GAP = 0.5


@dataclass(frozen=True, slots=True)
class Placed:
    """One cluster on the curve: its pen mid-point goes to (x, y), turned by `turn` radians."""

    cluster: Cluster
    x: float
    y: float
    turn: float


@dataclass(frozen=True, slots=True)
class Bent:
    """A one-line composition on a curve at a capital height, in the face's frame (mm)."""

    composition: Composition
    height_mm: float
    placed: tuple[Placed, ...]

    def hulls(self) -> tuple[Polygon, ...]:
        """Convex hull of each inked cluster, mm."""
        return tuple(
            shapely.convex_hull(shapely.multipoints(points))
            for placed in self.placed
            if len(points := _cluster_points(self.composition, placed, self.height_mm)) > 0
        )


def bend(composition: Composition, baseline: LineString, *, height_mm: float, align: Align) -> Bent | None:
    """Place a one-line composition on the baseline. None when the curve is too short for it.

    Where the curve bends towards the letters' tops, neighbours are moved apart until their hulls keep half
    of the distance they have on a straight line (and don't overlap where they did not before).
    """
    inked = [c for c in composition.clusters if c.glyphs or c.advance > 0]
    middles = np.array([c.origin + c.advance / 2 for c in inked]) * height_mm
    if len(inked) == 0:
        return None
    gaps = _straight_gaps(composition, inked, height_mm)
    at = middles - middles[0]
    for _ in range(4):  # every pass only moves letters apart; four are enough for the bends that fit a blade
        start = _start(at, inked, height_mm, baseline.length, align)
        if start is None:
            return None
        placed = [_on(baseline, c, start + s) for c, s in zip(inked, at, strict=True)]
        push = _pushes(composition, placed, gaps, height_mm)
        if not push.any():
            return Bent(composition, height_mm, tuple(placed))
        at = at + np.concatenate([[0.0], np.cumsum(push)])
    return None


def draw(bent: Bent) -> Outline:
    """The frozen outline of a bent composition."""
    composition, height = bent.composition, bent.height_mm
    font = composition.font
    areas, strokes = [], []
    for placed in bent.placed:
        for glyph in placed.cluster.glyphs:
            offset = np.array([glyph.x, glyph.y])

            def to_mm(points: Floats, placed: Placed = placed, offset: Floats = offset) -> Floats:
                return _move(points / font.capital_height + offset, placed, height)

            areas += [shapely.transform(a, to_mm) for a in glyph_areas(font, glyph.gid, height)]
            strokes += [shapely.transform(s, to_mm) for s in glyph_strokes(font, glyph.gid)]
    return frozen(union_touching(areas), strokes)


def largest_on_curve(region: Region, composition: Composition, zone: Zone, *, align: Align) -> float | None:
    """Largest capital height, scanned upward from the zone's floor to the first height that fails."""
    best = None
    step = max(1, round(zone.min_height_mm / HEIGHT_STEP_MM))
    last = math.floor(zone.max_height_mm / HEIGHT_STEP_MM + 1e-6)
    shapely.prepare(region.polygon)
    while step <= last:
        height = round(step * HEIGHT_STEP_MM, 6)
        if not fits(region, composition, zone, align=align, height_mm=height):
            break
        best, step = height, step + 1
    return best


def fits(region: Region, composition: Composition, zone: Zone, *, align: Align, height_mm: float) -> bool:
    """Whether every cluster's hull lies in the region at that height."""
    bent = bend(composition, zone.baseline.line, height_mm=height_mm, align=align)
    return bent is not None and bool(shapely.covers(region.polygon, list(bent.hulls())).all())


def _start(at: Floats, inked: list[Cluster], height: float, length: float, align: Align) -> float | None:
    before, after = inked[0].advance / 2 * height, inked[-1].advance / 2 * height
    needed = before + float(at[-1]) + after
    if needed > length:
        return None
    return {"start": 0.0, "centre": (length - needed) / 2, "end": length - needed}[align] + before


def _on(baseline: LineString, cluster: Cluster, at: float) -> Placed:
    half = max(cluster.advance * 0.25, 0.05)
    point = baseline.interpolate(at)
    a, b = baseline.interpolate(max(0.0, at - half)), baseline.interpolate(min(baseline.length, at + half))
    return Placed(cluster, point.x, point.y, math.atan2(b.y - a.y, b.x - a.x))


def _move(points: Floats, placed: Placed, height: float) -> Floats:
    local = (points - [placed.cluster.origin + placed.cluster.advance / 2, 0.0]) * height
    cos, sin = math.cos(placed.turn), math.sin(placed.turn)
    turned = np.column_stack([local[:, 0] * cos - local[:, 1] * sin, local[:, 0] * sin + local[:, 1] * cos])
    return np.asarray(turned + [placed.x, placed.y])


def _cluster_points(composition: Composition, placed: Placed, height: float) -> Floats:
    font = composition.font
    points = [
        _move(hull / font.capital_height + [glyph.x, glyph.y], placed, height)
        for glyph in placed.cluster.glyphs
        if len(hull := glyph_hull(font, glyph.gid))
    ]
    return np.concatenate(points) if points else np.empty((0, 2))


def _straight_gaps(composition: Composition, inked: list[Cluster], height: float) -> list[float]:
    straight = [Placed(c, (c.origin + c.advance / 2) * height, 0.0, 0.0) for c in inked]
    return [_distance(composition, a, b, height) for a, b in zip(straight, straight[1:], strict=False)]


def _pushes(composition: Composition, placed: list[Placed], gaps: list[float], height: float) -> Floats:
    push = np.zeros(len(placed) - 1)
    for index, (a, b) in enumerate(zip(placed, placed[1:], strict=False)):
        if gaps[index] <= 0:
            continue  # they touch or overlap on a straight line already: connected letters stay connected
        short = _KEPT_GAP * gaps[index] - _distance(composition, a, b, height)
        if short > 1e-6:
            push[index] = short * 1.2 + 0.01 * height
    return push


def _distance(composition: Composition, a: Placed, b: Placed, height: float) -> float:
    """Distance of two clusters' hulls; 0 where they meet or one has no ink."""
    first, second = (_cluster_points(composition, p, height) for p in (a, b))
    if len(first) == 0 or len(second) == 0:
        return 0.0
    hulls = [shapely.convex_hull(shapely.multipoints(points)) for points in (first, second)]
    return float(hulls[0].distance(hulls[1]))
