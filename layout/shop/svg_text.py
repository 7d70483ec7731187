"""Shapes as SVG path text and sheets in millimetres: shared by burn files and pictures."""

from collections.abc import Iterable
from typing import Any

from shapely.geometry import Polygon

from layout.shop.measure import Floats, format_mm

Box = tuple[float, float, float, float]


def sheet_of(box: Box) -> Any:
    """An empty drawing as large as the box (x0, y0, x1, y1, mm)."""
    import svgwrite  # here: every start would wait for it, and few processes draw

    width, height = format_mm(box[2] - box[0]), format_mm(box[3] - box[1])
    return svgwrite.Drawing(
        size=(f"{width}mm", f"{height}mm"), viewBox=f"0 0 {width} {height}", debug=False, profile="full"
    )


def bytes_of(sheet: Any) -> bytes:
    """The drawing as UTF-8, with its declaration and a last line end."""
    return f'<?xml version="1.0" encoding="utf-8"?>\n{sheet.tostring()}\n'.encode()


def flip(x_mm: float, y_mm: float, box: Box) -> tuple[float, float]:
    """A point (y up) in the coordinates of a sheet whose y runs down from the top of the box."""
    return x_mm - box[0], box[3] - y_mm


def path_data(points: Iterable[Any], box: Box, *, closed: bool) -> str:
    """Path data of one polyline; a closed one's last point repeats its first and is left out."""
    pairs = [flip(float(x), float(y), box) for x, y in points]
    written = [f"{format_mm(x)} {format_mm(y)}" for x, y in (pairs[:-1] if closed else pairs)]
    return f"M{written[0]}L{' '.join(written[1:])}" + ("Z" if closed else "")


def area_data(area: Polygon, box: Box) -> str:
    """Path data of an area: its shell, then its holes."""
    return "".join(path_data(ring.coords, box, closed=True) for ring in (area.exterior, *area.interiors))


def is_closed(line: Floats) -> bool:
    """Whether a line (n, 2) ends where it began and encloses something."""
    return len(line) > 3 and bool((line[0] == line[-1]).all())
