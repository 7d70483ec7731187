"""The plate of a turn as the bench sees it: to scale, the field's x to the right, y away from the operator.

Each slot shows by its number, shape and sign what is to be done there; no state is told by colour alone. A
picture, never for burning.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from html import escape
from typing import Any

import numpy as np
import shapely
from shapely.geometry import LineString, Polygon

from layout.pictures.guide import handle_direction_deg
from layout.seating.registration import place_points, to_station
from layout.shop.loads import LoadLayout, Mark, SlotFill
from layout.shop.measure import Floats, format_mm
from layout.shop.plates import Plate
from layout.shop.shop import Shop
from layout.shop.svg_text import Box, path_data

#: Pictures need no more: a pixel of a tablet is a few tenths of a millimetre.
_PICTURE_MM = 0.08
_MARGIN_MM = 6.0
_BADGE_MM = 10.0
#: How wide a letter of a slot's number is.
_LETTER_MM = 8.0
_SIGNS = {"planned": "", "seated": "✓", "burned": "●", "removed": "✕"}


def plate_svg(
    shop: Shop,
    load: LoadLayout,
    turn: int,
    *,
    states: Mapping[str, str],
    clear: Iterable[str] = (),
    title: str,
    chosen: str | None = None,
) -> str:
    """The plate with its slots, what sits where, which way each handle points, and the marks themselves.
    `states` gives the state of each filled slot; `clear` names slots from which a unit must be taken."""
    plate = shop.plates[load.plate]
    fills = {fill.slot: fill for fill in next(t for t in load.turns if t.turn == turn).fills}
    corners = to_station(_corners(plate), load.calibration)
    everything = [corners] + [_placed(shop, load, fill, _body(shop, fill)) for fill in fills.values()]
    points = np.vstack(everything)
    low, high = points.min(axis=0) - _MARGIN_MM, points.max(axis=0) + _MARGIN_MM
    box: Box = (float(low[0]), float(low[1]), float(high[0]), float(high[1]))
    to_clear = set(clear)
    parts = [_path(corners, box, "plate")]
    for slot in plate.slots:
        outline = to_station(_ring(slot.outline), load.calibration)
        kind = "clear" if slot.slot in to_clear else states.get(slot.slot, "empty")
        parts.append(f'<g class="slot {kind}{" chosen" if slot.slot == chosen else ""}">')
        parts.append(_path(outline, box, "pocket"))
        if slot.slot in fills:
            parts += _unit(shop, load, fills[slot.slot], box)
        angle = handle_direction_deg(shop, load, fills[slot.slot]) if slot.slot in fills else None
        parts.append(_badge(slot.slot, outline, box, angle, "✕" if kind == "clear" else _SIGNS.get(kind, "")))
        parts.append("</g>")
    width, height = format_mm(box[2] - box[0]), format_mm(box[3] - box[1])
    return (
        f'<svg class="plate-picture" viewBox="0 0 {width} {height}" role="img" aria-label="{escape(title)}" '
        f'xmlns="http://www.w3.org/2000/svg">{"".join(parts)}</svg>'
    )


def mark_svg(mark: Mark, label: str) -> str:
    """A mark by itself, as frozen, whichever way its unit lies; `label` says it in words for people who can't
    see it. A picture, never for burning."""
    x0, y0, x1, y1 = mark.outline.bounds_mm
    box: Box = (x0 - 0.5, y0 - 0.5, x1 + 0.5, y1 + 0.5)
    rings = [ring for area in mark.outline.areas for ring in (area.exterior, *area.interiors)]
    areas = "".join(_data(shapely.get_coordinates(ring), box, closed=True) for ring in rings)
    strokes = [shapely.get_coordinates(LineString(stroke)) for stroke in mark.outline.strokes]
    lines = "".join(_data(stroke, box, closed=False) for stroke in strokes)
    drawn = (f'<path class="mark" fill-rule="evenodd" d="{areas}"/>' if areas else "") + (
        f'<path class="line" d="{lines}"/>' if lines else ""
    )
    width, height = format_mm(box[2] - box[0]), format_mm(box[3] - box[1])
    return (
        f'<svg class="mark-picture" viewBox="0 0 {width} {height}" role="img" aria-label="{escape(label)}" '
        f'xmlns="http://www.w3.org/2000/svg">{drawn}</svg>'
    )


def _corners(plate: Plate) -> list[tuple[float, float]]:
    width, height = plate.size_mm
    return [(0, 0), (width, 0), (width, height), (0, height), (0, 0)]


def _body(shop: Shop, fill: SlotFill) -> Polygon:
    face = shop.blades[fill.blade].face(fill.face)
    return face.body or face.silhouette


def _ring(polygon: Polygon) -> Floats:
    points: Floats = shapely.get_coordinates(polygon.exterior)
    return points


def _placed(shop: Shop, load: LoadLayout, fill: SlotFill, shape: Any) -> Floats:
    seat = shop.plates[load.plate].slot(fill.slot).seat(fill.blade, fill.face)
    assert seat is not None, "a load's slots were judged before it was granted"
    return place_points(shapely.get_coordinates(shape), seat.pose, load.calibration)


def _unit(shop: Shop, load: LoadLayout, fill: SlotFill, box: Box) -> list[str]:
    face = shop.blades[fill.blade].face(fill.face)
    drawn = []
    if face.body is not None:
        drawn.append(_path(_placed(shop, load, fill, _coarse(face.body).exterior), box, "body"))
    drawn.append(_path(_placed(shop, load, fill, _coarse(face.silhouette).exterior), box, "metal"))
    areas, lines = [], []
    for mark in fill.marks:
        for area in mark.outline.areas:
            fine = _coarse(area)
            for ring in (fine.exterior, *fine.interiors):
                areas.append(_data(_placed(shop, load, fill, ring), box, closed=True))
        lines += [
            _data(_placed(shop, load, fill, LineString(s).simplify(_PICTURE_MM)), box, closed=False)
            for s in mark.outline.strokes
        ]
    if areas:
        drawn.append(f'<path class="mark" fill-rule="evenodd" d="{"".join(areas)}"/>')
    if lines:
        drawn.append(f'<path class="line" d="{"".join(lines)}"/>')
    drawn.append(_arrow(shop, load, fill, box))
    return drawn


def _coarse(area: Any) -> Any:
    simpler = area.simplify(_PICTURE_MM)
    return simpler if simpler.geom_type == "Polygon" and not simpler.is_empty else area


def _arrow(shop: Shop, load: LoadLayout, fill: SlotFill, box: Box) -> str:
    """From the middle of the unit towards its handle."""
    angle = math.radians(handle_direction_deg(shop, load, fill))
    unit = _placed(shop, load, fill, _body(shop, fill))
    along, side = np.array([math.cos(angle), math.sin(angle)]), np.array([-math.sin(angle), math.cos(angle)])
    tip = (unit.min(axis=0) + unit.max(axis=0)) / 2 + along * (np.ptp(unit @ along) / 2 - 4)
    back = tip - along * 16
    barbs = [tip - along * 5 + side * 4, tip, tip - along * 5 - side * 4]
    return (
        f'<path class="arrow" d="{_data([back, tip], box, closed=False)}{_data(barbs, box, closed=False)}"/>'
    )


def _badge(slot: str, outline: Floats, box: Box, angle: float | None, sign: str) -> str:
    """The slot's number, at the end away from the handle, with a sign for what was done."""
    middle = (outline.min(axis=0) + outline.max(axis=0)) / 2
    turned = math.radians(angle if angle is not None else 0.0)
    along = np.array([math.cos(turned), math.sin(turned)])
    half = np.ptp(outline @ along) / 2
    wide = _BADGE_MM + max(0, len(slot) - 2) * _LETTER_MM / 2  # two letters stand in a circle
    inward = _BADGE_MM + (wide - _BADGE_MM) * abs(float(along[0]))
    x, y = middle - along * (half - inward)
    left, top = float(x) - box[0], box[3] - float(y)
    apart = 16 + inward - _BADGE_MM
    sign_left, sign_top = left + apart * along[0], top + 5 - apart * along[1]
    return (
        f'<rect class="badge" x="{left - wide:.1f}" y="{top - _BADGE_MM:.1f}" width="{2 * wide:.1f}" '
        f'height="{2 * _BADGE_MM}" rx="{_BADGE_MM}"/>'
        f'<text class="number" x="{left:.1f}" y="{top + 4.2:.1f}">{escape(slot)}</text>'
        + (f'<text class="sign" x="{sign_left:.1f}" y="{sign_top:.1f}">{sign}</text>' if sign else "")
    )


def _path(points: Any, box: Box, name: str) -> str:
    return f'<path class="{name}" d="{_data(points, box, closed=True)}"/>'


def _data(points: Any, box: Box, *, closed: bool) -> str:
    return path_data(np.round(np.asarray(points, dtype=float), 2), box, closed=closed)
