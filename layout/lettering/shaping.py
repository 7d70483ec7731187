"""One line of words and a font become glyphs side by side, in capital heights, the pen starting at 0."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any, NamedTuple

import numpy as np
import shapely
import uharfbuzz as hb
from shapely.geometry import GeometryCollection

from layout.lettering.bidi import Run, visual_runs
from layout.lettering.fonts import Font, FontRefused, OutlineFont, SingleLineFont
from layout.lettering.text import graphemes
from layout.shop.measure import Floats

#: Scripts whose letters join: extra letter spacing would tear them apart (or, between letters that happen
#: not to join, leave holes in the word).
_JOINED = frozenset({"Arab", "Syrc", "Mong", "Nkoo", "Adlm", "Rohg", "Mand", "Deva", "Beng", "Guru", "Phag"})
#: Ligatures that are there for looks; letter spacing would go round them but not into them.
_NO_LIGATURES: Mapping[str, bool] = {"liga": False, "clig": False}


class Glyph(NamedTuple):  # made by the dozen for every word, several times as quickly as a dataclass
    """A glyph (for single-line fonts: a code point) with its pen origin in capital heights."""

    gid: int
    x: float
    y: float


class Piece(NamedTuple):
    """Glyphs that belong together: the grapheme range [first, last) of the line, pen position and advance."""

    first: int
    last: int
    glyphs: tuple[Glyph, ...]
    origin: float
    advance: float


def shape(
    line: str, font: Font, *, spacing: float, features: Mapping[str, bool], paragraph: str, at: int
) -> list[Piece]:
    """The line, which is `paragraph[at:at + len(line)]`, set from left to right as seen.

    `spacing` is added between neighbours in capital heights, but not where letters join.
    Raises FontRefused when the shaper gives up.
    """
    if isinstance(font, SingleLineFont):
        pieces = _characters(line, font)
        joined = [False] * len(pieces)
    else:
        assert isinstance(font, OutlineFont)
        pieces, joined = [], []
        wanted = {**_NO_LIGATURES, **features} if spacing else dict(features)
        at_grapheme = _grapheme_at(line)
        for run in visual_runs(line, paragraph=paragraph, at=at):
            run_pieces = _shaped(line, run, font, wanted, at_grapheme)
            pieces += run_pieces
            joined += [run.script in _JOINED] * len(run_pieces)
    return _spaced(_in_a_row(pieces), joined, font, spacing) if spacing else _in_a_row(pieces)


def _characters(line: str, font: SingleLineFont) -> list[Piece]:
    pieces = []
    blank = font.advances.get(" ", 0.0)
    for index, char in enumerate(graphemes(line)):
        advance = font.advances.get(char, blank) / font.capital_height
        glyphs = (Glyph(ord(char), 0.0, 0.0),) if font.strokes.get(char) else ()
        pieces.append(Piece(index, index + 1, glyphs, 0.0, advance))
    return pieces


def _shaped(
    line: str, run: Run, font: OutlineFont, features: Mapping[str, bool], at_grapheme: Sequence[int]
) -> list[Piece]:
    buffer = hb.Buffer()
    buffer.add_str(line, run.start, run.end - run.start)
    buffer.direction = "rtl" if run.rtl else "ltr"
    buffer.script = run.script
    buffer.language = "en" if run.script == "Latn" else "und"
    try:
        hb.shape(font.hb_font, buffer, features)
    except MemoryError as error:
        raise FontRefused(f"{font.spec.font}: the shaper gave up on these words") from error
    unit = 1.0 / font.capital_height
    read = [
        (info.cluster, info.codepoint, p.x_offset * unit, p.y_offset * unit, p.x_advance * unit)
        for info, p in zip(buffer.glyph_infos, buffer.glyph_positions, strict=True)
    ]
    starts = sorted({glyph[0] for glyph in read})
    ends = dict(zip(starts, [*starts[1:], run.end], strict=True))
    pieces: list[Piece] = []
    glyphs: list[Glyph] = []
    pen = 0.0
    for number, (cluster, gid, dx, dy, advance) in enumerate(read):
        glyphs.append(Glyph(gid, pen + dx, dy))
        pen += advance
        if number + 1 == len(read) or read[number + 1][0] != cluster:
            first, last = at_grapheme[cluster], at_grapheme[ends[cluster] - 1] + 1
            pieces.append(Piece(first, last, tuple(glyphs), 0.0, pen))
            glyphs, pen = [], 0.0
    return _whole_graphemes(pieces) if len(pieces) > 1 else pieces


def _whole_graphemes(pieces: list[Piece]) -> list[Piece]:
    """Neighbours that share a grapheme become one: HarfBuzz's clusters may be smaller than a reader's."""
    kept = [pieces[0]]
    for piece in pieces[1:]:
        before = kept[-1]
        if piece.first < before.last and before.first < piece.last:
            moved = tuple(Glyph(g.gid, g.x + before.advance, g.y) for g in piece.glyphs)
            kept[-1] = Piece(
                min(before.first, piece.first),
                max(before.last, piece.last),
                before.glyphs + moved,
                0.0,
                before.advance + piece.advance,
            )
        else:
            kept.append(piece)
    return kept


def _grapheme_at(line: str) -> Sequence[int]:
    """For every code point of the line the number of the grapheme that it belongs to."""
    if line.isascii():
        return range(len(line))
    return [number for number, cluster in enumerate(graphemes(line)) for _ in cluster]


def _in_a_row(pieces: Iterable[Piece]) -> list[Piece]:
    """The same pieces, each at the pen position at which the one before it ended."""
    pen = 0.0
    placed = []
    for piece in pieces:
        placed.append(_moved(piece, pen))
        pen += piece.advance
    return placed


def _moved(piece: Piece, by: float) -> Piece:
    glyphs = tuple([Glyph(g.gid, g.x + by, g.y) for g in piece.glyphs])
    return Piece(piece.first, piece.last, glyphs, piece.origin + by, piece.advance)


def _spaced(pieces: list[Piece], joined: list[bool], font: Font, spacing: float) -> list[Piece]:
    """Add the spacing between neighbours, unless both are of a joined script or their ink touches as it is
    (a script font's connected letters, a swash over its neighbour)."""
    shift = 0.0
    placed = pieces[:1]
    for number in range(1, len(pieces)):
        before, piece = pieces[number - 1], pieces[number]
        tied = (joined[number - 1] and joined[number]) or _touch(font, before, piece)
        shift += 0.0 if tied else spacing
        placed.append(_moved(piece, shift))
    return placed


def _touch(font: Font, one: Piece, other: Piece) -> bool:
    return bool(shapely.dwithin(*inks_of(font, [one.glyphs, other.glyphs], np.zeros(2)), _TOUCHING))


#: Capital heights: ends of lines that meet do so only to rounding.
_TOUCHING = 1e-6
#: Capital height (mm) at whose fineness neighbours are compared.
_COMPARED_AT_MM = 8.0


def inks_of(font: Font, placed: Sequence[Sequence[Glyph]], middles: Floats) -> Any:
    """The areas and strokes of several lots of glyphs in capital heights, each lot's as one geometry (n,) and
    with its own middle (n,) on the baseline at nought."""
    spots = [(lot, glyph) for lot, glyphs in enumerate(placed) for glyph in glyphs]
    drawn = font.shapes_each([glyph.gid for _, glyph in spots], _COMPARED_AT_MM)
    areas = [(*spot, shape.area) for spot, own in zip(spots, drawn, strict=True) for shape in own]
    strokes = [(*spot, stroke) for spot in spots for stroke in font.strokes_of(spot[1].gid)]
    parts = [*areas, *strokes]
    inks = np.full(len(placed), GeometryCollection(), dtype=object)
    if not parts:
        return inks
    pieces = np.array([piece for _, _, piece in parts], dtype=object)
    counts = shapely.get_num_coordinates(pieces)
    whose = np.array([lot for lot, _, _ in parts])
    unit = np.repeat([*(1.0 for _ in areas), *(1.0 / font.capital_height for _ in strokes)], counts)
    at = np.repeat(np.array([(glyph.x, glyph.y) for _, glyph, _ in parts]), counts, axis=0)
    back = np.repeat(middles[whose], counts)

    def move(points: Floats) -> Floats:
        points = points * unit[:, None] + at
        points[:, 0] -= back
        return points

    moved, order = shapely.transform(pieces, move), np.argsort(whose, kind="stable")
    inked, numbers = np.unique(whose[order], return_inverse=True)
    inks[inked] = shapely.geometrycollections(moved[order], indices=numbers)
    return inks
