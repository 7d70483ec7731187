"""A drawing's file as strokes in millimetres, whichever of the formats it is in."""

from __future__ import annotations

import numpy as np

from layout.drawing.strokes import Drawing, DrawingRefused
from service.drawings.svg import read_svg
from service.drawings.units import CSS_DPI, Unit

#: A drawing of a blade has kilobytes; a whole machine's plan is not what is wanted.
MOST_BYTES = 30_000_000
#: Beyond this the numbers of a drawing are no place on a blade.
FARTHEST_MM = 100_000.0
#: What else is handed over as a drawing, by how its files begin.
_OTHERS = {
    b"%PDF": "a PDF",
    b"AC10": "a DWG file",
    b"%!PS": "a PostScript file",
    b"\x1f\x8b": "compressed",
    b"PK\x03\x04": "a ZIP archive",
    b"\x89PNG": "a picture of dots",
    b"\xff\xd8": "a picture of dots",
}


def read_drawing(data: bytes, *, unit: Unit | None = None, dpi: float = CSS_DPI) -> Drawing:
    """The strokes of a DXF or SVG file. `unit` is what its numbers are in, over what the file says; `dpi`
    counts for px alone. Raises DrawingRefused (UnitNeeded where the file states no unit and none is
    given)."""
    if len(data) > MOST_BYTES:
        raise DrawingRefused(f"the file is larger than {MOST_BYTES // 1_000_000} MB")
    for begin, what in _OTHERS.items():
        if data.startswith(begin):
            raise DrawingRefused(f"the file is {what}: save the drawing as DXF or as plain SVG")
    if b" Binary DXF" in data[:24]:
        raise DrawingRefused("the file is a binary DXF: save the drawing as a text (ASCII) DXF")
    if _is_xml(data):
        drawing = read_svg(data, unit=unit, dpi=dpi)
    else:
        from service.drawings.dxf import read_dxf  # here: it takes memory that hardly any process needs

        drawing = read_dxf(data, unit=unit, dpi=dpi)
    if not drawing.strokes:
        left_out = f" ({'; '.join(drawing.notes)})" if drawing.notes else ""
        raise DrawingRefused(f"there is no line in the drawing{left_out}")
    if not all(
        np.all(np.abs(stroke.points) < FARTHEST_MM) for stroke in drawing.strokes
    ):  # nor are they no numbers
        raise DrawingRefused(
            f"it has points farther than {FARTHEST_MM / 1000:g} m from its origin: is the unit right?"
        )
    return drawing


def _is_xml(data: bytes) -> bool:
    head = data[:4096].removeprefix(b"\xef\xbb\xbf").lstrip()
    return head.startswith((b"<", b"\xff\xfe<", b"\xfe\xff"))
