"""A mark of the library, as large as a hand, with its finest places shown: for whoever brings it in."""

from __future__ import annotations

from typing import Any

import shapely
from shapely.geometry import MultiPolygon

from layout.pictures.sheet import FAINT, INK, PETROL, RUST, new_sheet
from layout.shop.outline import Outline

#: Places up to this many times as fine as the finest are shown.
_NEARLY = 1.15
_SHOWN_MM = 90.0
#: What is wider than this part of the mark is no fine place, and not coloured.
_FINE_PART = 0.15
_LETTER_MM = 3.2


def draw_mark(
    outline: Outline,
    name: str,
    *,
    stroke_mm: float,
    gap_mm: float,
    initials_box_mm: tuple[float, float, float, float] | None = None,
) -> str:
    """The mark at natural size enlarged to about 90 mm, strokes as thin as `stroke_mm` in red and gaps as
    narrow as `gap_mm` in green where these are fine, a frame's box for initials dashed, as SVG text."""
    region: Any = outline.region
    x0, y0, x1, y1 = region.bounds
    scale = _SHOWN_MM / max(x1 - x0, y1 - y0)

    def shown(shape: Any) -> Any:
        return (
            shape if shape.is_empty else shapely.transform(shape, lambda points: (points - [x0, y0]) * scale)
        )

    width, height = (x1 - x0) * scale, (y1 - y0) * scale
    letter = _LETTER_MM
    page = (-2 * letter, -6 * letter, max(width, 26 * letter) + 2 * letter, height + 4 * letter)
    sheet = new_sheet(page, letter, title=f"{name}, {scale:.1f} times its size")
    sheet.text(f"{name}, {x1 - x0:.1f} × {y1 - y0:.1f} mm", 0, height + 1.6 * letter, font_weight="bold")
    sheet.area(shown(region), fill=INK)
    fine = _FINE_PART * max(x1 - x0, y1 - y0)
    if stroke_mm < fine:
        sheet.area(shown(_thin(region, stroke_mm)), fill=RUST)
    if gap_mm < fine:
        sheet.area(shown(_narrow(region, gap_mm)), fill=PETROL)
    if initials_box_mm is not None:
        box = shapely.box(*initials_box_mm)
        sheet.area(shown(box), fill="none", stroke=FAINT, stroke_width=0.4, stroke_dasharray="2 1.2")
        sheet.text("initials", *shown(box).centroid.coords[0], fill=FAINT, text_anchor="middle")
    sheet.text(f"finest stroke {stroke_mm:.2f} mm", 0, -2.4 * letter, fill=RUST)
    if gap_mm < max(x1 - x0, y1 - y0):
        sheet.text(f"narrowest gap {gap_mm:.2f} mm", 14 * letter, -2.4 * letter, fill=PETROL)
    sheet.text(f"{scale:.1f} times as large as on the blade", 0, -4.4 * letter, fill=FAINT)
    return sheet.svg()


def _thin(region: Any, width: float) -> Any:
    """What a disc a little wider than that does not get into."""
    half = _NEARLY * width / 2
    opened = region.buffer(-half).buffer(half * 1.02)
    return _without_crumbs(region.difference(opened), width)


def _narrow(region: Any, width: float) -> Any:
    """What lies between parts hardly farther apart than that."""
    half = _NEARLY * width / 2
    closed = region.buffer(half).buffer(-half * 1.02)
    return _without_crumbs(closed.difference(region), width)


def _without_crumbs(shape: Any, width: float) -> Any:
    """Without the corners that every disc leaves out."""
    parts = [part for part in shapely.get_parts(shape) if part.area > 0.5 * width**2]
    return MultiPolygon([part for part in parts if part.geom_type == "Polygon"])
