"""Printed pages: paper, words, and geometry in reportlab's points from values in millimetres."""

from __future__ import annotations

import io
from collections.abc import Iterable
from dataclasses import dataclass
from itertools import groupby
from typing import Any

import fontpkg
import numpy as np
import shapely
from ppf.datamatrix import DataMatrix
from reportlab.lib.units import mm
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.pdfgen.canvas import Canvas
from shapely.geometry import Polygon

from layout.shop.measure import Floats
from layout.shop.outline import Outline

INK, PALE, METAL, WOOD, RUST = (
    (0.13, 0.19, 0.23),
    (0.55, 0.6, 0.62),
    (0.9, 0.92, 0.93),
    (0.9, 0.83, 0.7),
    (0.59, 0.22, 0.11),
)
PLAIN, BOLD = "Ricasso", "Ricasso-Bold"
MARGIN = 14 * mm
_PICTURE_MM = 0.02


@dataclass(frozen=True, slots=True)
class Window:
    """A box of millimetres (x0, y0, x1, y1) shown at a place of the page, in points, at a scale."""

    x: float
    y: float
    box: tuple[float, float, float, float]
    scale: float

    def at(self, points: Any) -> Floats:
        """Points (n, 2) in mm as points of the page."""
        given = np.asarray(points, dtype=float)
        moved = (given - np.array(self.box[:2])) * (self.scale * mm) + np.array([self.x, self.y])
        return np.asarray(moved, dtype=np.float64)


def fitted(
    box: tuple[float, float, float, float],
    *,
    x: float,
    y: float,
    width: float,
    height: float,
    largest: float = 1.0,
) -> Window:
    """A window onto `box` in the middle of a frame (points), no larger than true size unless allowed."""
    wide, high = max(box[2] - box[0], 1e-6) * mm, max(box[3] - box[1], 1e-6) * mm
    scale = min(width / wide, height / high, largest)
    return Window(x + (width - wide * scale) / 2, y + (height - high * scale) / 2, box, scale)


def draw_polygon(
    page: Any,
    window: Window,
    polygon: Polygon,
    *,
    fill: Any = None,
    stroke: Any = INK,
    width: float = 0.5,
    dash: Iterable[float] = (),
) -> None:
    """One polygon with its holes."""
    draw_rings(
        page,
        window,
        [polygon.exterior.coords, *(r.coords for r in polygon.interiors)],
        fill=fill,
        stroke=stroke,
        width=width,
        dash=dash,
    )


def draw_rings(
    page: Any,
    window: Window,
    rings: Iterable[Any],
    *,
    fill: Any = None,
    stroke: Any = INK,
    width: float = 0.5,
    dash: Iterable[float] = (),
) -> None:
    """Closed rings of points in mm, filled by the even-odd rule."""
    path = page.beginPath()
    for ring in rings:
        points = window.at(ring)
        path.moveTo(*points[0])
        for point in points[1:]:
            path.lineTo(*point)
        path.close()
    page.saveState()
    page.setLineWidth(width)
    page.setDash(*([list(dash)] if dash else []))
    if fill is not None:
        page.setFillColorRGB(*fill)
    if stroke is not None:
        page.setStrokeColorRGB(*stroke)
    page.drawPath(path, stroke=int(stroke is not None), fill=int(fill is not None), fillMode=0)
    page.restoreState()


def draw_outline(page: Any, window: Window, outline: Outline, *, moved: Any = None) -> None:
    """A frozen outline, black; `moved` places its points elsewhere first (a slot's pose)."""
    place = moved or (lambda points: points)
    rings = [
        place(shapely.get_coordinates(ring))
        for area in outline.areas
        for part in shapely.get_parts(area.simplify(_PICTURE_MM))
        for ring in (part.exterior, *part.interiors)
    ]
    if rings:
        draw_rings(page, window, rings, fill=(0, 0, 0), stroke=None)
    for stroke in outline.strokes:
        points = window.at(place(shapely.get_coordinates(stroke)))
        page.saveState()
        page.setLineWidth(max(0.3, 0.12 * window.scale * mm))
        page.setLineCap(1)
        path = page.beginPath()
        path.moveTo(*points[0])
        for point in points[1:]:
            path.lineTo(*point)
        page.drawPath(path, stroke=1, fill=0)
        page.restoreState()


def draw_code(page: Any, content: str, *, x: float, y: float, size: float) -> None:
    """A Data Matrix (ISO/IEC 16022), its lower left corner at x, y; `size` in points without quiet zone."""
    cells = DataMatrix(content).matrix
    cell = size / len(cells)
    page.setFillColorRGB(0, 0, 0)
    for row, line in enumerate(cells):
        column = 0
        for is_dark, run in groupby(line):
            length = len(list(run))
            if is_dark:  # whole runs, and a hair of overlap, or viewers show seams between cells
                page.rect(
                    x + column * cell,
                    y + size - (row + 1) * cell,
                    length * cell,
                    cell * 1.02,
                    stroke=0,
                    fill=1,
                )
            column += length


def paper(size: tuple[float, float], title: str) -> tuple[Any, io.BytesIO]:
    """A document with pages of that size (points), and the buffer for its bytes: the same pages, the same
    bytes."""
    if PLAIN not in pdfmetrics.getRegisteredFontNames():
        pdfmetrics.registerFont(TTFont(PLAIN, str(fontpkg.path("Atkinson Hyperlegible"))))
        pdfmetrics.registerFont(TTFont(BOLD, str(fontpkg.path("Atkinson Hyperlegible", weight=700))))
    data = io.BytesIO()
    page = Canvas(data, pagesize=size, invariant=1)
    page.setTitle(title)
    page.setAuthor("Ricasso")
    return page, data


def write(page: Any, text: str, x: float, y: float, size: float, *, bold: bool = False) -> None:
    """One line of words, from x, y (points)."""
    page.setFont(BOLD if bold else PLAIN, size)
    page.setFillColorRGB(*INK)
    page.drawString(x, y, text)


def write_whole(page: Any, text: str, x: float, y: float, width: float, largest: float) -> None:
    """One line of what must be read whole, as a code, in letters as small as the width (points) asks for."""
    asked = pdfmetrics.stringWidth(text, PLAIN, largest)
    write(page, text, x, y, largest if asked <= width else largest * width / asked)


def cut(text: str, width: float, size: float, *, bold: bool = False) -> str:
    """As much of the words as goes into a width (points), with a sign where something was left out."""
    font = BOLD if bold else PLAIN
    if pdfmetrics.stringWidth(text, font, size) <= width:
        return text
    while text and pdfmetrics.stringWidth(text + "…", font, size) > width:
        text = text[:-1]
    return text + "…"
