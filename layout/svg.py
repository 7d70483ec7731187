"""SVG burn files, in millimetres. The one y flip of the whole program is here."""

from __future__ import annotations

from collections.abc import Iterable
from itertools import groupby
from typing import Any

import svgwrite
from shapely.geometry import Polygon

from layout.burn import Burn, BurnPart
from layout.measure import Floats, format_mm
from layout.parts import LayerStyle, Station

Box = tuple[float, float, float, float]


def burn_svg(burn: Burn, station: Station) -> bytes:
    """What shall burn, as an SVG of the station's field: one user unit is one millimetre.

    One group per process named and coloured as the station's profile says; in it one group per slot
    (`layer.slot`); in that one path per letter's areas or rows and one per line. Repeats are not drawn:
    the layer's recipe carries them. Same burn, same bytes.

    Raises KeyError for a process that the station has no layer for, ValueError for a coordinate that
    is not finite.
    """
    sheet = sheet_of(burn.field_box_mm)
    for process, parts in groupby(burn.parts, key=lambda part: part.process):
        style = station.layers[process]
        layer = sheet.g(id=style.layer, fill="none", stroke=style.colour)
        for part in parts:
            layer.add(_slot_group(sheet, part, style, burn.field_box_mm))
        sheet.add(layer)
    return bytes_of(sheet)


def sheet_of(box: Box) -> Any:
    """An empty drawing as large as the box (x0, y0, x1, y1, mm)."""
    width, height = format_mm(box[2] - box[0]), format_mm(box[3] - box[1])
    return svgwrite.Drawing(
        size=(f"{width}mm", f"{height}mm"), viewBox=f"0 0 {width} {height}", debug=False, profile="full"
    )


def bytes_of(sheet: Any) -> bytes:
    """The drawing as UTF-8, with its declaration and a last line end."""
    return f'<?xml version="1.0" encoding="utf-8"?>\n{sheet.tostring()}\n'.encode()


def flip(x_mm: float, y_mm: float, box: Box) -> tuple[float, float]:
    """A point (y up) on a sheet whose y runs down from the top of the box."""
    return x_mm - box[0], box[3] - y_mm


def path_data(points: Iterable[Any], box: Box, *, closed: bool) -> str:
    """Path data of one polyline; a closed one's last point repeats its first and is left out."""
    pairs = [flip(float(x), float(y), box) for x, y in points]
    written = [f"{format_mm(x)} {format_mm(y)}" for x, y in (pairs[:-1] if closed else pairs)]
    return f"M{written[0]}L{' '.join(written[1:])}" + ("Z" if closed else "")


def area_data(area: Polygon, box: Box) -> str:
    """Path data of an area: its shell, then its holes."""
    return "".join(path_data(ring.coords, box, closed=True) for ring in (area.exterior, *area.interiors))


def _slot_group(sheet: Any, part: BurnPart, style: LayerStyle, box: Box) -> Any:
    width = format_mm(part.line_width_mm)
    # Round ends are what a round beam leaves: a reader that draws the file sees what will be on the metal.
    slot = sheet.g(id=f"{style.layer}.{part.slot}", stroke_width=width, stroke_linecap="round")
    for piece in part.pieces:
        for area in piece.areas:
            # The stroke's colour names the layer to software that reads it, its width of 0 adds no ink.
            slot.add(sheet.path(area_data(area, box), fill=style.colour, fill_rule="evenodd", stroke_width=0))
        if len(piece.rows):
            slot.add(sheet.path("".join(path_data(row, box, closed=False) for row in piece.rows)))
        for line in piece.lines:
            slot.add(sheet.path(path_data(line, box, closed=is_closed(line)), stroke_linejoin="round"))
    return slot


def is_closed(line: Floats) -> bool:
    """Whether a line (n, 2) ends where it began and encloses something."""
    return len(line) > 3 and bool((line[0] == line[-1]).all())
