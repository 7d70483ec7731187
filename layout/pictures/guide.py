"""Guide: a picture of a turn for seating units, never for burning."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import shapely

from layout.seating.registration import place_points, to_station
from layout.shop.loads import LoadLayout, SlotFill
from layout.shop.plates import Pose
from layout.shop.shop import Shop
from layout.shop.svg_text import Box, bytes_of, flip, path_data, sheet_of

LABEL_MM = 3.0
LINE_MM = 0.2
ARROW_MM = 8.0
SLOT, UNIT, EMPTY = "#808080", "#204060", "#c0c0c0"


def guide_svg(shop: Shop, load: LoadLayout, turn: int) -> bytes:
    """Slot outlines, the units' silhouettes, where each handle points, and labels, in station coordinates.

    Not a burn file: it carries names and pictures. Raises KeyError for names the shop doesn't know.
    """
    station, plate = shop.stations[load.station], shop.plates[load.plate]
    fills = {fill.slot: fill for fill in next(t for t in load.turns if t.turn == turn).fills}
    box = station.field_box_mm
    sheet = sheet_of(box)
    sheet.add(
        sheet.text(
            f"GUIDE - NOT FOR BURNING - {plate.name}, copy {load.copy}, turn {turn}",
            insert=(LABEL_MM, 1.5 * LABEL_MM),
            font_size=LABEL_MM,
            font_family="sans-serif",
        )
    )
    for slot in plate.slots:
        outline = to_station(shapely.get_coordinates(slot.outline.exterior), load.calibration)
        group = sheet.g(fill="none", stroke=SLOT if slot.slot in fills else EMPTY, stroke_width=LINE_MM)
        group.add(sheet.path(path_data(outline, box, closed=True)))
        if slot.slot in fills:
            seat = slot.seat(fills[slot.slot].blade, fills[slot.slot].face)
            if seat is None:
                raise KeyError(f"slot {slot.slot} does not take {fills[slot.slot].blade}")
            _draw_unit(sheet, group, (shop, load, fills[slot.slot], seat.pose), box)
        label = _label(slot.slot, fills.get(slot.slot))
        centre = (outline.min(axis=0) + outline.max(axis=0)) / 2
        group.add(_text(sheet, label, flip(float(centre[0]), float(centre[1]), box)))
        sheet.add(group)
    return bytes_of(sheet)


def handle_direction_deg(shop: Shop, load: LoadLayout, fill: SlotFill) -> float:
    """Where the handle points, in station coordinates (degrees from +x, 0 to 360). Raises KeyError."""
    seat = shop.plates[load.plate].slot(fill.slot).seat(fill.blade, fill.face)
    if seat is None:
        raise KeyError(f"slot {fill.slot} does not take {fill.blade}, {fill.face} up")
    handle = math.radians(shop.blades[fill.blade].face(fill.face).handle_deg)
    ends = place_points([[0.0, 0.0], [math.cos(handle), math.sin(handle)]], seat.pose, load.calibration)
    dx, dy = ends[1] - ends[0]
    # Rounding first keeps a handle that points along +x from being called 360 degrees.
    return round(math.degrees(math.atan2(dy, dx)), 6) % 360.0


def _label(slot: str, fill: SlotFill | None) -> str:
    return f"{slot}: empty" if fill is None else f"{slot}: {fill.sku}, {fill.face}, {fill.job or fill.lot}"


def _text(sheet: Any, text: str, insert: tuple[float, float]) -> Any:
    style = {"font_size": LABEL_MM, "font_family": "sans-serif", "text_anchor": "middle"}
    return sheet.text(text, insert=insert, fill=UNIT, stroke="none", **style)


def _draw_unit(sheet: Any, group: Any, unit: tuple[Shop, LoadLayout, SlotFill, Pose], box: Box) -> None:
    shop, load, fill, pose = unit
    silhouette = shop.blades[fill.blade].face(fill.face).silhouette
    for ring in (silhouette.exterior, *silhouette.interiors):
        points = place_points(shapely.get_coordinates(ring), pose, load.calibration)
        group.add(sheet.path(path_data(points, box, closed=True), stroke=UNIT))
    direction = math.radians(handle_direction_deg(shop, load, fill))
    middle = place_points(shapely.get_coordinates(silhouette.centroid), pose, load.calibration)[0]
    along, side = (
        np.array([math.cos(direction), math.sin(direction)]),
        np.array([-math.sin(direction), math.cos(direction)]),
    )
    tip = middle + along * ARROW_MM
    barb = tip - along * LABEL_MM / 2
    arrow = [middle, tip, barb + side * LABEL_MM / 3, tip, barb - side * LABEL_MM / 3]
    group.add(sheet.path(path_data(arrow, box, closed=False), stroke=UNIT, stroke_width=2 * LINE_MM))
