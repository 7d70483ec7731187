"""The proof: what the check saw on a whole face, for the desk and the buyer. Never for burning."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import shapely
import svgwrite
from shapely.geometry import LineString, Point

from layout.checks import CheckResult
from layout.drawing import FAINT, INK, METAL, PAPER, PETROL, RUST, WOOD, Sheet
from layout.findings import Severity
from layout.fit import Binding
from layout.measure import format_mm
from layout.parts import Face, Mark, Shop

#: What a burned line looks like on a picture of metal.
BURNED = "#15191c"
_SIGNS = {Severity.REFUSE: "✕", Severity.REVIEW: "?", Severity.NOTE: "i"}


@dataclass(frozen=True, slots=True)
class Note:
    """A line under the picture: a sign that needs no colour, and words."""

    sign: str
    words: str


def proof_svg(shop: Shop, sku: str, face: str, result: CheckResult) -> str:
    """A face with all its marks and what the check has to say of them. Raises KeyError."""
    here = [one for one in result.inscriptions if one.face == face]
    notes = [Note(_SIGNS[f.severity], f.message) for f in result.findings]
    for one in here:
        if one.size_mm is not None:
            held = ", ".join(dict.fromkeys(f"{b.kind.replace('_', ' ')} {b.name}" for b in one.binding))
            bound = f"; bounded by {held}" if held else ""
            notes.append(
                Note(
                    "↕",
                    f"{one.inscription.zone}: {_size_words(one.inscription.kind)} {one.size_mm:.2f} mm{bound}",
                )
            )
    return face_svg(
        shop,
        sku,
        face,
        [one.mark for one in here if one.mark is not None],
        regions=[one.region.polygon for one in here if one.region is not None],
        bindings=[b for one in here for b in one.binding],
        notes=notes,
    )


def face_svg(
    shop: Shop,
    sku: str,
    face: str,
    marks: Sequence[Mark],
    *,
    regions: Sequence[Any] = (),
    bindings: Sequence[Binding] = (),
    notes: Sequence[Note] = (),
) -> str:
    """A face of a product with marks on it, as SVG text, in mm. Raises KeyError for an unknown product or face."""
    product = shop.products[sku]
    drawn = shop.blades[product.blade].face(face)
    body = drawn.body or drawn.silhouette
    x0, y0, x1, y1 = shapely.union_all([body, drawn.silhouette]).bounds
    letter = max(2.4, (x1 - x0) / 80)
    page = (
        x0 - 3 * letter,
        y0 - letter * (4.5 + 1.7 * len(notes)),
        max(x1, x0 + 52 * letter) + 3 * letter,
        y1 + 5.5 * letter,
    )
    sheet = _page(page, letter)
    sheet.text(f"{product.name}, {face.replace('_', ' ')}", x0, y1 + 2.6 * letter, font_weight="bold")
    _draw_metal(sheet, drawn)
    for region in regions:
        sheet.area(region, fill=PETROL, fill_opacity=0.06, stroke=PETROL, stroke_width=letter / 24)
    for mark in marks:
        _draw_mark(sheet, mark)
        _dimension(sheet, mark)
    for binding in bindings:
        ring = Point(binding.point).buffer(letter * 0.45).exterior
        sheet.line(ring.coords, stroke=RUST, stroke_width=letter / 10)
    y = y0 - 2.4 * letter
    for note in notes:
        sheet.text(note.sign, x0, y, font_weight="bold")
        sheet.text(note.words, x0 + 1.8 * letter, y)
        y -= 1.7 * letter
    sheet.text("A picture of what will be burned, not a file for burning.", x0, y, fill=FAINT)
    return f'<?xml version="1.0" encoding="utf-8"?>\n{sheet.drawing.tostring()}\n'


def _page(page: tuple[float, float, float, float], letter: float) -> Sheet:
    width, height = format_mm(page[2] - page[0]), format_mm(page[3] - page[1])
    drawing = svgwrite.Drawing(
        size=(f"{width}mm", f"{height}mm"), viewBox=f"0 0 {width} {height}", debug=False, profile="full"
    )
    drawing.add(drawing.rect((0, 0), (width, height), fill=PAPER))
    return Sheet(drawing, page, letter)


def _draw_metal(sheet: Sheet, face: Face) -> None:
    hair = sheet.letter_mm / 12
    if face.body is not None:
        sheet.area(face.body.difference(face.silhouette), fill=WOOD, stroke=INK, stroke_width=hair)
    sheet.area(face.silhouette, fill=METAL, stroke=INK, stroke_width=2 * hair)
    for keep_out in face.keep_outs:
        inside = keep_out.polygon.intersection(face.silhouette)
        fill = PAPER if keep_out.reason == "hole" else "#c9d1d3"
        sheet.area(inside, fill=fill, stroke=FAINT, stroke_width=hair)
    for zone in face.zones:
        usable = zone.polygon.intersection(face.silhouette)
        dash = f"{format_mm(9 * hair)} {format_mm(5 * hair)}"
        sheet.area(usable, fill="none", stroke=PETROL, stroke_width=hair, stroke_dasharray=dash)


def _draw_mark(sheet: Sheet, mark: Mark) -> None:
    sheet.area(mark.outline.region, fill=BURNED)
    for stroke in mark.outline.strokes:
        sheet.line(stroke.coords, stroke=BURNED, stroke_width=0.15, stroke_linecap="round")


def _dimension(sheet: Sheet, mark: Mark) -> None:
    """The mark's width and height above it, with end ticks along its left side."""
    x0, y0, x1, y1 = mark.outline.bounds_mm
    letter = sheet.letter_mm
    x = x0 - letter * 0.7
    for line in (
        [(x, y0), (x, y1)],
        [(x - letter / 4, y0), (x + letter / 4, y0)],
        [(x - letter / 4, y1), (x + letter / 4, y1)],
    ):
        sheet.line(LineString(line).coords, stroke=PETROL, stroke_width=letter / 16)


def _size_words(kind: str) -> str:
    return {"artwork": "width", "code": "module"}.get(kind, "capital height")
