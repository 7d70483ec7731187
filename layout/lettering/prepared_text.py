"""A composition made ready to be drawn again and again: what `typeset.draw` does, to the last bit, at once.

Most texts are drawn on a straight baseline with letters that don't touch. Their areas are then moved in one
go, and meetings need not be looked for, nor validity of letters drawn before, because both are known from
capital height 1.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely

from layout.lettering.fonts import SAFE_CLEARANCE_MM, SIZE_CLASSES_MM, Shape, are_sound
from layout.lettering.ink import SAFE_SIZE_MM2
from layout.lettering.typeset import Composition, draw
from layout.shop.affine import Affine
from layout.shop.measure import Floats, freeze_mm
from layout.shop.outline import Outline


@dataclass(frozen=True, eq=False, slots=True)
class Stamp:
    """A composition's areas at capital height 1, for one size class.

    `areas` (n) are polygons about their glyphs' origins, those of `shapes`, `points` all their coordinates,
    `counts` how many each has, `at` (n, 2) the glyphs' origins. It is good for heights above `least_mm` where
    rounding leaves every area valid.
    """

    shapes: tuple[Shape, ...]
    areas: Any
    points: Floats
    counts: Any
    at: Floats
    least_mm: float

    def draw(self, height_mm: float, x_mm: float, y_mm: float, turn_deg: float) -> Outline | None:
        """The frozen outline at a capital height, its origin at (x, y), turned about it; None where the stamp
        is no good for that."""
        if height_mm <= self.least_mm:
            return None
        turned = Affine.turned(turn_deg)
        # Number by number the sums that `typeset.draw` does, so that not even the last bit differs.
        at = np.array([x_mm, y_mm]) + height_mm * turned(self.at)
        points = turned(self.points) if turn_deg else self.points
        frozen = freeze_mm(points * height_mm + np.repeat(at, self.counts, axis=0))
        areas = shapely.transform(self.areas, lambda _: frozen)
        return Outline(tuple(areas.tolist())) if are_sound(areas, self.shapes, height_mm).all() else None


class Stamps:
    """Draws one composition, and keeps what makes the next drawing quick."""

    def __init__(self, composition: Composition) -> None:
        self._composition = composition
        self._kept: dict[float, Stamp | None] = {}

    def draw(self, height_mm: float, x_mm: float, y_mm: float, turn_deg: float) -> Outline:
        """The same as `typeset.draw` of the composition."""
        stamp = self._stamp(height_mm)
        stamped = stamp.draw(height_mm, x_mm, y_mm, turn_deg) if stamp is not None else None
        if stamped is not None:
            return stamped
        return draw(self._composition, height_mm=height_mm, x_mm=x_mm, y_mm=y_mm, turn_deg=turn_deg)

    def _stamp(self, height_mm: float) -> Stamp | None:
        size = next((size for size in SIZE_CLASSES_MM if size >= height_mm), None)
        if size is None:
            return None
        if size not in self._kept:
            self._kept[size] = stamp_of(self._composition, size)
        return self._kept[size]


def stamp_of(composition: Composition, size_class_mm: float) -> Stamp | None:
    """The stamp for a size class; None for single-line fonts, letters that touch, and no ink."""
    font = composition.font
    glyphs = [glyph for cluster in composition.clusters for glyph in cluster.glyphs]
    drawn = font.shapes_each([glyph.gid for glyph in glyphs], size_class_mm)
    shapes = [(glyph, shape) for glyph, own in zip(glyphs, drawn, strict=True) for shape in own]
    if not shapes or any(font.strokes_of(glyph.gid) for glyph in glyphs):
        return None
    areas = np.array([shape.area for _, shape in shapes], dtype=object)
    at = np.array([(glyph.x, glyph.y) for glyph, _ in shapes])
    counts = shapely.get_num_coordinates(areas)
    points = shapely.get_coordinates(areas)
    if _are_near(areas, at):
        return None
    smallest = min(shape.size for _, shape in shapes)
    safe_mm = max(SAFE_CLEARANCE_MM / _APART, math.sqrt(SAFE_SIZE_MM2 / smallest))
    return Stamp(tuple(shape for _, shape in shapes), areas, points, counts, at, safe_mm)


#: Capital heights: areas further apart than this stay so under rounding at any height that can be read.
_APART = 0.0005
_AT_ONCE = 8


def _are_near(areas: Any, at: Floats) -> bool:
    """Whether any two areas (n,), each put at its place (n, 2), are no further apart than _APART; only those
    whose boxes are, are looked at."""
    boxes = shapely.bounds(areas)
    (x0, y0), (x1, y1) = (boxes[:, :2] + at).T, (boxes[:, 2:] + at).T
    across = np.maximum(x0[:, None], x0) - np.minimum(x1[:, None], x1)
    up = np.maximum(y0[:, None], y0) - np.minimum(y1[:, None], y1)
    first, second = np.nonzero((across <= _APART) & (up <= _APART))
    is_pair = first < second
    if not is_pair.any():
        return False
    first, second = first[is_pair], second[is_pair]
    near = np.unique(np.concatenate([first, second]))
    there = np.repeat(at[near], shapely.get_num_coordinates(areas[near]), axis=0)
    placed = np.empty_like(areas)
    placed[near] = shapely.transform(areas[near], lambda points: points + there)
    shapely.prepare(placed[np.unique(first)])
    # Of joined letters the first pair that is looked at is one: a few at a time.
    return any(
        shapely.dwithin(placed[first[begun:][:_AT_ONCE]], placed[second[begun:][:_AT_ONCE]], _APART).any()
        for begun in range(0, len(first), _AT_ONCE)
    )
