"""Marks of the shop's library from SVG: paths only, of limited size and depth; everything else is refused."""

from __future__ import annotations

import re

import shapely
from defusedxml import DefusedXmlException
from defusedxml.ElementTree import ParseError, fromstring
from fontTools.svgLib.path import parse_path
from shapely.geometry import MultiPolygon, Polygon

from layout.glyphs import RingPen, TooComplex, merged
from layout.measure import Floats
from layout.outline import Outline, frozen

_SVG = "{http://www.w3.org/2000/svg}"
_LENGTH = re.compile(r"^([0-9]+(?:\.[0-9]+)?)mm$")
MOST_BYTES = 256 * 1024
MOST_ELEMENTS = 500
MOST_DEPTH = 6
#: Library marks are flattened finer than any outline, because they are scaled afterwards.
_TOLERANCE_MM = 0.0005
_ALLOWED = {
    "svg": {"width", "height", "viewBox", "version"},
    "g": {"id"},
    "path": {"d", "id", "fill-rule"},
    "title": set(),
    "desc": set(),
}


class ArtworkRefused(ValueError):
    """The drawing has something that a mark can't have; the message says what."""


def read_artwork(svg: bytes) -> Outline:
    """The filled region (non-zero rule, overlaps merged) of an SVG's paths in mm, y up, origin at lower left.

    The file must state width and height in mm and a viewBox; it may hold `path` elements, grouped or not, and
    nothing else: no transforms, styles, text, links or scripts. Raises ArtworkRefused.
    """
    if len(svg) > MOST_BYTES:
        raise ArtworkRefused(f"larger than {MOST_BYTES} bytes")
    try:
        root = fromstring(svg, forbid_dtd=True)
    except (ParseError, DefusedXmlException) as error:
        raise ArtworkRefused(f"not plain XML: {error}") from error
    if root.tag != f"{_SVG}svg":
        raise ArtworkRefused("not an SVG drawing")
    paths = _paths(root)
    if not paths:
        raise ArtworkRefused("it has no path")
    scale, height, (left, top) = _frame(root)

    def upright(points: Floats) -> Floats:
        moved: Floats = (points - [left, top]) * [scale, -scale] + [0.0, height]
        return moved

    areas: list[Polygon] = []
    for path in paths:
        pen = RingPen(_TOLERANCE_MM / scale)
        try:
            parse_path(path, pen)
        except (ValueError, IndexError, AssertionError, TooComplex, NotImplementedError) as error:
            raise ArtworkRefused(f"a path can't be read: {error}") from error
        areas += merged(pen.rings)
    region = shapely.union_all(areas) if areas else MultiPolygon()
    if region.is_empty:
        raise ArtworkRefused("its paths enclose nothing")
    return frozen([shapely.transform(part, upright) for part in shapely.get_parts(region)])


def _paths(root: object) -> list[str]:
    paths: list[str] = []
    waiting = [(root, 1)]
    seen = 0
    while waiting:
        element, depth = waiting.pop(0)
        seen += 1
        if seen > MOST_ELEMENTS or depth > MOST_DEPTH:
            raise ArtworkRefused(f"more than {MOST_ELEMENTS} elements or {MOST_DEPTH} levels")
        tag = str(element.tag).removeprefix(_SVG)  # type: ignore[attr-defined]
        if tag not in _ALLOWED:
            raise ArtworkRefused(f"a <{tag}> element; only paths are taken")
        for attribute in element.attrib:  # type: ignore[attr-defined]
            if attribute not in _ALLOWED[tag]:
                raise ArtworkRefused(f"the attribute {attribute!r} on <{tag}>")
        if tag == "path":
            paths.append(element.attrib.get("d", ""))  # type: ignore[attr-defined]
        waiting += [(child, depth + 1) for child in element]  # type: ignore[attr-defined]
    return paths


def _frame(root: object) -> tuple[float, float, tuple[float, float]]:
    """Millimetres per unit, height in mm, and the view box's corner."""
    attributes = root.attrib  # type: ignore[attr-defined]
    sizes = [_LENGTH.match(attributes.get(name, "")) for name in ("width", "height")]
    box = attributes.get("viewBox", "").replace(",", " ").split()
    if None in sizes or len(box) != 4:
        raise ArtworkRefused("width and height in mm and a viewBox are needed")
    width, height = (float(size.group(1)) for size in sizes if size)
    try:
        left, top, across, down = map(float, box)
    except ValueError as error:
        raise ArtworkRefused("the viewBox has something that is no number") from error
    if across <= 0 or down <= 0 or abs(width / across - height / down) > 1e-6 * width / across:
        raise ArtworkRefused("the viewBox has another shape than width and height")
    return width / across, height, (left, top)
