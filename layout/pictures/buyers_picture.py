"""The picture that a buyer gets: the product with its mark, the mark near, and whose, what and in which font.

The product is shaded in its material and finish, or the shop's photo of it lies under the mark. There are no
zones, no keep-outs and no millimetres on it: the measured drawing is the desk's (`layout.pictures.proof`).
Everything on it comes in as values; words are said by the caller, in the buyer's language.
"""

from __future__ import annotations

import base64
import hashlib
import textwrap
from collections.abc import Collection, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import shapely

from layout.pictures.burned import boldest, burned_shape
from layout.pictures.shading import Painted, Shade, View, close_up, shaded, whole
from layout.pictures.sheet import FAINT, INK, Sheet, new_sheet, polygons_of
from layout.shop.blades import Photo, Surface
from layout.shop.loads import Mark
from layout.shop.shop import Shop
from layout.shop.svg_text import Box, flip

#: As wide as a phone's page; words on it are then as large as those of a page.
WIDTH_MM = 100.0
_EDGE_MM, _GAP_MM = 4.0, 4.0
_INNER_MM = WIDTH_MM - 2 * _EDGE_MM
_HIGHEST_UNIT_MM = 58.0
_LOWEST_NEAR_MM, _HIGHEST_NEAR_MM = 24.0, 42.0
_NAME_MM, _WORDS_MM, _TEXT_MM, _SMALL_MM = 5.2, 5.0, 4.0, 3.4
_NAME_LETTERS, _TEXT_LETTERS = 30, 42
GROUND = ((0.0, "#f7f5f0"), (1.0, "#e6e3db"))


@dataclass(frozen=True, slots=True)
class Engraved:
    """A mark with its words as set, line by line, and the name of its font; none of artwork and codes."""

    mark: Mark
    lines: tuple[str, ...] = ()
    font: str = ""


@dataclass(frozen=True, slots=True)
class Captions:
    """What is written on the picture beside the product's name and the words: the shop's name (may be empty),
    what the close-up is called, and a line at the foot."""

    shop: str = ""
    close_up: str = ""
    foot: str = ""


@dataclass(frozen=True, slots=True)
class Scene:
    """A face with its marks as burned, to be seen in views: `burned` in the order of `engraved`."""

    shop: Shop = field(repr=False)
    sku: str
    face: str
    engraved: tuple[Engraved, ...]
    burned: tuple[tuple[Any, Surface], ...]

    @property
    def photo(self) -> Photo | None:
        """The shop's photo that lies under the marks, if there is one."""
        return self.shop.products[self.sku].photos.get(self.face)

    def whole(self, width_mm: float, height_mm: float, *, most: float | None = None) -> View:
        """A view of the whole unit (`layout.pictures.shading.whole`)."""
        product = self.shop.products[self.sku]
        face = self.shop.blades[product.blade].face(self.face)
        return whole(product, face, width_mm, height_mm, most)

    def near(self, number: int, width_mm: float, least_mm: float, most_mm: float) -> View:
        """A view of one mark (`layout.pictures.shading.close_up`)."""
        face = self.shop.blades[self.shop.products[self.sku].blade].face(self.face)
        zone = self.engraved[number].mark.zone
        return close_up(face, zone, self.burned[number][0], width_mm, least_mm, most_mm)

    def parts(self, view: View, *, is_textured: bool = True) -> list[Painted]:
        """What is seen in a view (`layout.pictures.shading.shaded`)."""
        product = self.shop.products[self.sku]
        blade = self.shop.blades[product.blade]
        face = blade.face(self.face)
        return shaded(product, blade, face, self.burned, view, is_textured=is_textured)


def scene(
    shop: Shop, sku: str, face: str, engraved: Sequence[Engraved], *, stations: Collection[str] = ()
) -> Scene:
    """A face of a product with its marks as the boldest of the stations burns them; of all where none is
    named. Raises KeyError for an unknown product or face."""
    shop.blades[shop.products[sku].blade].face(face)
    here = tuple(one for one in engraved if one.mark.face == face and not one.mark.outline.is_empty)
    burned = tuple(
        (burned_shape(one.mark, boldest(shop, one.mark.surface, stations)), one.mark.surface) for one in here
    )
    return Scene(shop, sku, face, here, burned)


def buyers_svg(seen: Scene, captions: Captions | None, *, is_near_smooth: bool = False) -> str:
    """The picture as SVG text, 100 mm wide. Without captions nothing is written on it; where marks near stand
    on smooth surfaces it is drawn in half the time."""
    product = seen.shop.products[seen.sku]
    hero = seen.whole(_INNER_MM - 4, _HIGHEST_UNIT_MM)
    near = [seen.near(n, _INNER_MM, _LOWEST_NEAR_MM, _HIGHEST_NEAR_MM) for n in range(len(seen.engraved))]
    names = textwrap.wrap(product.name, _NAME_LETTERS) if captions else []
    head = 2 * _EDGE_MM + (1.9 * _SMALL_MM if captions and captions.shop else 0)
    head += sum(1.25 * _NAME_MM for _ in names)
    words = [_words(one, captions) for one in seen.engraved]
    height = head + hero.height_mm + 2 * _GAP_MM + _EDGE_MM / 2
    height += sum(view.height_mm + _GAP_MM + _height(said) for view, said in zip(near, words, strict=True))
    height += 1.8 * _SMALL_MM if captions and captions.foot else 0
    paint = _paint(seen, height)
    sheet = paint.sheet
    y = height - 1.5 * _EDGE_MM
    if captions and captions.shop:
        y -= _SMALL_MM
        _centred(sheet, captions.shop, y, _SMALL_MM, FAINT)
        y -= 0.6 * _SMALL_MM
    for name in names:
        y -= _NAME_MM
        _centred(sheet, name, y, _NAME_MM, INK, bold=True)
        y -= 0.25 * _NAME_MM
    y -= _GAP_MM
    paint.view(seen, hero, (WIDTH_MM - hero.width_mm) / 2, y, framed=seen.photo is not None)
    y -= hero.height_mm + _GAP_MM
    for view, lines in zip(near, words, strict=True):
        paint.view(seen, view, _EDGE_MM, y, framed=True, is_textured=not is_near_smooth)
        y -= view.height_mm + 0.5 * _GAP_MM
        for text, size, colour in lines:
            y -= size
            _centred(sheet, text, y, size, colour, bold=size == _WORDS_MM)
            y -= 0.35 * size
        y -= 0.5 * _GAP_MM
    if captions and captions.foot:
        _centred(sheet, captions.foot, 1.2 * _EDGE_MM, _SMALL_MM, FAINT)
    return sheet.svg()


def near_svg(seen: Scene) -> str:
    """The first mark alone, near, as SVG text, 100 mm wide; nothing is written on it. Raises IndexError for a
    scene without marks."""
    view = seen.near(0, WIDTH_MM, _LOWEST_NEAR_MM, _HIGHEST_NEAR_MM)
    paint = _paint(seen, view.height_mm, near=True)
    paint.view(seen, view, 0.0, view.height_mm, framed=True, is_textured=False)
    return paint.sheet.svg()


def _paint(seen: Scene, height_mm: float, *, near: bool = False) -> _Paint:
    """An empty sheet of that height that says whose picture it is."""
    product = seen.shop.products[seen.sku]
    said = ". ".join(part for part in (product.name, *(" / ".join(e.lines) for e in seen.engraved)) if part)
    sheet = new_sheet((0.0, 0.0, WIDTH_MM, height_mm), _TEXT_MM, title=_showable(said))
    shapes = [
        shape for one in seen.engraved for shape in (*one.mark.outline.areas, *one.mark.outline.strokes)
    ]
    whose = repr((seen.sku, seen.face, near)).encode() + b"".join(map(shapely.to_wkb, shapes))
    return _Paint(sheet, hashlib.sha256(whose).hexdigest()[:8])


def _words(one: Engraved, captions: Captions | None) -> list[tuple[str, float, str]]:
    """What is written under a close-up: each line's words, size and colour."""
    if captions is None:
        return []
    lines = [
        (piece, _WORDS_MM, INK)
        for line in one.lines
        for piece in textwrap.wrap(_showable(line), _NAME_LETTERS) or [""]
    ]
    below = [part for part in (one.font, captions.close_up) if part]
    return lines + [
        (piece, _SMALL_MM, FAINT) for part in below for piece in textwrap.wrap(part, _TEXT_LETTERS)
    ]


def _height(lines: Sequence[tuple[str, float, str]]) -> float:
    return sum(1.35 * size for _, size, _ in lines)


def _centred(sheet: Sheet, words: str, y: float, size: float, colour: str, *, bold: bool = False) -> None:
    style = {"font_weight": "bold"} if bold else {}
    sheet.text(words, WIDTH_MM / 2, y, font_size=f"{size:g}", fill=colour, text_anchor="middle", **style)


def _showable(words: str) -> str:
    """The buyer's words without characters that no SVG can hold."""
    return "".join(char if char.isprintable() else "\ufffd" for char in words)


@dataclass(slots=True)
class _Paint:
    """Painted shapes put on a sheet. Names of shades are unique among pictures that stand in one page."""

    sheet: Sheet
    name: str
    shades: int = 0

    def view(
        self, seen: Scene, view: View, left: float, top: float, *, framed: bool, is_textured: bool = True
    ) -> None:
        """Draw a view with its left upper corner there, with a ground and a frame where it is a close-up."""
        frame = shapely.box(left, top - view.height_mm, left + view.width_mm, top)
        if framed:
            self.sheet.area(frame, fill=self._shade(Shade(GROUND, (left, top), (left, top - view.height_mm))))
        if seen.photo is not None:
            self._photo(seen.photo, view, left, top)
        for part in seen.parts(view, is_textured=is_textured):
            self._draw(part, view, left, top)
        if framed:
            self.sheet.area(frame, fill="none", stroke=FAINT, stroke_width=0.2)

    def _draw(self, part: Painted, view: View, left: float, top: float) -> None:
        moved = shapely.transform(part.shape, lambda points: view.on_page(points, left, top))
        paint = part.paint
        if isinstance(paint, Shade):
            ends = view.on_page([paint.start, paint.end], left, top)
            paint = self._shade(Shade(paint.stops, tuple(ends[0]), tuple(ends[1])))
        seen = {"opacity": f"{part.opacity:g}"} if part.opacity < 1 else {}
        # Nothing is reckoned with the page's shapes any more, so rings may touch one another.
        drawn = shapely.simplify(moved, _PAGE_MM, preserve_topology=False)
        style: dict[str, Any]
        if part.line_mm is None:
            rings = [ring for area in polygons_of(drawn) for ring in (area.exterior, *area.interiors)]
            end, style = "Z", {"fill": paint, "fill_rule": "evenodd"}
        else:
            rings = [line for line in shapely.get_parts(drawn) if line.geom_type == "LineString"]
            end, style = "", {"fill": "none", "stroke": paint, "stroke_width": part.line_mm}
        data = "".join(_path_data(ring, self.sheet.box) + end for ring in rings if not ring.is_empty)
        if data:
            self.sheet.drawing.add(self.sheet.drawing.path(data, **style, **seen))

    def _shade(self, shade: Shade) -> str:
        """A shade's name, to be painted with; its points are the page's."""
        self.shades += 1
        name = f"shade-{self.name}-{self.shades}"
        start, end = (flip(*point, self.sheet.box) for point in (shade.start, shade.end))
        gradient = self.sheet.drawing.linearGradient(
            [round(value, 3) for value in start],
            [round(value, 3) for value in end],
            id=name,
            gradientUnits="userSpaceOnUse",
        )
        for at, colour in shade.stops:
            gradient.add_stop_color(at, colour)
        self.sheet.drawing.defs.add(gradient)
        return f"url(#{name})"

    def _photo(self, photo: Photo, view: View, left: float, top: float) -> None:
        """The photo as far as it is in the view: an SVG of its own crops it."""
        across, down = flip(left, top, self.sheet.box)
        inner = self.sheet.drawing.svg(
            insert=(f"{across:.3f}", f"{down:.3f}"),
            size=(f"{view.width_mm:.3f}", f"{view.height_mm:.3f}"),
            viewBox=f"0 0 {view.width_mm:.3f} {view.height_mm:.3f}",
        )
        corners = view.on_page(photo.to_face([(0, 0), (1, 0), (0, 1)]), 0.0, 0.0) * [1, -1]
        (e, f), (a, b), (c, d) = corners[0], corners[1] - corners[0], corners[2] - corners[0]
        encoded = base64.b64encode(photo.data).decode()
        image = self.sheet.drawing.image(
            f"data:image/{photo.kind};base64,{encoded}", insert=(0, 0), size=photo.size_px
        )
        image["transform"] = "matrix(" + " ".join(f"{value:.6f}" for value in (a, b, c, d, e, f)) + ")"
        inner.add(image)
        self.sheet.drawing.add(inner)


def _path_data(line: Any, box: Box) -> str:
    """Path data of a line, to the micrometre of the page: quickly written, and for no burn file."""
    points = (shapely.get_coordinates(line) - [box[0], box[3]]) * [1.0, -1.0]
    return "M" + " ".join(map(repr, (np.round(points, 3) + 0.0).ravel().tolist()))


#: Edges on the page are drawn to this accuracy: a fiftieth of a pixel of a phone.
_PAGE_MM = 0.005
