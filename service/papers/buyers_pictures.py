"""What the buyer gets to see of an approved face, in the buyer's language: on a screen and on paper."""

from __future__ import annotations

import io
from collections.abc import Sequence
from typing import Any

import shapely
from reportlab.lib.colors import toColor
from reportlab.lib.pagesizes import A4, landscape
from reportlab.lib.units import mm
from reportlab.lib.utils import ImageReader
from reportlab.pdfbase import pdfmetrics

from layout.pictures.buyers_picture import GROUND, Captions, Scene, buyers_svg, scene
from layout.pictures.shading import Painted, Shade, View
from layout.shop.blades import Photo
from layout.shop.shop import Shop
from service.intake.proofs import Approved
from service.papers.page import BOLD, MARGIN, PLAIN, cut, paper, write
from service.papers.voice import Voice


def _(message: str) -> str:
    """Marks a message for the catalogue; it is translated where it is printed."""
    return message


_CLOSE_UP = _("As it will be engraved, enlarged")
_TRUE = _("true size when printed at 100 %")
_REDUCED = _("drawn at %(percent)s %%")
_ORDER = _("Order %(ref)s")

#: Height of the words above the pictures and of the last line below them, and the room between, in mm.
_HEAD_MM, _FOOT_MM, _GAP_MM = 24.0, 7.0, 7.0
_HIGHEST_UNIT_MM = 70.0


def captions(shop: Shop, voice: Voice) -> Captions:
    """What is written on the picture beside the product's name and the words."""
    return Captions(shop=shop.policy.shop_name, close_up=voice.say(_CLOSE_UP))


def picture_svg(shown: Approved, voice: Voice, *, is_captioned: bool = True) -> str:
    """The buyer's picture of a face as SVG text."""
    return buyers_svg(scene_of(shown), captions(shown.shop, voice) if is_captioned else None)


def scene_of(shown: Approved) -> Scene:
    """The approved face with its marks as they will be burned."""
    return scene(shown.shop, shown.sku, shown.face, shown.engraved, stations=shown.stations)


def picture_pdf(faces: Sequence[Approved], voice: Voice) -> bytes:
    """A page a face: the product, at true size where that goes onto the paper, and its marks near, as large
    as the rest of the page. The same marks, the same bytes."""
    title = voice.say(_ORDER) % {"ref": faces[0].order_ref}
    page, data = paper(landscape(A4), title)
    for shown in faces:
        _page(page, shown, title, voice)
        page.showPage()
    page.save()
    return data.getvalue()


def _page(page: Any, shown: Approved, title: str, voice: Voice) -> None:
    seen = scene_of(shown)
    width, height = landscape(A4)
    inner = (width - 2 * MARGIN) / mm
    product = shown.shop.products[shown.sku]
    top = height / mm - MARGIN / mm
    ref_wide = pdfmetrics.stringWidth(title, PLAIN, 11)
    shop_name = cut(shown.shop.policy.shop_name, width - 2 * MARGIN - ref_wide - 20, 12)
    write(page, shop_name, MARGIN, (top - 4) * mm, 12)
    write(page, title, width - MARGIN - ref_wide, (top - 4) * mm, 11)
    write(page, cut(product.name, width - 2 * MARGIN, 24, bold=True), MARGIN, (top - 15) * mm, 24, bold=True)
    top -= _HEAD_MM
    hero = seen.whole(inner, _HIGHEST_UNIT_MM, most=1.0)
    _view(page, seen, hero, MARGIN / mm + (inner - hero.width_mm) / 2, top, framed=seen.photo is not None)
    top -= hero.height_mm
    reduced = voice.say(_REDUCED) % {"percent": voice.number(hero.scale * 100, "0")}
    said = voice.say(_TRUE) if hero.scale == 1.0 else reduced
    write(page, said, width - MARGIN - pdfmetrics.stringWidth(said, PLAIN, 9), (top - 5) * mm, 9)
    top -= _GAP_MM
    _marks(page, seen, (inner, top, MARGIN / mm + _FOOT_MM), voice)


def _marks(page: Any, seen: Scene, room: tuple[float, float, float], voice: Voice) -> None:
    """Every mark near, side by side, and under each its words and its font; `room`: the page's inner width,
    and from where to where up the page (mm)."""
    inner, top, bottom = room
    count = max(len(seen.engraved), 1)
    wide = (inner - (count - 1) * _GAP_MM) / count
    lines_most = max((len(one.lines) for one in seen.engraved), default=0)
    high = top - bottom - 7.0 * min(lines_most, 3)
    for number, one in enumerate(seen.engraved):
        left = MARGIN / mm + number * (wide + _GAP_MM)
        view = seen.near(number, wide, high, high)
        _view(page, seen, view, left, top, framed=True)
        y = top - view.height_mm - 7.0
        for line in one.lines[:3]:
            if _is_writable(line):
                write(page, cut(line, wide * mm, 16, bold=True), left * mm, y * mm, 16, bold=True)
                y -= 7.0
        below = " · ".join(part for part in (one.font, voice.say(_CLOSE_UP)) if part)
        write(page, cut(below, wide * mm, 10), left * mm, (y + 1.0) * mm, 10)


def _is_writable(words: str) -> bool:
    """Whether the page's own letters can write the words, from left to right; the picture shows them
    anyhow."""
    letters = pdfmetrics.getFont(BOLD).face.charToGlyph
    return all(ord(char) in letters for char in words)


def _view(page: Any, seen: Scene, view: View, left: float, top: float, *, framed: bool) -> None:
    """Draw a view with its left upper corner there (mm of the page)."""
    frame = (left * mm, (top - view.height_mm) * mm, view.width_mm * mm, view.height_mm * mm)
    page.saveState()
    if framed:
        border = page.beginPath()
        border.rect(*frame)
        page.clipPath(border, stroke=0, fill=0)
        _shade(page, Shade(GROUND, (left, top), (left, top - view.height_mm)))
    if seen.photo is not None:
        _photo(page, seen.photo, view, left, top)
    for part in seen.parts(view):
        _part(page, part, view, left, top)
    page.restoreState()
    if framed:
        page.saveState()
        page.setLineWidth(0.4)
        page.setStrokeColorRGB(0.5, 0.54, 0.56)
        page.rect(*frame)
        page.restoreState()


def _part(page: Any, part: Painted, view: View, left: float, top: float) -> None:
    path = page.beginPath()
    moved = shapely.transform(part.shape, lambda points: view.on_page(points, left, top) * mm)
    for piece in shapely.get_parts(moved):
        rings = [piece.exterior, *piece.interiors] if part.line_mm is None else [piece]
        for ring in rings:
            points = shapely.get_coordinates(ring)
            if len(points) < 2:
                continue
            path.moveTo(*points[0])
            for point in points[1:]:
                path.lineTo(*point)
            if part.line_mm is None:
                path.close()
    page.saveState()
    if isinstance(part.paint, Shade):
        ends = view.on_page([part.paint.start, part.paint.end], left, top)
        page.clipPath(path, stroke=0, fill=0, fillMode=0)
        _shade(page, Shade(part.paint.stops, tuple(ends[0]), tuple(ends[1])))
    elif part.line_mm is None:
        page.setFillColor(part.paint, alpha=part.opacity)
        page.drawPath(path, stroke=0, fill=1, fillMode=0)
    else:
        page.setStrokeColor(part.paint, alpha=part.opacity)
        page.setLineWidth(part.line_mm * mm)
        page.drawPath(path, stroke=1, fill=0)
    page.restoreState()


def _shade(page: Any, shade: Shade) -> None:
    """Paint all that is not clipped away."""
    (x0, y0), (x1, y1) = shade.start, shade.end
    colours = [toColor(colour) for _, colour in shade.stops]
    page.linearGradient(x0 * mm, y0 * mm, x1 * mm, y1 * mm, colours, [at for at, _ in shade.stops])


def _photo(page: Any, photo: Photo, view: View, left: float, top: float) -> None:
    wide, high = photo.size_px
    corner, right, up = view.on_page(photo.to_face([(0, high), (1, high), (0, high - 1)]), left, top) * mm
    page.saveState()
    page.transform(*(right - corner), *(up - corner), *corner)
    page.drawImage(ImageReader(io.BytesIO(photo.data)), 0, 0, wide, high)
    page.restoreState()
