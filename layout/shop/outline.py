"""The frozen result of a check: exactly what will be burned, in the face's frame."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from shapely.geometry import LineString, MultiPolygon, Polygon
from shapely.geometry.polygon import orient

from layout.shop.measure import FROZEN_STEPS_PER_MM, Floats, freeze_mm


@dataclass(frozen=True, slots=True)
class Outline:
    """Closed areas and open strokes in mm, coordinates on the frozen step, in burn order.

    `areas` are disjoint valid polygons (shell counter-clockwise, holes clockwise), `strokes` the open
    (or closed, first point repeated) polylines of single-line fonts and line artwork.
    """

    areas: tuple[Polygon, ...] = ()
    strokes: tuple[LineString, ...] = ()

    @property
    def is_empty(self) -> bool:
        return not self.areas and not self.strokes

    @property
    def region(self) -> MultiPolygon:
        """All areas as one geometry (mm)."""
        return MultiPolygon(self.areas)

    @property
    def bounds_mm(self) -> tuple[float, float, float, float]:
        """x0, y0, x1, y1 of everything. Raises ValueError when the outline is empty."""
        if self.is_empty:
            raise ValueError("an empty outline has no bounds")
        x0, y0, x1, y1 = shapely.total_bounds(np.array([*self.areas, *self.strokes], dtype=object))
        return float(x0), float(y0), float(x1), float(y1)

    @property
    def length_mm(self) -> float:
        """Length of all rings and strokes."""
        return float(sum(area.length for area in self.areas) + sum(stroke.length for stroke in self.strokes))

    def to_record(self) -> dict[str, Any]:
        """JSON-ready record; coordinates as whole frozen steps (0.1 µm), so that nothing can drift."""
        return {
            "areas": [[_steps(ring.coords) for ring in (a.exterior, *a.interiors)] for a in self.areas],
            "strokes": [_steps(stroke.coords) for stroke in self.strokes],
        }

    @classmethod
    def from_record(cls, record: dict[str, Any]) -> Outline:
        """The outline that `to_record` wrote, to the last bit."""
        return cls(
            areas=tuple(Polygon(_mm(rings[0]), [_mm(r) for r in rings[1:]]) for rings in record["areas"]),
            strokes=tuple(LineString(_mm(points)) for points in record["strokes"]),
        )

    @property
    def digest(self) -> str:
        """SHA-256 (hex) of the canonical record: equal digests burn equal marks."""
        return digest_of_record(self.to_record())


def points_of_text(record: str) -> Floats:
    """All points (n, 2; mm) of the outline whose record is this JSON text, in a fraction of the time that
    reading the record takes, and without a list for each: there are no other numbers in it."""
    numbers = record.encode("ascii").translate(_NUMBERS_ALONE).decode("ascii").strip()
    return _mm(np.fromstring(numbers, dtype=np.int64, sep=" ").reshape(-1, 2))


#: Digits and signs as they are, anything else a space.
_NUMBERS_ALONE = bytes(code if chr(code) in "-0123456789" else 32 for code in range(256))


def digest_of_record(record: dict[str, Any]) -> str:
    """The digest of the outline that wrote this record."""
    canonical = json.dumps(record, separators=(",", ":"), sort_keys=True)
    return hashlib.sha256(canonical.encode("ascii")).hexdigest()


#: An area narrower than this is no mark: overlapping contours leave such splinters where they cross at a
#: sharp angle. It is also what files are compared to.
SPLINTER_MM = 0.001
_CERTAINLY_WIDE_MM2 = 0.001


def frozen(areas: Iterable[Polygon], strokes: Iterable[LineString] = ()) -> Outline:
    """Freeze geometry (mm): round to the frozen step, orient rings, drop what rounding made empty.

    The order of `areas` and `strokes` is kept: it is the order in which they are read and burned.
    Raises ValueError when rounding leaves an area invalid and it can't be mended without moving
    more than the frozen step.
    """
    kept = tuple(piece for area in areas for piece in _rounded(area))
    lines = tuple(LineString(points) for s in strokes if len(points := _rounded_line(s)) > 1)
    return Outline(areas=kept, strokes=lines)


def _rounded(area: Polygon) -> Sequence[Polygon]:
    moved = shapely.transform(area, freeze_mm)
    if moved.is_valid and not moved.is_empty:
        cleaned: Sequence[Any] = [moved]
    else:
        # Snap-rounding (GEOS OverlayNG) always gives a valid polygon on the frozen grid.
        cleaned = shapely.get_parts(shapely.set_precision(area, 1 / FROZEN_STEPS_PER_MM))
        cleaned = [shapely.transform(part, freeze_mm) for part in cleaned]
        if not all(part.is_valid for part in cleaned):
            raise ValueError("an area is not valid on the frozen grid")
    return [orient(part) for part in cleaned if not _is_splinter(part)]


def _is_splinter(part: Polygon) -> bool:
    return bool(part.area < _CERTAINLY_WIDE_MM2 and part.buffer(-SPLINTER_MM / 2).is_empty)


def _rounded_line(stroke: LineString) -> Floats:
    points = freeze_mm(stroke.coords)
    keep = np.ones(len(points), dtype=bool)
    keep[1:] = np.any(points[1:] != points[:-1], axis=1)
    return points[keep]


def _steps(coordinates: Any) -> list[list[int]]:
    whole = np.rint(np.asarray(coordinates, dtype=np.float64)[:, :2] * FROZEN_STEPS_PER_MM).astype(int)
    steps: list[list[int]] = whole.tolist()
    return steps


def _mm(steps: Any) -> Floats:
    return freeze_mm(np.asarray(steps, dtype=np.float64) / FROZEN_STEPS_PER_MM)
