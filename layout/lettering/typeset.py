"""Typesetting: words and a font become placed glyphs in capital heights, then a frozen outline in mm.

Composition frame: the capital height is 1, x runs along the baseline, y up, the first baseline lies at
y = 0, and x = 0 is the aligned edge of the block's ink (left edge, middle, or right edge).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import NamedTuple

import numpy as np

from layout.lettering.fonts import Font
from layout.lettering.hulls import hull_of
from layout.lettering.ink import Spot, inked
from layout.lettering.shaping import Glyph, Piece, shape
from layout.lettering.text import LINE_FEED, graphemes
from layout.shop.affine import Affine
from layout.shop.inscriptions import Align
from layout.shop.measure import Floats
from layout.shop.outline import Outline

NO_FEATURES: Mapping[str, bool] = MappingProxyType({})


class Cluster(NamedTuple):
    """Glyphs that belong together, for the grapheme range `span` of the whole text."""

    span: tuple[int, int]
    line: int
    glyphs: tuple[Glyph, ...]
    origin: float  # pen position at which it begins, in the composition frame
    advance: float


@dataclass(frozen=True, slots=True)
class Composition:
    """A block of text at capital height 1. `hull` is the (n, 2) convex hull of its ink, counter-clockwise;
    empty (0, 2) where there is no ink. `clusters` stand line by line, from left to right as seen."""

    font: Font
    text: str
    lines: tuple[str, ...]
    clusters: tuple[Cluster, ...]
    hull: Floats

    @property
    def bounds(self) -> tuple[float, float, float, float]:
        """x0, y0, x1, y1 of the ink in capital heights. Raises ValueError without ink."""
        if len(self.hull) == 0:
            raise ValueError("no ink, no bounds")
        (x0, y0), (x1, y1) = self.hull.min(axis=0), self.hull.max(axis=0)
        return float(x0), float(y0), float(x1), float(y1)


def compose(
    lines: Sequence[str],
    font: Font,
    *,
    align: Align = "centre",
    leading: float = 1.6,
    letter_spacing: float = 0.0,
    features: Mapping[str, bool] = NO_FEATURES,
    text: str | None = None,
) -> Composition:
    """Typeset NFC lines. `text` is the whole text they were broken from (for spans, and for the reading
    direction of a line that begins in the middle of a paragraph); None: the lines joined.

    `align` is what stands at x = 0: the left edge of the ink (start), its middle, its right edge (end),
    whatever the reading direction. Raises FontRefused when the font makes the shaper give up, ValueError
    when the lines are not those of the text.
    """
    whole = LINE_FEED.join(lines) if text is None else text
    clusters: list[Cluster] = []
    points: list[Floats] = []
    for number, (line, start) in enumerate(zip(lines, _starts(lines, whole), strict=True)):
        begun = whole.rfind(LINE_FEED, 0, start) + 1
        paragraph = whole[begun:].partition(LINE_FEED)[0]
        pieces = shape(
            line, font, spacing=letter_spacing, features=features, paragraph=paragraph, at=start - begun
        )
        ink = _ink(pieces, font)
        move = np.array([_shift(ink, align), 0.0 - number * leading])
        points.append(ink + move)
        clusters += _clusters(pieces, number, len(graphemes(whole[:start])), move)
    return Composition(font, whole, tuple(lines), tuple(clusters), hull_of(np.concatenate(points or [_NONE])))


def draw(
    composition: Composition, *, height_mm: float, x_mm: float, y_mm: float, turn_deg: float = 0.0
) -> Outline:
    """The frozen outline of a composition at a capital height, its origin at (x, y), turned about it."""
    turned = Affine.turned(turn_deg)
    spots = [
        Spot(glyph.gid, x_mm + height_mm * x, y_mm + height_mm * y, turned.a, turned.c)
        for cluster in composition.clusters
        for glyph in cluster.glyphs
        for x, y in [turned.point((glyph.x, glyph.y))]
    ]
    return inked(composition.font, spots, height_mm=height_mm)


_NONE: Floats = np.empty((0, 2))


def _starts(lines: Sequence[str], whole: str) -> list[int]:
    """Offset of each line's first code point in the whole text."""
    starts, at = [], 0
    for line in lines:
        start = whole.find(line, at)
        if start < 0:
            raise ValueError("the lines are not those of the text")
        starts.append(start)
        at = start + len(line)
    return starts


def _clusters(pieces: Sequence[Piece], line: int, first: int, move: Floats) -> list[Cluster]:
    dx, dy = float(move[0]), float(move[1])
    return [
        Cluster(
            (piece.first + first, piece.last + first),
            line,
            tuple([Glyph(glyph.gid, glyph.x + dx, glyph.y + dy) for glyph in piece.glyphs]),
            piece.origin + dx,
            piece.advance,
        )
        for piece in pieces
    ]


def _ink(pieces: Sequence[Piece], font: Font) -> Floats:
    """Points (n, 2) whose convex hull is that of the ink, in capital heights."""
    glyphs = [glyph for piece in pieces for glyph in piece.glyphs]
    hulls = font.hulls([glyph.gid for glyph in glyphs])
    if not hulls:
        return _NONE
    at = np.array([(glyph.x, glyph.y) for glyph in glyphs])
    return np.asarray(np.concatenate(hulls) + np.repeat(at, [len(hull) for hull in hulls], axis=0))


def _shift(ink: Floats, align: Align) -> float:
    if len(ink) == 0:
        return 0.0
    left, right = float(ink[:, 0].min()), float(ink[:, 0].max())
    return {"start": -left, "centre": -(left + right) / 2, "end": -right}[align]


__all__ = [
    "NO_FEATURES",
    "Cluster",
    "Composition",
    "Glyph",
    "compose",
    "draw",
]
