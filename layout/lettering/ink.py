"""Placed glyphs become one frozen outline: moved all at once, merged only where they really meet."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from shapely.geometry import LineString, Polygon
from shapely.geometry.polygon import orient

from layout.lettering.fonts import Font, Shape, are_sound
from layout.lettering.single_line import joined
from layout.shop.measure import FROZEN_STEP_MM, Floats, freeze_mm
from layout.shop.outline import Outline, frozen

#: A smaller area could be a splinter, which freezing drops.
SAFE_SIZE_MM2 = 0.001


@dataclass(frozen=True, slots=True)
class Spot:
    """Where a glyph goes: its origin in mm, and cosine and sine of its turn."""

    gid: int
    x: float
    y: float
    cos: float
    sin: float


def inked(font: Font, spots: Sequence[Spot], *, height_mm: float, bridges: Sequence[Floats] = ()) -> Outline:
    """The frozen outline (mm) of glyphs at a capital height, in the order given.

    Areas that touch or overlap are merged; single-line strokes are joined where their ends meet, or where one
    of the `bridges` (each (2, 2), mm) leads from one end to the other.
    """
    drawn = font.shapes_each([spot.gid for spot in spots], height_mm)
    shapes = [(spot, shape) for spot, own in zip(spots, drawn, strict=True) for shape in own]
    areas = merge_touching(_frozen_areas(shapes, height_mm)) if shapes else ()
    strokes = [(spot, stroke) for spot in spots for stroke in font.strokes_of(spot.gid)]
    return Outline(areas, _frozen_strokes(strokes, height_mm / font.capital_height, bridges))


def merge_touching(areas: Sequence[Polygon]) -> tuple[Polygon, ...]:
    """Merge only the areas that meet; the others are passed on untouched. Order of first appearance.

    Frozen areas in, frozen areas out.
    """
    merged = _merged(areas, snap=False)
    if len(merged) == len(areas) or len(_meeting(np.array(merged, dtype=object))) == 0:
        return merged
    # Rounding the corners of a union made it meet a neighbour, which it then belongs to.
    return _merged(merged, snap=True)


def _merged(areas: Sequence[Polygon], *, snap: bool) -> tuple[Polygon, ...]:
    alone = np.array(areas, dtype=object)
    pairs = _meeting(alone)
    if len(pairs) == 0:
        return tuple(areas)
    merged: list[Polygon] = []
    for group in _groups(len(areas), pairs):
        if len(group) == 1:
            merged.append(areas[group[0]])
        else:
            union = shapely.union_all(alone[group], grid_size=FROZEN_STEP_MM if snap else None)
            parts = sorted(shapely.get_parts(union), key=lambda part: part.bounds)
            merged += frozen(orient(part) for part in parts).areas
    return tuple(merged)


def _frozen_areas(shapes: Sequence[tuple[Spot, Shape]], height_mm: float) -> list[Polygon]:
    glyphs = np.array([shape.area for _, shape in shapes], dtype=object)
    corners = [shape.corners for _, shape in shapes]
    spots = [spot for spot, _ in shapes]
    moved = shapely.transform(glyphs, lambda points: freeze_mm(_placed(points, spots, corners, height_mm)))
    areas: list[Polygon] = []
    sound = are_sound(moved, [shape for _, shape in shapes], height_mm)
    for area, (_, shape), is_sound in zip(moved, shapes, sound, strict=True):
        # To freeze it anew costs more than everything else here.
        is_safe = is_sound and shape.size * height_mm**2 > SAFE_SIZE_MM2
        areas += (area,) if is_safe else frozen([area]).areas
    return areas


def _frozen_strokes(
    strokes: Sequence[tuple[Spot, LineString]], scale: float, bridges: Sequence[Floats]
) -> tuple[LineString, ...]:
    if not strokes:
        return ()
    lines = np.array([stroke for _, stroke in strokes], dtype=object)
    corners = shapely.get_num_coordinates(lines)
    points = freeze_mm(_placed(shapely.get_coordinates(lines), [spot for spot, _ in strokes], corners, scale))
    # Joined after rounding: only then are ends that meet equal to the last bit.
    parts = [*np.split(points, np.cumsum(corners)[:-1]), *map(freeze_mm, bridges)]
    parts = [_distinct(part) for part in parts]
    return tuple(LineString(line) for line in joined([part for part in parts if len(part) > 1]))


def _placed(points: Floats, spots: Sequence[Spot], counts: Any, scale: float) -> Floats:
    """The points (n, 2) of several pieces, `counts[i]` of them scaled, turned and moved to `spots[i]`."""
    cos: Any
    sin: Any
    cos, sin = spots[0].cos, spots[0].sin
    at = np.repeat(np.array([(spot.x, spot.y) for spot in spots]), counts, axis=0)
    if any(spot.cos != cos or spot.sin != sin for spot in spots):
        cos, sin = np.repeat(np.array([(spot.cos, spot.sin) for spot in spots]), counts, axis=0).T
    elif sin == 0.0 and cos == 1.0:
        return np.asarray(points * scale + at)
    x, y = points[:, 0], points[:, 1]
    turned = np.column_stack([x * cos - y * sin, x * sin + y * cos])
    return np.asarray(turned * scale + at)


def _distinct(points: Floats) -> Floats:
    keep = np.ones(len(points), dtype=bool)
    keep[1:] = np.any(points[1:] != points[:-1], axis=1)
    return points[keep]


def _meeting(areas: Any) -> Any:
    """Pairs (m, 2) of areas that touch or overlap."""
    x0, y0, x1, y1 = shapely.bounds(areas).T
    near = (x0[:, None] <= x1) & (x0 <= x1[:, None]) & (y0[:, None] <= y1) & (y0 <= y1[:, None])
    pairs = np.argwhere(np.triu(near, 1))
    if len(pairs) == 0:
        return pairs
    return pairs[shapely.intersects(areas[pairs[:, 0]], areas[pairs[:, 1]])]


def _groups(count: int, pairs: Any) -> list[list[int]]:
    """Numbers below `count` that hang together by the pairs; groups in the order of their first members."""
    leader = list(range(count))

    def lead(i: int) -> int:
        while leader[i] != i:
            i = leader[i]
        return i

    for a, b in pairs:
        low, high = sorted((lead(int(a)), lead(int(b))))
        leader[high] = low
    groups: dict[int, list[int]] = {}
    for index in range(count):
        groups.setdefault(lead(index), []).append(index)
    return list(groups.values())
