"""Marks of the shop's library from SVG: paths only, of limited size and depth; everything else is refused."""

from __future__ import annotations

import re

import numpy as np
import shapely
from defusedxml import DefusedXmlException
from defusedxml.ElementTree import ParseError, fromstring
from shapely.geometry import MultiPolygon, box

from layout.lettering.glyphs import CurvePen, TooComplex, limit_crossings, merged
from layout.marks.svg_paths import draw_path
from layout.shop.measure import MICROMETRE_MM, Floats
from layout.shop.outline import Outline, frozen

_SVG = "{http://www.w3.org/2000/svg}"
_LENGTH = re.compile(r"^([0-9]+(?:\.[0-9]+)?)mm$")
_NUMBER = re.compile(r"[-+]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][-+]?[0-9]+)?")
_DECLARATION = re.compile(rb"^(?:\xef\xbb\xbf)?\s*<\?xml\s[^>]*\?>")
MOST_BYTES = 256 * 1024
MOST_ELEMENTS = 500
MOST_DEPTH = 6
MOST_POINTS = 50_000
#: Library marks are flattened finer than any outline, because they are scaled afterwards.
_TOLERANCE_MM = 0.0005
#: Marks are larger than a spot and smaller than a plate.
LEAST_SIDE_MM, MOST_SIDE_MM = 0.5, 500.0
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

    The file must state width and height in mm and a viewBox that holds the whole drawing; it may hold `path`
    elements, grouped or not, and nothing else: no transforms, styles, strokes, text, links or scripts.
    Raises ArtworkRefused.
    """
    if len(svg) > MOST_BYTES:
        raise ArtworkRefused(f"larger than {MOST_BYTES} bytes")
    if b"<?" in _DECLARATION.sub(b"", svg, count=1):
        raise ArtworkRefused("a processing instruction; only paths are taken")
    try:
        root = fromstring(svg, forbid_dtd=True)
    except (ParseError, DefusedXmlException, LookupError, ValueError) as error:
        raise ArtworkRefused(f"not plain XML: {error}") from error
    if root.tag != f"{_SVG}svg":
        raise ArtworkRefused("not an SVG drawing")
    paths = _paths(root)
    if not paths:
        raise ArtworkRefused("it has no path")
    scale, (width, height), (left, top) = _frame(root)

    def upright(points: Floats) -> Floats:
        moved: Floats = (points - [left, top]) * [scale, -scale] + [0.0, height]
        return moved

    drawn = [_rings(path, scale) for path in paths]
    everything = [ring for rings in drawn for ring in rings]
    if sum(map(len, everything)) > MOST_POINTS:
        raise ArtworkRefused(f"its curves need more than {MOST_POINTS} points")
    try:
        limit_crossings(everything)
        areas = [area for rings in drawn for area in merged(rings)]
    except TooComplex as error:
        raise ArtworkRefused(f"it is too complex: {error}") from error
    region = shapely.union_all(areas) if areas else MultiPolygon()
    outline = frozen([shapely.transform(part, upright) for part in shapely.get_parts(region)])
    if outline.is_empty:
        raise ArtworkRefused("its paths enclose nothing")
    if not box(0, 0, width, height).buffer(MICROMETRE_MM).covers(outline.region):
        raise ArtworkRefused("it reaches beyond its viewBox")
    return outline


def _rings(path: str, scale: float) -> list[Floats]:
    """The closed rings of a path (n, 2) in the drawing's own units, of which `scale` gives millimetres."""
    if any(abs(float(number)) * scale > 10 * MOST_SIDE_MM for number in _NUMBER.findall(path)):
        raise ArtworkRefused("a path has a number far beyond any drawing")
    pen = CurvePen()
    try:
        draw_path(path, pen)
        return pen.curves.rings(_TOLERANCE_MM / scale, most=MOST_POINTS)
    except ValueError as error:
        raise ArtworkRefused(str(error)) from error


def _paths(root: object) -> list[str]:
    paths: list[str] = []
    waiting = [(root, 1)]
    elements = 0
    while waiting:
        element, depth = waiting.pop(0)
        elements += 1
        if elements > MOST_ELEMENTS or depth > MOST_DEPTH:
            raise ArtworkRefused(f"more than {MOST_ELEMENTS} elements or {MOST_DEPTH} levels")
        tag = str(element.tag).removeprefix(_SVG)  # type: ignore[attr-defined]
        if depth > 1 and tag == "svg":
            raise ArtworkRefused("an <svg> inside another, which may have another coordinate system")
        if tag not in _ALLOWED:
            raise ArtworkRefused(f"a <{tag}> element; only paths are taken")
        for attribute in element.attrib:  # type: ignore[attr-defined]
            if attribute not in _ALLOWED[tag]:
                raise ArtworkRefused(f"the attribute {attribute!r} on <{tag}>")
        if element.attrib.get("fill-rule", "nonzero") != "nonzero":  # type: ignore[attr-defined]
            raise ArtworkRefused("another fill rule than nonzero")
        inside = "" if tag in ("title", "desc") else element.text  # type: ignore[attr-defined]
        if (inside or "").strip() or (element.tail or "").strip():  # type: ignore[attr-defined]
            raise ArtworkRefused(f"words in or after <{tag}>; only paths are taken")
        if tag == "path":
            paths.append(element.attrib.get("d", ""))  # type: ignore[attr-defined]
        waiting += [(child, depth + 1) for child in element]  # type: ignore[attr-defined]
    return paths


def _frame(root: object) -> tuple[float, tuple[float, float], tuple[float, float]]:
    """Millimetres per unit, width and height in mm, and the view box's corner."""
    attributes = root.attrib  # type: ignore[attr-defined]
    sizes = [_LENGTH.match(attributes.get(name, "")) for name in ("width", "height")]
    view = attributes.get("viewBox", "").replace(",", " ").split()
    if None in sizes or len(view) != 4:
        raise ArtworkRefused("width and height in mm and a viewBox are needed")
    width, height = (float(size.group(1)) for size in sizes if size)
    try:
        left, top, across, down = map(float, view)
    except ValueError as error:
        raise ArtworkRefused("the viewBox has something that is no number") from error
    if not (across > 0 and down > 0 and np.isfinite([left, top, across, down]).all()):
        raise ArtworkRefused("the viewBox has no size")
    if abs(width / across - height / down) > 1e-6 * width / across:
        raise ArtworkRefused("the viewBox has another shape than width and height")
    if not all(LEAST_SIDE_MM <= side <= MOST_SIDE_MM for side in (width, height)):
        raise ArtworkRefused(f"its sides are not between {LEAST_SIDE_MM:g} and {MOST_SIDE_MM:g} mm")
    return width / across, (width, height), (left, top)
