"""Shapes as SVG path text and sheets in millimetres: shared by burn files and pictures."""

from typing import Any, TypeVar

import numpy as np
from shapely.geometry import Polygon

from layout.shop.measure import Floats, format_all_mm, format_mm

Box = tuple[float, float, float, float]
Length = TypeVar("Length", float, Floats)


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


def flip(x_mm: Length, y_mm: Length, box: Box) -> tuple[Length, Length]:
    """A point, or many (arrays), y up, in the coordinates of a sheet whose y runs down from the box's top."""
    return x_mm - box[0], box[3] - y_mm


def path_data(points: Any, box: Box, *, closed: bool) -> str:
    """Path data of one polyline (n, 2); a closed one's last point repeats its first and is left out."""
    pairs = np.asarray(points, dtype=np.float64)[: -1 if closed else None]
    x, y = flip(pairs[:, 0], pairs[:, 1], box)
    first, second, *others = format_all_mm(np.stack((x, y), axis=1)).split(" ", 2)
    return f"M{first} {second}L{''.join(others)}" + ("Z" if closed else "")


def area_data(area: Polygon, box: Box) -> str:
    """Path data of an area: its shell, then its holes."""
    return "".join(path_data(ring.coords, box, closed=True) for ring in (area.exterior, *area.interiors))


def is_closed(line: Floats) -> bool:
    """Whether a line (n, 2) ends where it began and encloses something."""
    return len(line) > 3 and bool((line[0] == line[-1]).all())
