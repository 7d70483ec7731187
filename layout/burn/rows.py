"""Fill: rows at a process's spacing and angle, crossed rows and the edge line, in the face's frame.

Rows lie on one lattice that is fixed to the face: with `v` measured across the rows from the face's
origin, row k lies at v = (k + 1/2) · spacing. So every glyph of a face shares the same lattice, and
neither a slot nor a turn of the plate can change a row.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from shapely.geometry import MultiPolygon, Polygon

from layout.shop.measure import FROZEN_STEP_MM, Floats
from layout.shop.outline import Outline
from layout.shop.stations import Process

#: Arcs that the edge allowance leaves round corners are drawn with this many chords to the quarter.
QUARTER_CHORDS = 16


@dataclass(frozen=True, slots=True)
class Filled:
    """What the beam's centre follows inside one connected area: rows (n, 2, 2), crossed rows, edge rings."""

    area: Polygon
    rows: Floats
    crossed: Floats
    edge: tuple[Floats, ...]

    @property
    def burns(self) -> bool:
        """Whether anything at all would be burned here."""
        return len(self.rows) + len(self.crossed) + len(self.edge) > 0


def rows(outline: Outline, process: Process) -> Floats:
    """All rows of an outline (mm, face frame), shape (n, 2, 2): first the rows, then the crossed rows.

    Areas are first shrunk by the process's edge allowance. Strokes of single-line fonts are never
    filled. Repeats are not in the rows: a repeat burns the same rows again, and the process says how often.
    """
    inside = shrink(outline, process)
    return np.concatenate([scan(inside, process.rows.spacing_mm, angle) for angle in _angles(process)])


def filled(outline: Outline, process: Process) -> tuple[Filled, ...]:
    """Rows and edge line of every connected area in turn, in the outline's (reading) order.

    A letter that the edge allowance parts into several areas gives several entries.
    """
    areas = [part for area in outline.areas for part in _parts(area, process.edge_allowance_mm)]
    sets = [_scan_each(areas, process.rows.spacing_mm, angle) for angle in _angles(process)]
    none = [np.empty((0, 2, 2))] * len(areas)
    crossed = sets[1] if process.rows.crossed else none
    edges = [_rings(area) if process.edge_line else () for area in areas]
    return tuple(Filled(a, r, c, e) for a, r, c, e in zip(areas, sets[0], crossed, edges, strict=True))


def shrink(outline: Outline, process: Process) -> MultiPolygon:
    """The areas of an outline without the edge allowance (mm), where the beam's centre may run."""
    return MultiPolygon([part for area in outline.areas for part in _parts(area, process.edge_allowance_mm)])


def scan(region: Any, spacing_mm: float, angle_deg: float) -> Floats:
    """Rows (n, 2, 2) of a region (Polygon or MultiPolygon of disjoint parts, mm), row by row, left to right.

    Edges are half-open across the rows, so that a row through a vertex meets it once, and crossings
    pair up by the even-odd rule. Raises ValueError when the spacing is not positive.
    """
    parts = shapely.get_parts(region)
    crossings, _ = _crossings(parts, np.zeros(len(parts), dtype=np.intp), spacing_mm, angle_deg)
    return crossings


def _scan_each(areas: list[Polygon], spacing_mm: float, angle_deg: float) -> list[Floats]:
    parts = np.array(areas, dtype=object)
    crossings, owner = _crossings(parts, np.arange(len(parts)), spacing_mm, angle_deg)
    return np.split(crossings, np.searchsorted(owner, np.arange(1, len(parts)))) if len(parts) else []


def _crossings(parts: Any, owners: Any, spacing_mm: float, angle_deg: float) -> tuple[Floats, Any]:
    """Row segments and the owner of each, sorted by owner, then row, then along the row."""
    if not spacing_mm > 0:
        raise ValueError(f"rows need a spacing over 0 mm, not {spacing_mm}")
    # `get_rings` of a multi-part geometry gives nothing: it must be fed single polygons.
    rings, ring_part = shapely.get_rings(parts, return_index=True)
    points, ring = shapely.get_coordinates(rings, return_index=True)
    if not len(points):
        return np.empty((0, 2, 2)), np.empty(0, dtype=np.intp)
    cos, sin = _turn(angle_deg)
    x, y = points[:, 0], points[:, 1]
    # Written out, not as a matrix product, whose last bit differs from one processor's kernel to another's.
    along, across = x * cos + y * sin, (y * cos - x * sin) / spacing_mm - 0.5
    same = ring[1:] == ring[:-1]
    u0, u1, v0, v1 = along[:-1][same], along[1:][same], across[:-1][same], across[1:][same]
    owner = owners[ring_part[ring[1:][same]]]
    first = np.ceil(np.minimum(v0, v1)).astype(np.int64)
    count = np.ceil(np.maximum(v0, v1)).astype(np.int64) - first
    edge = np.repeat(np.arange(len(count)), count)
    row = np.arange(len(edge)) + (first - (np.cumsum(count) - count))[edge]
    # An edge along a row has count 0, so no division here is by zero.
    slope = np.divide(u1 - u0, v1 - v0, out=np.zeros_like(u0), where=count > 0)
    u = u0[edge] + (row - v0[edge]) * slope[edge]
    # One number holds owner, row and place along the row, so that one plain sort, several times as quick as
    # sorting by three keys, puts crossings in order. It costs a rounding far below a frozen step.
    reach = float(np.abs(along).max()) + 1
    low = int(row.min(initial=0))
    levels = int(row.max(initial=0)) - low + 1
    crossing = np.sort(((owner[edge] * levels + (row - low)) * (2 * reach)) + (u + reach))
    level = np.floor(crossing[0::2] / (2 * reach))
    start, end = crossing.reshape(-1, 2).T - (level * (2 * reach) + reach)
    keep = end - start > FROZEN_STEP_MM
    level, start, end = level[keep], start[keep], end[keep]
    whose = np.floor(level / levels)
    v = (level - whose * levels + (low + 0.5)) * spacing_mm
    segments = np.empty((len(v), 2, 2))
    for side, ends in enumerate((start, end)):
        segments[:, side, 0] = ends * cos - v * sin
        segments[:, side, 1] = ends * sin + v * cos
    return segments, whose.astype(np.intp)


def _angles(process: Process) -> tuple[float, ...]:
    angle = process.rows.angle_deg
    return (angle, angle + 90.0) if process.rows.crossed else (angle,)


def _turn(angle_deg: float) -> tuple[float, float]:
    """Cosine and sine, exact at quarter turns, so that rows along an axis are exactly level."""
    quarter, rest = divmod(angle_deg, 90.0)
    if rest == 0:
        return ((1.0, 0.0), (0.0, 1.0), (-1.0, 0.0), (0.0, -1.0))[int(quarter) % 4]
    return math.cos(math.radians(angle_deg)), math.sin(math.radians(angle_deg))


def _parts(area: Polygon, allowance_mm: float) -> list[Polygon]:
    shrunk = area.buffer(-allowance_mm, quad_segs=QUARTER_CHORDS) if allowance_mm > 0 else area
    parts = [part for part in shapely.get_parts(shrunk) if part.area > 0]
    # Where an area falls apart its parts are taken from left to right, whatever order GEOS gives them in.
    return sorted(parts, key=lambda part: part.bounds)


def _rings(area: Polygon) -> tuple[Floats, ...]:
    return tuple(shapely.get_coordinates(ring) for ring in (area.exterior, *area.interiors))
