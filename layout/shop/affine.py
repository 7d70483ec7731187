"""Affine transforms of the plane: a frame turned, scaled and moved into another.

A face lies turned in its slot, the slot on its plate, the plate on the station's table, whose axes may be
scaled or flipped: each step is one of these. The sums are written out, number by number, never a matrix
product, whose last bit differs from one processor's kernel to another's: burn files must come out the same
anywhere.

The judge of a load (`layout.judge`) does this arithmetic once more on its own, on purpose: what places a mark
and what judges it share no code.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from layout.shop.measure import Floats


@dataclass(frozen=True, slots=True)
class Affine:
    """x' = a x + b y + tx, y' = c x + d y + ty."""

    a: float
    b: float
    c: float
    d: float
    tx: float = 0.0
    ty: float = 0.0

    @classmethod
    def turned(cls, turn_deg: float, *, to: tuple[float, float] = (0.0, 0.0)) -> Affine:
        """A turn about the origin (degrees, counter-clockwise), then a move to `to`.

        >>> x, y = Affine.turned(90, to=(10, 0)).point((2, 0))
        >>> round(x, 9), round(y, 9)
        (10.0, 2.0)
        """
        cos, sin = math.cos(math.radians(turn_deg)), math.sin(math.radians(turn_deg))
        return cls(cos, -sin, sin, cos, *to)

    def scaled(self, across: float, up: float) -> Affine:
        """This transform, then a scaling along the axes of the frame it leads to; a negative scale flips."""
        return Affine(
            across * self.a, across * self.b, up * self.c, up * self.d, across * self.tx, up * self.ty
        )

    def point(self, point: tuple[float, float]) -> tuple[float, float]:
        """One point transformed."""
        x, y = point
        return self.a * x + self.b * y + self.tx, self.c * x + self.d * y + self.ty

    def __call__(self, points: Any) -> Floats:
        """Points (n, 2) transformed."""
        given = np.asarray(points, dtype=np.float64)
        x, y = given[:, 0], given[:, 1]
        return np.column_stack([self.a * x + self.b * y + self.tx, self.c * x + self.d * y + self.ty])

    @property
    def matrix(self) -> tuple[float, float, float, float, float, float]:
        """(a, b, c, d, tx, ty), as calibrations are stored."""
        return self.a, self.b, self.c, self.d, self.tx, self.ty
