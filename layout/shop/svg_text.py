"""Shapes as SVG path text and sheets in millimetres: shared by burn files and pictures."""

from collections.abc import Sequence
from itertools import pairwise
from typing import Any, TypeVar
from xml.etree import ElementTree

import numpy as np
import shapely

from layout.shop.measure import Floats, format_each_mm, format_mm

Box = tuple[float, float, float, float]
Length = TypeVar("Length", float, Floats)


def sheet_of(box: Box) -> Any:
    """An empty drawing as large as the box (x0, y0, x1, y1, mm)."""
    import svgwrite  # here: every start would wait for it, and few processes draw

    width, height = format_mm(box[2] - box[0]), format_mm(box[3] - box[1])
    return svgwrite.Drawing(
        size=(f"{width}mm", f"{height}mm"), viewBox=f"0 0 {width} {height}", debug=False, profile="full"
    )


def text_of(sheet: Any) -> str:
    """The drawing as text, with its declaration and a last line end."""
    # Not by `tostring`, which writes bytes piece by piece, and decodes them.
    written = ElementTree.tostring(sheet.get_xml(), encoding="unicode")
    return f'<?xml version="1.0" encoding="utf-8"?>\n{written}\n'


def bytes_of(sheet: Any) -> bytes:
    """The same as UTF-8."""
    return text_of(sheet).encode()


def flip(x_mm: Length, y_mm: Length, box: Box) -> tuple[Length, Length]:
    """A point, or many (arrays), y up, in the coordinates of a sheet whose y runs down from the box's top."""
    return x_mm - box[0], box[3] - y_mm


def path_data(points: Any, box: Box, *, closed: bool) -> str:
    """Path data of one polyline (n, 2); a closed one's last point repeats its first and is left out."""
    pairs = np.asarray(points, dtype=np.float64)[: -1 if closed else None]
    x, y = flip(pairs[:, 0], pairs[:, 1], box)
    return _line(format_each_mm(np.stack((x, y), axis=1))) + ("Z" if closed else "")


def rows_data(rows: Floats, box: Box) -> str:
    """Path data of straight lines (n, 2, 2), each from its first point to its second."""
    x, y = flip(rows[..., 0], rows[..., 1], box)
    numbers = iter(format_each_mm(np.stack((x, y), axis=-1)))
    return "".join(f"M{a} {b}L{c} {d}" for a, b, c, d in zip(*[numbers] * 4, strict=True))


def area_data(areas: Any, box: Box) -> str:
    """Path data of an area, or of some of them one after the other: each one's shell, then its holes."""
    points, ring = shapely.get_coordinates(shapely.get_rings(areas), return_index=True)
    if not len(points):
        return ""
    x, y = flip(points[:, 0], points[:, 1], box)
    # All numbers are written at once, then parted into rings, of which the last point repeats the first.
    words = format_each_mm(np.stack((x, y), axis=1))
    ends = (2 * np.flatnonzero(np.diff(ring, append=-1)) + 2).tolist()
    return "".join(_line(words[start : end - 2]) + "Z" for start, end in pairwise([0, *ends]))


def _line(words: Sequence[str]) -> str:
    """Path data of the points whose coordinates these are, written out one after the other."""
    return f"M{words[0]} {words[1]}L{' '.join(words[2:])}"


def is_closed(line: Floats) -> bool:
    """Whether a line (n, 2) ends where it began and encloses something."""
    return len(line) > 3 and bool((line[0] == line[-1]).all())
