"""What a drawing holds, whatever file it came from: lines in millimetres with the names they go by."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

import numpy as np
import shapely

from layout.shop.measure import Floats

#: Distance between a drawing's curve and the chords that stand for it.
FLATTEN_MM = 0.001

Place = tuple[float, float]
Ink = Literal["dark", "light"]


class DrawingRefused(ValueError):
    """A drawing can't be used; the message says why, `places` where (mm), `strokes` what to show of it."""

    def __init__(self, message: str, places: Iterable[Place] = (), strokes: Iterable[Stroke] = ()) -> None:
        super().__init__(message)
        self.places = tuple(places)
        self.strokes = tuple(strokes)


@dataclass(frozen=True, slots=True, eq=False)
class Paint:
    """How one shape of a drawing is inked: all its lines together. `fill` and `line` are None where there is
    none, "light" where it takes away what lies under it; `width_mm` is the line's."""

    fill: Ink | None
    rule: Literal["nonzero", "evenodd"] = "nonzero"
    line: Ink | None = None
    width_mm: float = 0.0
    cap: Literal["butt", "round", "square"] = "butt"
    join: Literal["miter", "round", "bevel"] = "miter"
    miter_limit: float = 4.0


@dataclass(frozen=True, slots=True, eq=False)
class Stroke:
    """One line of a drawing. `points` (n, 2) in mm, y up; a closed one's first point is not repeated.

    `names` are what it can be chosen by, its own first: an id, its classes, the groups around it; a layer,
    the blocks around it. `entity` says what it is and where in its file, for people. Lines of one shape share
    their `paint`; None where the file says nothing of ink.
    """

    points: Floats
    closed: bool
    names: tuple[str, ...]
    entity: str
    paint: Paint | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Drawing:
    """A drawing as it was read. `unit` says how its millimetres were come by, `notes` what was left out or
    could be read in two ways."""

    strokes: tuple[Stroke, ...]
    unit: str
    notes: tuple[str, ...] = ()

    @property
    def names(self) -> tuple[str, ...]:
        """All names, in the order of the drawing."""
        return tuple(dict.fromkeys(name for stroke in self.strokes for name in stroke.names))


def size_mm(strokes: Iterable[Stroke]) -> tuple[float, float]:
    """Width and height of the box around strokes; nothing is 0 by 0."""
    x0, y0, x1, y1 = bounds_mm(strokes)
    return x1 - x0, y1 - y0


def bounds_mm(strokes: Iterable[Stroke]) -> tuple[float, float, float, float]:
    """x0, y0, x1, y1 of strokes; nothing lies at 0, 0."""
    points = [stroke.points for stroke in strokes]
    if not points:
        return 0.0, 0.0, 0.0, 0.0
    every = np.concatenate(points)
    (x0, y0), (x1, y1) = every.min(axis=0), every.max(axis=0)
    return float(x0), float(y0), float(x1), float(y1)


def without_doubles(points: Floats, *, closed: bool) -> Floats:
    """The points (n, 2) less those that repeat the one before."""
    keep = np.ones(len(points), dtype=bool)
    keep[1:] = np.any(np.abs(np.diff(points, axis=0)) > 1e-9, axis=1)
    kept = points[keep]
    if closed and len(kept) > 1 and np.all(np.abs(kept[0] - kept[-1]) <= 1e-9):
        kept = kept[:-1]
    return np.asarray(kept)


def line_of(stroke: Stroke) -> shapely.LineString:
    """The stroke as a line, closed where it is."""
    points = np.concatenate([stroke.points, stroke.points[:1]]) if stroke.closed else stroke.points
    return shapely.LineString(points)
