"""The page that pictures are drawn on: svgwrite with y up, in millimetres, in a few colours."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from shapely.geometry import LineString, Polygon, box

from layout.shop.measure import format_mm
from layout.shop.svg_text import Box, area_data, flip, path_data, sheet_of, text_of

PAPER, INK, FAINT = "#fbf9f4", "#20303a", "#7f8a90"
METAL, WOOD, PALLET, POCKET = "#dde3e4", "#d9c6a5", "#eef0ec", "#ffffff"
PETROL, RUST = "#0b6470", "#a8442a"
_FAMILY = "'DejaVu Sans', Verdana, sans-serif"


@dataclass(frozen=True, slots=True)
class Sheet:
    """A page being drawn: svgwrite's drawing, its box (x0, y0, x1, y1, mm, y up), its letters' size."""

    drawing: Any
    box: Box
    letter_mm: float

    def text(self, words: str, x: float, y: float, **style: Any) -> None:
        """Words with their baseline at (x, y), y up."""
        given: dict[str, Any] = {"font_size": format_mm(self.letter_mm), "fill": INK, **style}
        self.drawing.add(self.drawing.text(words, insert=self._at(x, y), font_family=_FAMILY, **given))

    def area(self, polygon: Any, **style: Any) -> None:
        """A filled polygon or several."""
        if data := area_data(polygons_of(polygon), self.box):
            self.drawing.add(self.drawing.path(data, fill_rule="evenodd", **style))

    def line(self, points: Any, **style: Any) -> None:
        """An open polyline (n, 2)."""
        self.drawing.add(
            self.drawing.path(path_data(points, self.box, closed=False), **{"fill": "none", **style})
        )

    def badge(self, mark: str, x: float, y: float, colour: str) -> None:
        """A small disc (zones) or square (keep-outs) with a letter or number in it."""
        half = 0.75 * self.letter_mm
        shape = box(x - half, y - half, x + half, y + half)
        if colour == PETROL:
            shape = shapely.Point(x, y).buffer(1.15 * half)
        self.area(shape, fill=colour, stroke=PAPER, stroke_width=self.letter_mm / 10)
        self.text(
            mark, x, y - 0.36 * self.letter_mm, fill="#ffffff", text_anchor="middle", font_weight="bold"
        )

    def arrow(self, tail: Any, tip: Any) -> None:
        """A straight arrow between two points (arrays of two, mm)."""
        letter = self.letter_mm
        along = (tip - tail) / np.linalg.norm(tip - tail)
        side = np.array([-along[1], along[0]])
        self.line([tail, tip - along * letter / 2], stroke=INK, stroke_width=letter / 6)
        head = [tip, tip - along * letter + side * letter / 2.2, tip - along * letter - side * letter / 2.2]
        self.area(Polygon(head), fill=INK)

    def scale_bar(self, right: float, y: float) -> None:
        """50 mm, or 20 mm on a small page, in steps of 10 mm, black and white in turn."""
        length = 50 if self.box[2] - self.box[0] > 160 else 20
        letter = self.letter_mm
        for step in range(length // 10):
            x = right - length + 10 * step
            fill = INK if step % 2 == 0 else PAPER
            self.area(box(x, y, x + 10, y + letter / 2), fill=fill, stroke=INK, stroke_width=letter / 16)
        self.text(f"{length} mm", right, y - 1.3 * letter, text_anchor="end")

    def svg(self) -> str:
        """The whole page as SVG text."""
        return text_of(self.drawing)

    def _at(self, x: float, y: float) -> tuple[str, str]:
        across, down = flip(x, y, self.box)
        return format_mm(across), format_mm(down)


def new_sheet(page: Box, letter_mm: float, *, title: str | None = None) -> Sheet:
    """An empty page as large as the box (x0, y0, x1, y1, mm, y up), with letters of that size; screen readers
    read the title."""
    x0, y0, x1, y1 = page
    drawing = sheet_of(page)
    if title is not None:
        drawing["role"], drawing["aria-label"] = "img", title
        drawing.set_desc(title=title)
    drawing.add(drawing.rect((0, 0), (format_mm(x1 - x0), format_mm(y1 - y0)), fill=PAPER))
    return Sheet(drawing, page, letter_mm)


def middle_of(geometry: Any) -> tuple[float, float]:
    """The point deepest inside the largest part; the middle of its length if that part is long and thin."""
    part = max(polygons_of(geometry), key=lambda p: p.area)
    x0, y0, x1, y1 = part.bounds
    if part.area < 0.25 * (x1 - x0) * (y1 - y0) or x1 - x0 > 8 * (y1 - y0):
        across = part.intersection(LineString([((x0 + x1) / 2, y0 - 1), ((x0 + x1) / 2, y1 + 1)]))
        middle = max(shapely.get_parts(across), key=lambda piece: piece.length).centroid
        return float(middle.x), float(middle.y)
    deepest = shapely.maximum_inscribed_circle(part, tolerance=0.1).coords[0]
    return float(deepest[0]), float(deepest[1])


def polygons_of(geometry: Any) -> list[Polygon]:
    """The polygons of a geometry; points and lines are left out."""
    return [p for p in shapely.get_parts(geometry) if p.geom_type == "Polygon" and not p.is_empty]
