"""A face with words tried in a zone of it, for whoever draws the zone: what is taken off, what is left, and
the words as large as they fit. A picture in millimetres, never for burning."""

from __future__ import annotations

from typing import Any

import shapely
from shapely.geometry import Polygon

from layout.pictures.blades_and_plates import add_face
from layout.pictures.sheet import INK, PETROL, RUST, new_sheet
from layout.shop.blades import Face, Zone
from layout.shop.measure import format_mm
from layout.shop.outline import Outline
from layout.shop.svg_text import Box

#: What a zone loses to a keep-out or beside the blade is named from this much on: less is rounding.
LEAST_LOSS_MM2 = 0.01
_MARGIN = 0.07


def box_of(face: Face) -> Box:
    """What the picture shows of a face: the metal that may be marked, and some room around it."""
    x0, y0, x1, y1 = face.silhouette.bounds
    margin = _MARGIN * max(x1 - x0, y1 - y0)
    return x0 - margin, y0 - margin, x1 + margin, y1 + margin


def losses(face: Face, zone: Zone) -> list[tuple[str, float]]:
    """What is taken off a zone, by the name of the keep-out (an empty one: off the blade), in mm²."""
    off = zone.polygon.difference(face.silhouette).area
    found = [("", float(off))]
    found += [
        (
            keep_out.keep_out,
            float(zone.polygon.intersection(face.silhouette).intersection(keep_out.polygon).area),
        )
        for keep_out in face.keep_outs
    ]
    return [(name, area) for name, area in found if area > LEAST_LOSS_MM2]


def draw_trial(
    face: Face,
    *,
    zone: Zone | None,
    region: Any = None,
    outline: Outline | None = None,
    is_refused: bool = False,
) -> str:
    """The face, the region that is left of a zone, and the words in it (in rust where they are refused), as
    SVG text."""
    box = box_of(face)
    letter = max(2.0, (box[2] - box[0]) / 90)
    sheet = new_sheet(box, letter)
    view = Polygon([(box[0], box[1]), (box[2], box[1]), (box[2], box[3]), (box[0], box[3])])
    add_face(sheet, face)
    for one in face.zones:
        taken = shapely.union_all([k.polygon for k in face.keep_outs] or [Polygon()])
        lost = one.polygon.difference(face.silhouette).union(one.polygon.intersection(taken))
        sheet.area(lost.intersection(view), fill=RUST, fill_opacity=0.25)
    if zone is not None and region is not None and not region.is_empty:
        dashes = f"{format_mm(letter / 5)} {format_mm(letter / 5)}"
        sheet.area(region, fill="none", stroke=PETROL, stroke_width=letter / 14, stroke_dasharray=dashes)
    if outline is not None and not outline.is_empty:
        ink = RUST if is_refused else INK
        for area in outline.areas:
            sheet.area(area.intersection(view), fill=ink)
        for stroke in outline.strokes:
            sheet.line(stroke.coords, stroke=ink, stroke_width=letter / 10)
    return sheet.svg()
