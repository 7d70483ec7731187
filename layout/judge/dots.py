"""The judge's own dots: which points of a fine grid lie in rings, or within a reach of lines.

Every crossing of a ring's side with a line of dots is worked out, and summed along that line: a dot is
inside where the crossings before it don't cancel. Dots are points, not squares, so a dot's answer is exact;
only what lies between dots is not looked at.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np

from layout.shop.measure import Floats

#: Chords to half a circle at the ends of a widened line; they lie inside the circle.
_CHORDS = 6


@dataclass(frozen=True, slots=True)
class Grid:
    """Dots `step_mm` apart, `columns` by `rows` of them, the first at x_mm, y_mm."""

    x_mm: float
    y_mm: float
    step_mm: float
    columns: int
    rows: int

    @classmethod
    def over(cls, box_mm: tuple[float, float, float, float], step_mm: float) -> Grid:
        """Dots over a box (x0, y0, x1, y1)."""
        x0, y0, x1, y1 = box_mm
        return cls(x0, y0, step_mm, math.ceil((x1 - x0) / step_mm) + 1, math.ceil((y1 - y0) / step_mm) + 1)

    def part(self, box_mm: tuple[float, float, float, float]) -> tuple[Grid, tuple[slice, slice]]:
        """The dots of this grid in a box, and where they stand in arrays of this grid."""
        first_column = max(0, math.floor((box_mm[0] - self.x_mm) / self.step_mm))
        first_row = max(0, math.floor((box_mm[1] - self.y_mm) / self.step_mm))
        columns = min(self.columns, math.ceil((box_mm[2] - self.x_mm) / self.step_mm) + 1) - first_column
        rows = min(self.rows, math.ceil((box_mm[3] - self.y_mm) / self.step_mm) + 1) - first_row
        x, y = self.x_mm + first_column * self.step_mm, self.y_mm + first_row * self.step_mm
        where = slice(first_row, first_row + rows), slice(first_column, first_column + columns)
        return Grid(x, y, self.step_mm, columns, rows), where

    def inside(self, rings: Sequence[Floats]) -> Any:
        """Dots (rows, columns) inside areas given by their rings, (n, 2) with the first point repeated:
        shells one way round, holes the other."""
        sides = [np.stack([ring[:-1], ring[1:]], axis=1) for ring in rings]
        return self._wound(np.concatenate([np.empty((0, 2, 2)), *sides]))

    def reached(self, segments: Floats, reach_mm: float) -> Any:
        """Dots (rows, columns) within a reach of some of the segments (n, 2, 2)."""
        start, end = segments[:, 0], segments[:, 1]
        along = end - start
        length = np.hypot(along[:, 0], along[:, 1])[:, None]
        along = np.divide(along, length, out=np.tile([1.0, 0.0], (len(along), 1)), where=length > 0)
        across = np.column_stack([-along[:, 1], along[:, 0]])
        half = np.linspace(-math.pi / 2, math.pi / 2, _CHORDS + 1)
        cap = np.cos(half)[:, None, None] * along + np.sin(half)[:, None, None] * across
        outline = np.concatenate([end + reach_mm * cap, start - reach_mm * cap])
        sides = np.stack([outline, np.roll(outline, -1, axis=0)], axis=2)
        return self._wound(sides.reshape(-1, 2, 2))

    def _wound(self, sides: Floats) -> Any:
        x = (sides[:, :, 0] - self.x_mm) / self.step_mm
        y = (sides[:, :, 1] - self.y_mm) / self.step_mm
        low = np.clip(np.ceil(np.minimum(y[:, 0], y[:, 1])), 0, self.rows).astype(np.int64)
        high = np.clip(np.ceil(np.maximum(y[:, 0], y[:, 1])), 0, self.rows).astype(np.int64)
        count = high - low
        side = np.repeat(np.arange(len(count)), count)
        row = np.arange(len(side)) + (low - (np.cumsum(count) - count))[side]
        rise = y[:, 1] - y[:, 0]
        slope = np.divide(x[:, 1] - x[:, 0], rise, out=np.zeros_like(rise), where=count > 0)
        met = x[side, 0] + (row - y[side, 0]) * slope[side]
        column = np.clip(np.ceil(met), 0, self.columns).astype(np.int64)
        # Most of the time goes into passing over the dots: in numbers as narrow as the count of all sides
        # allows, and one column of dots added to the next, which takes a third of a running sum along rows.
        narrow = np.int16 if len(sides) <= np.iinfo(np.int16).max else np.int32
        wound = np.zeros((self.columns + 1, self.rows), dtype=narrow)
        np.add.at(wound.reshape(-1), column * self.rows + row, np.sign(rise).astype(narrow)[side])
        for before, here in pairwise(wound):
            np.add(here, before, out=here)
        return (wound[:-1] != 0).T
