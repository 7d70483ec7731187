"""The plain script: the same questions as a good engineer would put them in an afternoon, with public
libraries alone and no code of this project.

HarfBuzz places the letters, fontTools draws them, Shapely does the rest. For one line of words of a given
height at a given place it answers: do they lie in the region, how wide is the thinnest stroke of every letter
(the widest disc that opens it without loss, by bisection of negative buffers), how wide the narrowest counter
and the narrowest gap, and does every letter keep its parts and its counters when it is burned with a line of
that width.

What it leaves out of what the check does: the place itself and the largest size, line breaks, curves, slots
and stations, hairlines that need a centre line, what is said of each fault, suggestions, and coordinates that
are the same on every machine. It keeps nothing from one call to the next, as a script doesn't; the region is
handed to it.
"""

from __future__ import annotations

import io
from dataclasses import dataclass
from itertools import combinations
from typing import Any

import numpy as np
import shapely
import uharfbuzz as hb
from fontTools.pens.basePen import BasePen
from fontTools.ttLib import TTFont
from shapely import affinity
from shapely.geometry import MultiPolygon, Polygon

#: Chords to a curve of a letter.
_CHORDS = 8
#: Widths are found to this (mm). Opening rounds corners off: what costs more than this share of a letter's
#: area has lost a stroke.
_ACCURACY_MM, _LOSS = 0.001, 0.02


@dataclass(frozen=True)
class Answer:
    """What the script says of some words; widths in mm, None where there is no such thing."""

    lies_in_region: bool
    strokes: tuple[float, ...]
    counter: float | None
    gap: float | None
    stays_itself: bool


def plain_answer(
    font_file: bytes,
    axes: dict[str, float],
    words: str,
    *,
    height_mm: float,
    at: tuple[float, float],
    region: Polygon,
    line_mm: float,
) -> Answer:
    """One line of words, its capitals `height_mm` tall, its ink about the point `at`; `axes` are those of a
    variable font."""
    letters = _letters(font_file, axes, words, height_mm)
    x0, y0, x1, y1 = shapely.total_bounds(letters)
    letters = [affinity.translate(each, at[0] - (x0 + x1) / 2, at[1] - (y0 + y1) / 2) for each in letters]
    holes = [Polygon(ring) for letter in letters for part in letter.geoms for ring in part.interiors]
    gaps = [one.distance(other) for one, other in combinations(letters, 2)]
    return Answer(
        lies_in_region=region.contains(shapely.union_all(letters)),
        strokes=tuple(_thinnest(letter, height_mm) for letter in letters),
        counter=min((_widest_disc(hole, height_mm) for hole in holes), default=None),
        gap=min((gap for gap in gaps if gap > 0), default=None),
        stays_itself=all(_stays_itself(letter, line_mm) for letter in letters),
    )


class _Flat(BasePen):  # type: ignore[misc]  # fontTools is untyped
    """Contours as rings of points."""

    def __init__(self, glyphs: Any) -> None:
        super().__init__(glyphs)
        self.rings: list[list[tuple[float, float]]] = []

    def _moveTo(self, pt: tuple[float, float]) -> None:  # noqa: N802  fontTools calls it so
        self.rings.append([pt])

    def _lineTo(self, pt: tuple[float, float]) -> None:  # noqa: N802
        self.rings[-1].append(pt)

    def _curveToOne(self, *points: tuple[float, float]) -> None:  # noqa: N802
        p0, p1, p2, p3 = np.array([self.rings[-1][-1], *points], dtype=float)
        for t in np.arange(1, _CHORDS + 1) / _CHORDS:
            point = (1 - t) ** 3 * p0 + 3 * t * (1 - t) ** 2 * p1 + 3 * t**2 * (1 - t) * p2 + t**3 * p3
            self.rings[-1].append((float(point[0]), float(point[1])))


def _letters(font_file: bytes, axes: dict[str, float], words: str, height_mm: float) -> list[MultiPolygon]:
    """Every letter with ink, placed along a line that begins at nought."""
    table = TTFont(io.BytesIO(font_file))
    glyphs, order = table.getGlyphSet(location=axes), table.getGlyphOrder()
    capital = _drawn(glyphs, table.getBestCmap()[ord("H")]).bounds
    scale = height_mm / (capital[3] - capital[1])
    buffer = hb.Buffer()
    buffer.add_str(words)
    buffer.guess_segment_properties()
    font = hb.Font(hb.Face(font_file))  # type: ignore[attr-defined]
    font.set_variations(axes)
    hb.shape(font, buffer)  # type: ignore[attr-defined]
    letters, pen_x = [], 0.0
    for info, place in zip(buffer.glyph_infos, buffer.glyph_positions, strict=True):
        drawn = _drawn(glyphs, order[info.codepoint])
        if not drawn.is_empty:
            moved = [scale, 0.0, 0.0, scale, scale * (pen_x + place.x_offset), scale * place.y_offset]
            letters.append(affinity.affine_transform(drawn, moved))
        pen_x += place.x_advance
    return letters


def _drawn(glyphs: Any, name: str) -> MultiPolygon:
    """A glyph's areas in font units: contours that turn the outer way, less those that turn the other."""
    pen = _Flat(glyphs)
    glyphs[name].draw(pen)
    rings = [Polygon(ring).exterior for ring in pen.rings if len(ring) > 2]
    if not rings:
        return MultiPolygon()
    turns_outward = max(rings, key=lambda ring: Polygon(ring).area).is_ccw
    whole = {
        outer: shapely.union_all(
            [shapely.make_valid(Polygon(r)) for r in rings if (r.is_ccw == turns_outward) is outer]
        )
        for outer in (True, False)
    }
    region = whole[True].difference(whole[False])
    return MultiPolygon([part for part in shapely.get_parts(region) if part.geom_type == "Polygon"])


def _thinnest(letter: MultiPolygon, most: float) -> float:
    """The largest width whose disc opens the letter without loss."""

    def loses(width: float) -> bool:
        opened = letter.buffer(-width / 2).buffer(width / 2)
        return bool(letter.difference(opened).area > _LOSS * letter.area)

    low, high = 0.0, most
    while high - low > _ACCURACY_MM:
        middle = (low + high) / 2
        low, high = (low, middle) if loses(middle) else (middle, high)
    return (low + high) / 2


def _widest_disc(hole: Polygon, most: float) -> float:
    low, high = 0.0, most
    while high - low > _ACCURACY_MM:
        middle = (low + high) / 2
        low, high = (low, middle) if hole.buffer(-middle / 2).is_empty else (middle, high)
    return (low + high) / 2


def _stays_itself(letter: MultiPolygon, line_mm: float) -> bool:
    """Whether it has as many parts and counters when its edge is burned with half a line on either side."""
    burned = letter.buffer(line_mm / 2)
    parts = shapely.get_parts(burned)
    return len(parts) == len(letter.geoms) and sum(len(part.interiors) for part in parts) == sum(
        len(part.interiors) for part in letter.geoms
    )
