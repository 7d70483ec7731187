"""Guide: a picture of a turn for seating units, never for burning."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Any

import numpy as np
import shapely
from shapely.geometry import Polygon, box

from layout.pictures.sheet import Sheet, middle_of
from layout.seating.registration import place_points, to_station
from layout.shop.loads import LoadLayout, SlotFill
from layout.shop.plates import Pose, Slot
from layout.shop.shop import Shop
from layout.shop.svg_text import sheet_of

LABEL_MM, NUMBER_MM = 3.0, 7.0
LINE_MM = 0.2
ARROW_MM = 8.0
CROSS_MM = 6.0
SLOT, UNIT, EMPTY, ORIGIN = "#808080", "#204060", "#c0c0c0", "#a8442a"
_EDGE_MM = 4.0


def guide_svg(shop: Shop, load: LoadLayout, turn: int, name: str = "") -> bytes:
    """Slots with their numbers, whole units with their marks, where each handle points, the field and its
    origin, in station coordinates; `name`: what the load and its file are called.

    Not a burn file: it carries names and pictures. It is as large as the field and whatever of a unit lies
    beside it. Raises KeyError for names the shop doesn't know.
    """
    station, plate = shop.stations[load.station], shop.plates[load.plate]
    fills = {fill.slot: fill for fill in next(t for t in load.turns if t.turn == turn).fills}
    field = box(*station.field_box_mm)
    units = [_whole(shop, load, fill) for fill in fills.values()]
    x0, y0, x1, y1 = shapely.union_all([field, *units]).bounds
    page = (x0 - _EDGE_MM, y0 - _EDGE_MM, x1 + _EDGE_MM, y1 + _EDGE_MM + 3 * LABEL_MM)
    sheet = Sheet(sheet_of(page), page, LABEL_MM)
    said = ["GUIDE - NOT FOR BURNING", name, f"{plate.name}, copy {load.copy}, turn {turn}"]
    sheet.text(" - ".join(part for part in said if part), x0, y1 + 2 * LABEL_MM, font_weight="bold")
    sheet.area(field, fill="none", stroke=SLOT, stroke_width=LINE_MM, stroke_dasharray="3 2")
    for slot in plate.slots:
        fill = fills.get(slot.slot)
        outline = Polygon(to_station(shapely.get_coordinates(slot.outline.exterior), load.calibration))
        sheet.area(outline, fill="none", stroke=EMPTY if fill is None else SLOT, stroke_width=LINE_MM)
        if fill is not None:
            _draw_unit(sheet, shop, load, fill)
        _write(sheet, slot, fill, outline)
    _draw_origin(sheet)
    return sheet.svg().encode()


def handle_direction_deg(shop: Shop, load: LoadLayout, fill: SlotFill) -> float:
    """Where the handle points, in station coordinates (degrees from +x, 0 to 360). Raises KeyError."""
    pose = _pose(shop, load, fill)
    handle = math.radians(shop.blades[fill.blade].face(fill.face).handle_deg)
    ends = place_points([[0.0, 0.0], [math.cos(handle), math.sin(handle)]], pose, load.calibration)
    dx, dy = ends[1] - ends[0]
    # Rounding first keeps a handle that points along +x from being called 360 degrees.
    return round(math.degrees(math.atan2(dy, dx)), 6) % 360.0


def _whole(shop: Shop, load: LoadLayout, fill: SlotFill) -> Any:
    """The whole unit, handle and all, where it lies."""
    pose = _pose(shop, load, fill)
    face = shop.blades[fill.blade].face(fill.face)
    unit = face.silhouette if face.body is None else face.body.union(face.silhouette)
    return shapely.transform(unit, lambda points: place_points(points, pose, load.calibration))


def _placed(shop: Shop, load: LoadLayout, fill: SlotFill, shape: Any) -> Any:
    """A shape of the face, where the unit lies in its slot (station coordinates)."""
    pose = _pose(shop, load, fill)
    return shapely.transform(shape, lambda points: place_points(points, pose, load.calibration))


def _pose(shop: Shop, load: LoadLayout, fill: SlotFill) -> Pose:
    seat = shop.plates[load.plate].slot(fill.slot).seat(fill.blade, fill.face)
    if seat is None:
        raise KeyError(f"slot {fill.slot} does not take {fill.blade}, {fill.face} up")
    return seat.pose


def _draw_unit(sheet: Sheet, shop: Shop, load: LoadLayout, fill: SlotFill) -> None:
    line = {"stroke": UNIT, "stroke_width": LINE_MM}
    whole = _whole(shop, load, fill)
    blade = _placed(shop, load, fill, shop.blades[fill.blade].face(fill.face).silhouette)
    sheet.area(whole, fill="none", **line)
    sheet.area(blade, fill="none", **line)
    for mark in fill.marks:
        sheet.area(_placed(shop, load, fill, mark.outline.region), fill=UNIT)
        for stroke in mark.outline.strokes:
            sheet.line(_placed(shop, load, fill, stroke).coords, **line)
    rest = whole.difference(blade)
    _draw_arrow(sheet, blade if rest.is_empty else rest, handle_direction_deg(shop, load, fill))


def _draw_arrow(sheet: Sheet, under: Any, direction_deg: float) -> None:
    """Where the handle points, over the middle of a shape: the handle, where the unit has one."""
    direction = math.radians(direction_deg)
    along = np.array([math.cos(direction), math.sin(direction)])
    side = np.array([-along[1], along[0]])
    tip = np.array(middle_of(under)) + along * ARROW_MM / 2
    barb = tip - along * LABEL_MM / 2
    arrow = [tip - along * ARROW_MM, tip, barb + side * LABEL_MM / 3, tip, barb - side * LABEL_MM / 3]
    sheet.line(arrow, stroke=UNIT, stroke_width=2 * LINE_MM)


def _write(sheet: Sheet, slot: Slot, fill: SlotFill | None, outline: Polygon) -> None:
    """The slot's number, large, in its left upper corner, and beside it what sits there."""
    x0, _, _, y1 = outline.bounds
    colour = EMPTY if fill is None else UNIT
    top = y1 - NUMBER_MM
    wide = 0.7 * NUMBER_MM * (len(slot.slot) + 1)
    size = {"font_size": f"{NUMBER_MM:g}", "font_weight": "bold"}
    _words(sheet, slot.slot, (x0 + LABEL_MM / 2, top), colour, **size)
    _words(sheet, _told(fill), (x0 + wide, y1 - 1.1 * LABEL_MM), colour)


def _told(fill: SlotFill | None) -> str:
    if fill is None:
        return "empty"
    return f"{fill.job or fill.lot}, {fill.sku}, {fill.face.replace('_', ' ')} up"


def _words(sheet: Sheet, words: str, at: tuple[float, float], colour: str, **style: Any) -> None:
    """Words with a white rim, to be read over whatever lies there."""
    rim: dict[str, Any] = {"stroke": "#ffffff", "stroke_width": LABEL_MM / 4, "paint_order": "stroke"}
    sheet.text(words, at[0], at[1], fill=colour, stroke_linejoin="round", **rim, **style)


def _draw_origin(sheet: Sheet) -> None:
    """A cross where the station's coordinates begin."""
    ends: Iterable[Any] = ([(-CROSS_MM, 0), (CROSS_MM, 0)], [(0, -CROSS_MM), (0, CROSS_MM)])
    for line in ends:
        sheet.line(line, stroke=ORIGIN, stroke_width=2 * LINE_MM)
    _words(sheet, "x 0, y 0", (LABEL_MM / 2, LABEL_MM / 2), ORIGIN)
