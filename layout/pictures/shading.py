"""A product with a face up, shaded as it looks: painted shapes from the back to the front, marks burned in.

Nothing is here of zones, keep-outs or sizes: this is the product as whoever gets it sees it. Shapes are in
the face's frame (mm, y up), so that a page on a screen and one of paper draw the same.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from shapely import affinity
from shapely.geometry import LineString, MultiLineString, Point, box

from layout.pictures.surfaces import Look, lighter, look_of
from layout.shop.blades import Blade, Face, Photo, Product, Surface
from layout.shop.measure import Floats


@dataclass(frozen=True, slots=True)
class Shade:
    """Colours from one point to another (mm), each at a share of the way."""

    stops: tuple[tuple[float, str], ...]
    start: tuple[float, float]
    end: tuple[float, float]


@dataclass(frozen=True, slots=True)
class Painted:
    """A polygon, or several, in one colour or shaded; with `line_mm` the lines of a geometry, so wide on the
    page."""

    shape: Any
    paint: str | Shade
    opacity: float = 1.0
    line_mm: float | None = None


@dataclass(frozen=True, slots=True)
class View:
    """A part of a face as it is shown on a page: the middle of what is shown (mm of the face), how many
    millimetres of page one of the face takes, by how many degrees the face is turned (counter-clockwise), and
    the shown part's width and height on the page (mm)."""

    middle: tuple[float, float]
    scale: float
    turn_deg: float
    width_mm: float
    height_mm: float

    def on_page(self, points: Any, left: float, top: float) -> Floats:
        """Points (n, 2) of the face, as points of a page (mm, y up) on which the view's left upper corner is
        at (left, top)."""
        angle = math.radians(self.turn_deg)
        turn = np.array([[math.cos(angle), math.sin(angle)], [-math.sin(angle), math.cos(angle)]])
        moved = (np.asarray(points, dtype=np.float64)[:, :2] - np.array(self.middle)) @ turn * self.scale
        return np.asarray(moved + np.array([left + self.width_mm / 2, top - self.height_mm / 2]))

    @property
    def window(self) -> Any:
        """What is shown, as a polygon on the face."""
        wide, high = self.width_mm / self.scale / 2, self.height_mm / self.scale / 2
        x, y = self.middle
        return affinity.rotate(
            box(x - wide, y - high, x + wide, y + high), -self.turn_deg, origin=self.middle
        )


def shaded(
    product: Product,
    blade: Blade,
    face: Face,
    burned: Sequence[tuple[Any, Surface]],
    view: View,
    *,
    is_textured: bool = True,
) -> list[Painted]:
    """What is seen of a unit in a view, from the back to the front; `burned`: each mark's burned shape with
    the surface it is burned into; without texture surfaces are smooth, which takes a small part of the work.
    Under the marks lies the product's photo where it has one of the face; that is no shape, and drawn by
    whoever draws the rest."""
    window = view.window
    parts = (
        []
        if face.face in product.photos
        else list(_unit_seen(product, blade, face, view, is_textured=is_textured))
    )
    marks = [Painted(shape, look_of(surface).mark, 0.92) for shape, surface in burned]
    return parts + [cropped for mark in marks if (cropped := _cropped(mark, window)) is not None]


def whole(product: Product, face: Face, width_mm: float, height_mm: float, most: float | None) -> View:
    """The whole unit, as large as it goes into that much of a page; `most`: no more than so many times as
    large as it is. The view is as wide as the page allows and no higher than it needs."""
    x0, y0, x1, y1 = unit_of(face).bounds
    photo = product.photos.get(face.face)
    if photo is not None:
        a0, b0, a1, b1 = photo_outline(photo).bounds
        x0, y0, x1, y1 = max(x0 - 12, a0), max(y0 - 12, b0), min(x1 + 12, a1), min(y1 + 12, b1)
    beside = 0.0 if photo is not None else _BESIDE_MM
    scale = min((width_mm - 2 * beside) / (x1 - x0), (height_mm - 2 * beside) / (y1 - y0))
    scale = min(scale, most) if most is not None else scale
    high = (y1 - y0) * scale + 2 * beside
    wide = (x1 - x0) * scale if photo is not None else width_mm
    return View(((x0 + x1) / 2, (y0 + y1) / 2), scale, 0.0, wide, high)


def close_up(face: Face, zone: str, shape: Any, width_mm: float, least_mm: float, most_mm: float) -> View:
    """A mark near, level as it is read, in a view of that width, between `least_mm` and `most_mm` high."""
    turn = _reading_turn(face, zone)
    x0, y0, x1, y1 = affinity.rotate(shape, turn, origin=(0, 0)).bounds
    wide, high = max(x1 - x0, 1.0), max(y1 - y0, 0.5)
    scale = min(_FILLED * width_mm / wide, _FILLED_ACROSS * most_mm / high, _MOST_ENLARGED)
    middle = affinity.rotate(Point((x0 + x1) / 2, (y0 + y1) / 2), -turn, origin=(0, 0))
    height = min(max(high * scale / _FILLED_ACROSS, least_mm), most_mm)
    return View((middle.x, middle.y), scale, turn, width_mm, height)


def unit_of(face: Face) -> Any:
    """The outline of the whole unit with the face up."""
    return shapely.union_all([face.body or face.silhouette, face.silhouette])


def photo_outline(photo: Photo) -> Any:
    """Where a photo lies on the face (mm)."""
    wide, high = photo.size_px
    corners = photo.to_face([(0, 0), (wide, 0), (wide, high), (0, high)])
    return shapely.Polygon(corners)


#: A close-up's mark fills so much of its width, or of its height.
_FILLED, _FILLED_ACROSS = 0.8, 0.6
_MOST_ENLARGED = 8.0
#: Around a unit, for its shadow.
_BESIDE_MM = 2.5
_LINE_MM = 0.25


def _reading_turn(face: Face, zone: str) -> float:
    """By how much the face is turned for a mark on a straight baseline to be level; a curve stays as it
    lies."""
    baseline = next((known.baseline for known in face.zones if known.zone == zone), None)
    if baseline is None or not baseline.is_straight:
        return 0.0
    (x0, y0), (x1, y1) = baseline.points
    return -math.degrees(math.atan2(y1 - y0, x1 - x0))


# --- the unit ---


#: Units seen lately, without their marks: what is shown again and again is drawn once. Kept by identity, with
#: what it was drawn from, because faces hold mappings and can't be compared quickly.
_SEEN: dict[tuple[object, ...], tuple[Product, Blade, Face, tuple[Painted, ...]]] = {}
_MOST_SEEN = 64


def _unit_seen(
    product: Product, blade: Blade, face: Face, view: View, *, is_textured: bool
) -> tuple[Painted, ...]:
    """A unit without marks, as far as it is in the view."""
    key = id(product), id(blade), id(face), view, is_textured
    if key not in _SEEN:
        if len(_SEEN) >= _MOST_SEEN:
            _SEEN.pop(next(iter(_SEEN)))
        window = view.window
        parts = (
            _cropped(part, window) for part in _unit(product, blade, face, view, is_textured=is_textured)
        )
        _SEEN[key] = product, blade, face, tuple(part for part in parts if part is not None)
    return _SEEN[key][-1]


def _unit(product: Product, blade: Blade, face: Face, view: View, *, is_textured: bool) -> Iterator[Painted]:
    """Shadow, handle, blade, its ground edge, its holes."""
    steel, handle = look_of(product.surface), look_of(_handle(product, blade))
    rest = face.body.difference(face.silhouette) if face.body is not None else None
    gone = shapely.union_all([k.polygon for k in face.keep_outs if k.reason == "hole"])
    yield from _shadow(unit_of(face).difference(gone), view)
    if face.face == "handle":
        if rest is not None:
            yield from _surface(rest, steel, view, is_textured=is_textured)
        yield from _surface(face.silhouette, handle, view, is_textured=is_textured)
        return
    if rest is not None:
        yield from _surface(rest, handle, view, is_textured=is_textured)
    metal = face.silhouette.difference(gone)
    yield from _surface(metal, steel, view, is_textured=is_textured)
    for keep_out in face.keep_outs:
        shape = keep_out.polygon.intersection(metal)
        if keep_out.reason == "ground_bevel":
            yield Painted(shape, _down(shape, _bevel(steel)), 0.9)
        elif keep_out.reason == "hollow":
            yield Painted(shape, _down(shape, _hollow(steel)), 0.55)
        elif keep_out.reason == "pivot":
            yield Painted(shape, _down(shape, _bevel(steel)))
            yield Painted(shape.boundary, "#20303a", 0.5, 1.2 * _LINE_MM)


def _handle(product: Product, blade: Blade) -> Surface:
    """What the handle is of: as the product says, else as a zone on it says."""
    if product.handle_material:
        return Surface(product.handle_material, "")
    zones = [zone for face in blade.faces if face.face == "handle" for zone in face.zones]
    return next((zone.surface for zone in zones if zone.surface is not None), Surface("", ""))


def _surface(shape: Any, look: Look, view: View, *, is_textured: bool) -> Iterator[Painted]:
    yield Painted(shape, _down(shape, look.shades))
    if is_textured:
        yield from _texture(shape, look, view)
    yield Painted(shape.boundary, lighter(look.shades[-1][1], -0.45), 0.8, _LINE_MM)


def _shadow(unit: Any, view: View) -> Iterator[Painted]:
    """A soft shadow below, of a few layers: not every page can blur."""
    fallen = affinity.translate(unit, 0.0, -1.1 / view.scale)
    for spread in (1.3, 0.9, 0.5, 0.1):
        yield Painted(fallen.buffer(spread / view.scale, quad_segs=4), "#20303a", 0.05)


def _down(shape: Any, shades: tuple[tuple[float, str], ...]) -> Shade:
    x0, y0, _, y1 = shape.bounds if not shape.is_empty else (0.0, 0.0, 0.0, 1.0)
    return Shade(shades, (x0, y1), (x0, y0))


def _bevel(look: Look) -> tuple[tuple[float, str], ...]:
    top, bottom = look.shades[0][1], look.shades[-1][1]
    return (0.0, lighter(top, 0.45)), (1.0, lighter(bottom, 0.25))


def _hollow(look: Look) -> tuple[tuple[float, str], ...]:
    return (0.0, lighter(look.shades[-1][1], -0.3)), (1.0, lighter(look.shades[0][1], 0.3))


# --- what covers a surface: as fine on every page, however near it is seen ---


def _texture(shape: Any, look: Look, view: View) -> Iterator[Painted]:
    here = shape.intersection(view.window)
    if look.texture == "none" or here.is_empty:
        return
    x0, y0, x1, y1 = here.bounds
    middle = look.shades[len(look.shades) // 2][1]
    if look.texture == "brushed":
        for colour, phase in ((lighter(middle, 0.6), 0.0), (lighter(middle, -0.3), 0.37)):
            lines = _hairs((x0, y0, x1, y1), 0.75 / view.scale, phase)
            yield Painted(lines.intersection(here), colour, 0.28, 0.09)
    elif look.texture == "grain":
        lines = _grain((x0, y0, x1, y1), 1.35 / view.scale, 1.0 / view.scale)
        yield Painted(lines.intersection(here), lighter(middle, -0.42), 0.34, 0.2)
    else:
        for colour, phase in ((lighter(middle, 0.35), 0.0), (lighter(middle, -0.3), 0.5)):
            specks = shapely.union_all(_specks((x0, y0, x1, y1), 2.1 / view.scale, phase))
            yield Painted(specks.intersection(here), colour, 0.2)


_MOST_SPECKS = 350


def _scattered(number: int, phase: float) -> float:
    """Between 0 and 1, as if by chance, the same on every run."""
    return math.sin(number * 12.9898 + phase * 78.233) * 43758.5453 % 1.0


def _hairs(bounds: tuple[float, ...], step: float, phase: float) -> MultiLineString:
    """Fine lines along x, of different lengths."""
    x0, y0, x1, y1 = bounds
    wide = x1 - x0
    lines = []
    for number in range(int((y1 - y0) / step) + 1):
        y = y0 + step * (number + _scattered(number, phase))
        begin = x0 + wide * (0.5 * _scattered(3 * number, phase) - 0.1)
        lines.append([(begin, y), (begin + wide * (0.3 + 0.7 * _scattered(7 * number, phase)), y)])
    return MultiLineString(lines)


def _grain(bounds: tuple[float, ...], step: float, swing: float) -> MultiLineString:
    """Wavy lines along x, as wood has them."""
    x0, y0, x1, y1 = bounds
    along = np.linspace(x0, x1, 40)
    lines = []
    for number in range(-1, int((y1 - y0) / step) + 2):
        where = (along - x0) / (x1 - x0) * 2 * math.pi
        wave = np.sin(where * 0.8 + 0.22 * number) * 0.8 + np.sin(where * 1.9 + 0.35 * number) * 0.35
        y = y0 + step * (number + 0.5 * _scattered(number, 0.2)) + swing * wave
        lines.append(np.column_stack([along, y]))
    return MultiLineString(lines)


def _specks(bounds: tuple[float, ...], step: float, phase: float) -> list[Any]:
    """Small blots all over."""
    x0, y0, x1, y1 = bounds
    count = min(int((x1 - x0) * (y1 - y0) / step**2), _MOST_SPECKS)
    blot = np.asarray(Point(0, 0).buffer(0.3 * step, quad_segs=1).exterior.coords)
    chances = np.array([[_scattered(4 * n + k, phase) for k in range(4)] for n in range(count)]).reshape(
        -1, 4
    )
    sizes = chances[:, :2] * [1.0, 0.7] + [0.5, 0.4]
    middles = chances[:, 2:] * [x1 - x0, y1 - y0] + [x0, y0]
    return list(shapely.polygons(blot * sizes[:, None] + middles[:, None]))


def _cropped(part: Painted, window: Any) -> Painted | None:
    """A part as far as it is in the window; None where nothing is."""
    lines = isinstance(part.shape, LineString | MultiLineString)
    kept = part.shape.intersection(window)
    if not lines:
        kept = shapely.MultiPolygon([p for p in shapely.get_parts(kept) if p.geom_type == "Polygon"])
    return None if kept.is_empty else Painted(kept, part.paint, part.opacity, part.line_mm)
