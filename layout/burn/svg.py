"""SVG burn files, in millimetres. The one y flip of the whole program is here."""

from __future__ import annotations

from itertools import groupby
from typing import Any

from layout.burn.turn import Burn, BurnPart
from layout.shop.measure import format_mm
from layout.shop.stations import LayerStyle, Station
from layout.shop.svg_text import Box, area_data, bytes_of, is_closed, path_data, rows_data, sheet_of


def burn_svg(burn: Burn, station: Station) -> bytes:
    """What shall burn, as an SVG of the station's field: one user unit is one millimetre.

    One group per process named and coloured as the station's profile says; in it one group per slot
    (`layer.slot`); in that one path per letter's areas or rows and one per line. Repeats are not drawn:
    the layer's recipe carries them. The title is the burn's short code. Same burn, same bytes.

    Raises KeyError for a process that the station has no layer for, ValueError for a coordinate that
    is not finite.
    """
    sheet = sheet_of(burn.field_box_mm)
    sheet.set_desc(title=burn.short_code)
    for _, group in groupby(burn.parts, key=lambda part: part.layer):
        parts = list(group)
        style = parts[0].style(station)
        layer = sheet.g(id=style.layer, fill="none", stroke=style.colour)
        for part in parts:
            layer.add(_slot_group(sheet, part, style, burn.field_box_mm))
        sheet.add(layer)
    return bytes_of(sheet)


def _slot_group(sheet: Any, part: BurnPart, style: LayerStyle, box: Box) -> Any:
    width = format_mm(part.line_width_mm)
    # Round ends are what a round beam leaves: a reader that draws the file sees what will be on the metal.
    slot = sheet.g(id=f"{style.layer}.{part.slot}", stroke_width=width, stroke_linecap="round")
    for piece in part.pieces:
        for area in piece.areas:
            # The stroke's colour names the layer to software that reads it, its width of 0 adds no ink.
            slot.add(sheet.path(area_data(area, box), fill=style.colour, fill_rule="evenodd", stroke_width=0))
        if len(piece.rows):
            slot.add(sheet.path(rows_data(piece.rows, box)))
        for line in piece.lines:
            slot.add(sheet.path(path_data(line, box, closed=is_closed(line)), stroke_linejoin="round"))
    return slot
