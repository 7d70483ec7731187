"""PDF burn files: vectors on a page as large as the station's field, in true scale."""

from __future__ import annotations

import io
from itertools import groupby
from typing import Any

import numpy as np
from reportlab.lib.colors import HexColor
from reportlab.pdfgen.canvas import FILL_EVEN_ODD, Canvas

from layout.burn.turn import Burn, BurnPart
from layout.shop.measure import Floats
from layout.shop.stations import LayerStyle, Station
from layout.shop.svg_text import is_closed

POINTS_PER_MM = 72 / 25.4
ROUND = 1


def burn_pdf(burn: Burn, station: Station) -> bytes:
    """What shall burn, as one PDF page: the page's lower left corner is that of the field, y up.

    The page is scaled to millimetres once, so that its numbers are the burn's own. A process is told by
    its colour (a page has no layers here); what belongs to a slot stands as marked content named `layer.slot`
    (ISO 32000-1, 14.6), and the burn's short code in the document's title. Same burn, same bytes.

    Raises KeyError for a process that the station has no layer for, ValueError for a coordinate that is
    not finite.
    """
    x0, y0, x1, y1 = burn.field_box_mm
    written = io.BytesIO()
    canvas = Canvas(
        written,
        pagesize=((x1 - x0) * POINTS_PER_MM, (y1 - y0) * POINTS_PER_MM),
        invariant=1,  # no date and no chance identity in the file
        pageCompression=1,
    )
    canvas.setTitle(f"burn {burn.short_code}")
    canvas.scale(POINTS_PER_MM, POINTS_PER_MM)
    canvas.setLineCap(ROUND)
    canvas.setLineJoin(ROUND)
    for _, group in groupby(burn.parts, key=lambda part: part.layer):
        parts = list(group)
        style = parts[0].style(station)
        for part in parts:
            canvas.addLiteral(f"/{_name(f'{style.layer}.{part.slot}')} BMC")
            _draw(canvas, part, style, np.array([x0, y0]))
            canvas.addLiteral("EMC")
    canvas.showPage()
    canvas.save()
    return written.getvalue()


def _name(words: str) -> str:
    """Words as a name of PDF: what is neither letter nor digit by its bytes (ISO 32000-1, 7.3.5)."""
    plain = frozenset(b"abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789.-_$")
    return "".join(chr(byte) if byte in plain else f"#{byte:02X}" for byte in words.encode())


def _draw(canvas: Any, part: BurnPart, style: LayerStyle, corner: Floats) -> None:
    canvas.setFillColor(HexColor(style.colour))
    canvas.setStrokeColor(HexColor(style.colour))
    canvas.setLineWidth(part.line_width_mm)
    for piece in part.pieces:
        for area in piece.areas:
            path = canvas.beginPath()
            for ring in (area.exterior, *area.interiors):
                _trace(path, np.asarray(ring.coords) - corner, closed=True)
            canvas.drawPath(path, stroke=0, fill=1, fillMode=FILL_EVEN_ODD)
        path = canvas.beginPath()
        for row in piece.rows:
            _trace(path, row - corner, closed=False)
        for line in piece.lines:
            _trace(path, line - corner, closed=is_closed(line))
        if len(piece.rows) or piece.lines:
            canvas.drawPath(path, stroke=1, fill=0)


def _trace(path: Any, points: Floats, *, closed: bool) -> None:
    if not np.isfinite(points).all():
        raise ValueError("not a finite coordinate")
    pairs = points.tolist()
    path.moveTo(*pairs[0])
    for x, y in pairs[1:-1] if closed else pairs[1:]:
        path.lineTo(x, y)
    if closed:
        path.close()
