"""Polygons as pixels: how much of each pixel is burned."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import shapely

from layout.shop.measure import Floats

#: x0, y0, x1, y1 in mm, y up.
Box = tuple[float, float, float, float]

#: Edges are drawn so many times finer, and brought down by area.
_OVER = 4
#: Bits behind the point of what fillPoly is given.
_BITS = 4


def box_of(polygons: Sequence[Any]) -> Box:
    """The box of all of them."""
    x0, y0, x1, y1 = shapely.total_bounds(np.array(polygons, dtype=object))
    return float(x0), float(y0), float(x1), float(y1)


def turned_by(image: Any, degrees: float) -> tuple[Any, Floats]:
    """An image turned, on a canvas that holds it, and (3, 3) how its pixels were moved."""
    height, width = image.shape
    turn = cv2.getRotationMatrix2D(((width - 1) / 2, (height - 1) / 2), degrees, 1.0)
    cosine, sine = abs(turn[0, 0]), abs(turn[0, 1])
    wide, high = round(width * cosine + height * sine), round(width * sine + height * cosine)
    turn[:, 2] += (wide - width) / 2, (high - height) / 2
    turned = cv2.warpAffine(image, turn, (wide, high), flags=cv2.INTER_LINEAR)
    return turned, np.vstack([turn, [0, 0, 1.0]])


@dataclass(frozen=True, slots=True)
class Canvas:
    """A raster of the face: `px_per_mm`, the mm of its left upper corner, its size in pixels."""

    px_per_mm: float
    left: float
    top: float
    width: int
    height: int

    @classmethod
    def around(cls, box: Box, px_per_mm: float, *, room_mm: float) -> Canvas:
        """The canvas of a box with room on each side."""
        x0, y0, x1, y1 = box
        return cls(
            px_per_mm,
            x0 - room_mm,
            y1 + room_mm,
            int(np.ceil((x1 - x0 + 2 * room_mm) * px_per_mm)),
            int(np.ceil((y1 - y0 + 2 * room_mm) * px_per_mm)),
        )

    @property
    def from_mm(self) -> Floats:
        """(3, 3): from mm (y up) to pixels (y down), whose centres are whole numbers."""
        s = self.px_per_mm
        return np.array([[s, 0, -self.left * s - 0.5], [0, -s, self.top * s - 0.5], [0, 0, 1.0]])

    def covered(self, polygons: Iterable[Any]) -> Any:
        """(height, width) float32: the share of each pixel that lies in the polygons, which don't overlap."""
        drawn = np.zeros((self.height * _OVER, self.width * _OVER), np.uint8)
        for polygon in polygons:
            rings = [self._points(ring.coords) for ring in (polygon.exterior, *polygon.interiors)]
            cv2.fillPoly(drawn, rings, 255, shift=_BITS)
        small = cv2.resize(drawn, (self.width, self.height), interpolation=cv2.INTER_AREA)
        return small.astype(np.float32) / np.float32(255)

    def window_of(self, polygon: Any) -> tuple[tuple[slice, slice], Any]:
        """Rows and columns around a polygon, which lies on the canvas, and how much of their pixels it
        covers."""
        rows, columns = window = self.rows_and_columns(polygon.bounds)
        s = self.px_per_mm
        left, top = self.left + columns.start / s, self.top - rows.start / s
        small = Canvas(s, left, top, columns.stop - columns.start, rows.stop - rows.start)
        return window, small.covered([polygon])

    def rows_and_columns(self, box: Box) -> tuple[slice, slice]:
        """The pixels of a box that lies on the canvas, and one more on each side."""
        x0, y0, x1, y1 = box
        s = self.px_per_mm
        column, row = int((x0 - self.left) * s) - 1, int((self.top - y1) * s) - 1
        width, height = int(np.ceil((x1 - x0) * s)) + 3, int(np.ceil((y1 - y0) * s)) + 3
        return slice(row, row + height), slice(column, column + width)

    def box_mm(self, x: int, y: int, width: int, height: int) -> Box:
        """A box of pixels in mm."""
        s = self.px_per_mm
        return self.left + x / s, self.top - (y + height) / s, self.left + (x + width) / s, self.top - y / s

    def _points(self, coordinates: Any) -> Any:
        mm = np.asarray(coordinates, dtype=np.float64)[:, :2]
        s = self.px_per_mm * _OVER
        fine = np.column_stack([(mm[:, 0] - self.left) * s - 0.5, (self.top - mm[:, 1]) * s - 0.5])
        return np.rint(fine * (1 << _BITS)).astype(np.int32)
