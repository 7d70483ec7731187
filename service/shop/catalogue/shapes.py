"""Shapes as the files give them, turned into geometry."""

from __future__ import annotations

from shapely import affinity
from shapely.geometry import LineString, Point, Polygon, box
from shapely.geometry.polygon import orient

from layout.drawing.rings import crossings, places_words
from layout.lettering.glyphs import CurvePen
from layout.marks.svg_paths import draw_path
from layout.shop.blades import Baseline
from layout.shop.measure import Floats, freeze_mm
from service.shop.catalogue.schema import CurvePath, Shape
from service.shop.catalogue.troubles import Sketch

#: Curves of blades and zones are flattened to this; zones are shrunk by far more than that.
TOLERANCE_MM = 0.01


def polygon_of(shape: Shape) -> Polygon:
    """The polygon of a shape, counter-clockwise. Raises ValueError when it is none."""
    if shape.circle:
        x, y, r = shape.circle
        if r <= 0:
            raise ValueError("a circle needs a radius above 0")
        made = Point(x, y).buffer(r, quad_segs=24)
    elif shape.rect:
        x0, y0, x1, y1 = shape.rect
        made = box(min(x0, x1), min(y0, y1), max(x0, x1), max(y0, y1))
    elif shape.points:
        made = Polygon(shape.points)
    else:
        rings = _rings(shape.path or "")
        if len(rings) != 1:
            raise ValueError(f"the path draws {len(rings)} closed shapes; one is wanted")
        made = Polygon(rings[0])
    if not made.is_valid or made.area == 0:
        raise _not_simple(made)
    return orient(Polygon(freeze_mm(made.exterior.coords)))


class ShapeRefused(ValueError):
    """A shape that can be drawn and not used; `sketch` has the places."""

    def __init__(self, message: str, sketch: Sketch) -> None:
        super().__init__(message)
        self.sketch = sketch


def _not_simple(made: Polygon) -> ValueError:
    """Why a polygon is no simple closed shape, with the places."""
    places = crossings(made.exterior)
    if not places:
        return ValueError("it encloses nothing")
    line = tuple((float(x), float(y)) for x, y in made.exterior.coords)
    return ShapeRefused(f"it crosses itself at {places_words(places)}", Sketch(line, tuple(places)))


def baseline_of(given: list[tuple[float, float]] | CurvePath) -> Baseline:
    """A straight or curved baseline. Raises ValueError when it has no length."""
    if isinstance(given, CurvePath):
        pen = CurvePen()
        draw_path(given.path, pen)
        lines = pen.curves.lines(TOLERANCE_MM)
        if len(lines) != 1:
            raise ValueError(f"the path draws {len(lines)} lines; one is wanted")
        points = tuple((float(x), float(y)) for x, y in freeze_mm(lines[0]))
    else:
        points = tuple((float(x), float(y)) for x, y in given)
    if len(points) < 2 or points[0] == points[-1]:
        raise ValueError("a baseline needs two different ends")
    if not LineString(points).is_simple:
        raise ValueError("the baseline crosses itself")
    return Baseline(points)


def mirrored(polygon: Polygon) -> Polygon:
    """The shape as seen from the other side: turned over end for end."""
    return orient(affinity.scale(polygon, -1, 1, origin=(0, 0)))


def _rings(path: str) -> list[Floats]:
    pen = CurvePen()
    draw_path(path, pen)
    return pen.curves.rings(TOLERANCE_MM)
