"""What was taken from a maker's drawing, to scale, so that a person sees at once whether it is the right
size.

Printed at 100 % the picture is as large as the blade. A ruler runs below it and a circle as large as a coin
stands beside it; the size is also said in numbers.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from shapely import affinity
from shapely.geometry import LineString, MultiLineString, Point, box

from layout.drawing.strokes import Stroke, line_of
from layout.pictures.blades_and_plates import add_face
from layout.pictures.sheet import FAINT, INK, METAL, PAPER, PETROL, RUST, Sheet, new_sheet
from layout.shop.blades import Baseline, Blade, Face
from layout.shop.measure import format_mm

#: Coins that people carry measure 20 to 26 mm across; this one is none of them.
COIN_MM = 23.0
_LETTER_MM = 3.2
#: Longer rulers have centimetres alone: whoever needs one has mistaken the unit.
_LONG_RULER_MM = 2000
#: Colours of a drawing's names, dark enough on paper; after the last they begin again.
_COLOURS = (INK, PETROL, RUST, "#5b3a8c", "#2d5c27", "#8a6d00", "#a3225f", "#3a5f9e")
_MOST_NAMES = 24


def draw_taken(blade: Blade, *, source: str) -> str:
    """All faces of a blade below one another, each over a ruler, with a coin beside, as SVG text."""
    gap, margin = 10 * _LETTER_MM, 4 * _LETTER_MM
    boxes = [(face.body or face.silhouette).union(face.silhouette).bounds for face in blade.faces]
    width = max([x1 - x0 for x0, _, x1, _ in boxes] + [44 * _LETTER_MM])
    height = sum(y1 - y0 + gap for _, y0, _, y1 in boxes)
    page = (-margin, -height - 2 * _LETTER_MM, width + COIN_MM + 2.5 * margin, 8 * _LETTER_MM)
    sheet = new_sheet(page, _LETTER_MM, title=f"{blade.name}, as it was drawn, to scale")
    sheet.text(blade.name, 0, 5 * _LETTER_MM, font_size=format_mm(1.5 * _LETTER_MM), font_weight="bold")
    sheet.text(
        f"from {source}. Printed at 100 % it is as large as the blade.", 0, 3.2 * _LETTER_MM, fill=FAINT
    )
    _coin(sheet, width + 1.2 * margin, -COIN_MM / 2)
    top = 0.0
    for face, (x0, y0, _, y1) in zip(blade.faces, boxes, strict=True):
        add_face(sheet, _moved(face, -x0, top - y1))
        a0, b0, a1, b1 = face.silhouette.bounds
        _ruler(sheet, a0 - x0, a1 - x0, top - (y1 - y0) - 2 * _LETTER_MM)
        said = f"{face.face.replace('_', ' ')}: {spoken_size(a1 - a0, b1 - b0)}, handle {_towards(face)}"
        sheet.text(said, a0 - x0, top - (y1 - y0) - 6.2 * _LETTER_MM)
        top -= y1 - y0 + gap
    return sheet.svg()


def draw_read(strokes: Sequence[Stroke]) -> str:
    """Lines of a drawing as they were read, each name in its colour with its name beside it, as SVG text."""
    lines = [line_of(stroke) for stroke in strokes]
    x0, y0, x1, y1 = MultiLineString(lines).bounds
    letter = max(0.5, max(x1 - x0, y1 - y0, 20.0) / 60)
    names = list(dict.fromkeys(stroke.names[0] if stroke.names else "" for stroke in strokes))
    shown = names[:_MOST_NAMES]
    colour = {name: _COLOURS[at % len(_COLOURS)] for at, name in enumerate(names)}
    wide = max(x1, x0 + 50 * letter)
    page = (x0 - 2 * letter, y0 - (2.5 + 1.8 * len(shown)) * letter, wide + 2 * letter, y1 + 2 * letter)
    sheet = new_sheet(page, letter, title="The drawing, as it was read")
    for stroke, line in zip(strokes, lines, strict=True):
        name = stroke.names[0] if stroke.names else ""
        sheet.line(line.coords, stroke=colour[name], stroke_width=letter / 5)
    for at, name in enumerate(shown):
        y = y0 - (2.5 + 1.8 * at) * letter
        sheet.line([(x0, y), (x0 + 4 * letter, y)], stroke=colour[name], stroke_width=letter / 3)
        sheet.text(name or "(no name)", x0 + 5 * letter, y - 0.35 * letter)
    return sheet.svg()


def draw_refused(strokes: Sequence[Stroke], places: Sequence[tuple[float, float]], why: str) -> str:
    """Lines of a drawing with the places (mm) where something is wrong ringed and numbered, as SVG text."""
    return _draw_wrong([line_of(stroke) for stroke in strokes], places, why)


def draw_wrong(line: Sequence[tuple[float, float]], places: Sequence[tuple[float, float]], why: str) -> str:
    """The same of one closed line (mm)."""
    return _draw_wrong([LineString(line)], places, why)


def _draw_wrong(lines: Sequence[LineString], places: Sequence[tuple[float, float]], why: str) -> str:
    x0, y0, x1, y1 = MultiLineString(lines).bounds
    letter = max(1.0, max(x1 - x0, y1 - y0, 20.0) / 60)
    wide = max(x1, x0 + 50 * letter)
    words = _wrapped(why, 84)
    page = (x0 - 5 * letter, y0 - (4 + 1.6 * len(words)) * letter, wide + 5 * letter, y1 + 5 * letter)
    sheet = new_sheet(page, letter, title=why)
    for line in lines:
        sheet.line(line.coords, stroke=INK, stroke_width=letter / 8)
    for number, (x, y) in enumerate(places, start=1):
        ring = Point(x, y).buffer(1.6 * letter)
        sheet.area(ring, fill="none", stroke=RUST, stroke_width=letter / 4)
        sheet.badge(str(number), x + 2.2 * letter, y + 2.2 * letter, RUST)
    for at, row in enumerate(words):
        sheet.text(row, x0, y0 - (4 + 1.6 * at) * letter)
    return sheet.svg()


def spoken_size(length: float, height: float) -> str:
    """A size as people say it.

    >>> spoken_size(201.04, 46)
    '201 mm long, 46 mm high'
    """
    return f"{_size(length)} mm long, {_size(height)} mm high"


def _size(value: float) -> str:
    return format_mm(round(value) if value >= 100 else round(value, 1))


def _towards(face: Face) -> str:
    words = {0: "at the right", 90: "at the top", 180: "at the left", 270: "at the bottom"}
    return words.get(round(face.handle_deg), f"at {face.handle_deg:g} degrees")


def _coin(sheet: Sheet, x: float, y: float) -> None:
    middle = x + COIN_MM / 2
    sheet.area(Point(middle, y).buffer(COIN_MM / 2), fill=PAPER, stroke=INK, stroke_width=_LETTER_MM / 12)
    sheet.text(f"{COIN_MM:g} mm", middle, y, text_anchor="middle")
    sheet.text("about a coin", middle, y - 1.3 * _LETTER_MM, text_anchor="middle", fill=FAINT,
               font_size=format_mm(0.8 * _LETTER_MM))  # fmt: skip


def _ruler(sheet: Sheet, x0: float, x1: float, y: float) -> None:
    """Millimetres below a face, from its left end on, a little beyond its right one."""
    length = 10 * (int((x1 - x0) // 10) + 1)
    sheet.area(
        box(x0, y - 3 * _LETTER_MM, x0 + length, y), fill=METAL, stroke=FAINT, stroke_width=_LETTER_MM / 16
    )
    for mm in range(0, length + 1, 1 if length < _LONG_RULER_MM else 10):
        tick = 1.4 if mm % 10 == 0 else 1.0 if mm % 5 == 0 else 0.6
        sheet.line([(x0 + mm, y), (x0 + mm, y - tick * _LETTER_MM)], stroke=INK, stroke_width=0.12)
        if mm % 10 == 0 and 0 < mm < length:
            sheet.text(str(mm), x0 + mm, y - 2.6 * _LETTER_MM, text_anchor="middle",
                       font_size=format_mm(0.8 * _LETTER_MM))  # fmt: skip
    for end in (x0, x1):
        sheet.line([(end, y + 1.4 * _LETTER_MM), (end, y)], stroke=PETROL, stroke_width=0.25)


def _moved(face: Face, dx: float, dy: float) -> Face:
    """The face drawn elsewhere on the page."""

    def moved(shape: Any) -> Any:
        return affinity.translate(shape, dx, dy)

    return replace(
        face,
        silhouette=moved(face.silhouette),
        body=None if face.body is None else moved(face.body),
        keep_outs=tuple(replace(k, polygon=moved(k.polygon)) for k in face.keep_outs),
        zones=tuple(
            replace(
                zone,
                polygon=moved(zone.polygon),
                baseline=Baseline(tuple((x + dx, y + dy) for x, y in zone.baseline.points)),
            )
            for zone in face.zones
        ),
    )


def _wrapped(text: str, width: int) -> list[str]:
    lines = [""]
    for word in text.split():
        if len(lines[-1]) + len(word) > width:
            lines.append("")
        lines[-1] = f"{lines[-1]} {word}".strip()
    return lines
