"""A drawing's file as strokes in millimetres, whichever of the formats it is in."""

from __future__ import annotations

from layout.drawing.strokes import Drawing, DrawingRefused
from service.drawings.dxf import read_dxf
from service.drawings.svg import read_svg
from service.drawings.units import CSS_DPI, Unit

#: A drawing of a blade has kilobytes; a whole machine's plan is not what is wanted.
MOST_BYTES = 30_000_000


def read_drawing(data: bytes, *, unit: Unit | None = None, dpi: float = CSS_DPI) -> Drawing:
    """The strokes of a DXF or SVG file. `unit` is what its numbers are in, over what the file says; `dpi`
    counts for px alone. Raises DrawingRefused (UnitNeeded where the file states no unit and none is
    given)."""
    if len(data) > MOST_BYTES:
        raise DrawingRefused(f"the file is larger than {MOST_BYTES // 1_000_000} MB")
    drawing = read_svg(data, unit=unit, dpi=dpi) if _is_xml(data) else read_dxf(data, unit=unit, dpi=dpi)
    if not drawing.strokes:
        left_out = f" ({'; '.join(drawing.notes)})" if drawing.notes else ""
        raise DrawingRefused(f"there is no line in the drawing{left_out}")
    return drawing


def _is_xml(data: bytes) -> bool:
    head = data[:4096].removeprefix(b"\xef\xbb\xbf").lstrip()
    return head.startswith((b"<", b"\xff\xfe<", b"\xfe\xff"))
