"""Typesetting: words and a font become placed glyphs in capital heights, then a frozen outline in mm.

Composition frame: the capital height is 1, x runs along the baseline, y up, the first baseline lies at
y = 0, and x = 0 is the aligned edge of the block's ink (left edge, middle, or right edge).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType

import numpy as np
import shapely
import uharfbuzz as hb
from shapely import STRtree
from shapely.geometry import LineString, Polygon
from shapely.geometry.polygon import orient

from layout.bidi import visual_runs
from layout.fonts import Font, FontRefused, OutlineFont, SingleLineFont
from layout.glyphs import joined
from layout.measure import Floats
from layout.outline import Outline, frozen
from layout.parts import Align
from layout.text import graphemes

NO_FEATURES: Mapping[str, bool] = MappingProxyType({})
#: Scripts whose letters join: extra letter spacing would tear them apart.
_JOINED = frozenset({"Arab", "Syrc", "Mong", "Nkoo", "Deva", "Beng", "Guru"})


@dataclass(frozen=True, slots=True)
class Glyph:
    """A glyph (or, for single-line fonts, a character's number) with its pen origin in capital heights."""

    gid: int
    x: float
    y: float


@dataclass(frozen=True, slots=True)
class Cluster:
    """Glyphs that belong together, for the grapheme range `span` of the whole text."""

    span: tuple[int, int]
    line: int
    glyphs: tuple[Glyph, ...]
    origin: float  # pen position at which it begins, in the composition frame
    advance: float


@dataclass(frozen=True, slots=True)
class Composition:
    """A block of text at capital height 1. `hull` is the (n, 2) convex hull of its ink, counter-clockwise;
    empty (0, 2) where there is no ink."""

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
    """Typeset NFC lines. `text` is the whole text they were broken from (for spans); None: the lines joined.

    Raises FontRefused when the font makes the shaper give up.
    """
    whole = "\n".join(lines) if text is None else text
    set_lines: list[tuple[Cluster, ...]] = []
    for number, (line, first) in enumerate(zip(lines, _starts(lines, whole), strict=True)):
        clusters = _set_line(line, font, letter_spacing, features)
        set_lines.append(
            tuple(replace(c, span=(c.span[0] + first, c.span[1] + first), line=number) for c in clusters)
        )
    placed = _aligned(set_lines, font, align, leading)
    return Composition(font, whole, tuple(lines), placed, _hull(placed, font))


def draw(
    composition: Composition, *, height_mm: float, x_mm: float, y_mm: float, turn_deg: float = 0.0
) -> Outline:
    """The frozen outline of a composition at a capital height, its origin at (x, y), turned about it."""
    spin = math.radians(turn_deg)
    cos, sin = math.cos(spin), math.sin(spin)
    font = composition.font
    scale = height_mm / font.capital_height

    def to_mm(points: Floats, glyph: Glyph) -> Floats:
        local = points * scale + np.array([glyph.x, glyph.y]) * height_mm
        turned = np.column_stack(
            [local[:, 0] * cos - local[:, 1] * sin, local[:, 0] * sin + local[:, 1] * cos]
        )
        return np.asarray(turned + np.array([x_mm, y_mm]))

    areas: list[Polygon] = []
    strokes: list[LineString] = []
    for cluster in composition.clusters:
        for glyph in cluster.glyphs:
            for area in glyph_areas(font, glyph.gid, height_mm):
                areas.append(shapely.transform(area, lambda points, g=glyph: to_mm(points, g)))
            for stroke in glyph_strokes(font, glyph.gid):
                strokes.append(shapely.transform(stroke, lambda points, g=glyph: to_mm(points, g)))
    return frozen(union_touching(areas), joined([np.array(s.coords) for s in strokes]))


def glyph_areas(font: Font, gid: int, height_mm: float) -> tuple[Polygon, ...]:
    """Filled region of a glyph in font units (none for single-line fonts)."""
    return font.areas(gid, height_mm) if isinstance(font, OutlineFont) else ()


def glyph_strokes(font: Font, gid: int) -> tuple[LineString, ...]:
    """Open strokes of a single-line font's character in font units (none for outline fonts)."""
    return font.strokes.get(chr(gid), ()) if isinstance(font, SingleLineFont) else ()


def union_touching(areas: Sequence[Polygon]) -> tuple[Polygon, ...]:
    """Merge only the areas that meet; all others are passed on untouched, in order of first appearance."""
    if len(areas) < 2:
        return tuple(areas)
    pairs = STRtree(areas).query(areas, predicate="intersects")
    leader = list(range(len(areas)))

    def lead(i: int) -> int:
        while leader[i] != i:
            i = leader[i]
        return i

    for a, b in zip(*pairs, strict=True):
        low, high = sorted((lead(int(a)), lead(int(b))))
        leader[high] = low
    groups: dict[int, list[Polygon]] = {}
    for index, area in enumerate(areas):
        groups.setdefault(lead(index), []).append(area)
    merged: list[Polygon] = []
    for _, group in sorted(groups.items()):
        if len(group) == 1:
            merged += group
        else:
            parts = shapely.get_parts(shapely.union_all(np.array(group, dtype=object)))
            merged += sorted((orient(p) for p in parts), key=lambda p: p.bounds)
    return tuple(merged)


def _starts(lines: Sequence[str], whole: str) -> list[int]:
    """Index of each line's first grapheme in the whole text."""
    starts, at = [], 0
    for line in lines:
        found = whole.find(line, at)
        if found < 0:
            raise ValueError("the lines are not those of the text")
        starts.append(len(graphemes(whole[:found])))
        at = found + len(line)
    return starts


def _set_line(line: str, font: Font, spacing: float, features: Mapping[str, bool]) -> tuple[Cluster, ...]:
    if isinstance(font, SingleLineFont):
        return _set_single_line(line, font, spacing)
    assert isinstance(font, OutlineFont)
    return _shape_line(line, font, spacing, features)


def _set_single_line(line: str, font: SingleLineFont, spacing: float) -> tuple[Cluster, ...]:
    pen, clusters = 0.0, []
    for index, char in enumerate(graphemes(line)):
        advance = font.advances.get(char, font.advances.get(" ", 0.0)) / font.capital_height
        glyphs = (Glyph(ord(char), pen, 0.0),) if char in font.strokes and len(char) == 1 else ()
        clusters.append(Cluster((index, index + 1), 0, glyphs, pen, advance))
        pen += advance + spacing
    return tuple(clusters)


def _shape_line(
    line: str, font: OutlineFont, spacing: float, features: Mapping[str, bool]
) -> tuple[Cluster, ...]:
    grapheme_at = _grapheme_index(line)
    unit = 1.0 / font.capital_height
    pen, clusters = 0.0, []
    for run in visual_runs(line):
        buffer = hb.Buffer()
        buffer.add_str(line, run.start, run.end - run.start)
        buffer.direction = "rtl" if run.rtl else "ltr"
        buffer.script = run.script
        buffer.language = "en" if run.script == "Latn" else "und"
        try:
            hb.shape(font.hb_font, buffer, dict(features))
        except MemoryError as error:
            raise FontRefused(f"{font.spec.font}: the shaper gave up on these words") from error
        gap = 0.0 if run.script in _JOINED else spacing
        for first, last, cluster_end in _cluster_ranges(buffer.glyph_infos, run.end, rtl=run.rtl):
            glyphs, begun = [], pen
            for info, position in zip(
                buffer.glyph_infos[first:last], buffer.glyph_positions[first:last], strict=True
            ):
                glyphs.append(Glyph(info.codepoint, pen + position.x_offset * unit, position.y_offset * unit))
                pen += position.x_advance * unit
            start = grapheme_at[buffer.glyph_infos[first].cluster]
            end = grapheme_at[cluster_end - 1] + 1
            clusters.append(Cluster((start, end), 0, tuple(glyphs), begun, pen - begun))
            pen += gap
    return tuple(clusters)


def _cluster_ranges(infos: Sequence[hb.GlyphInfo], run_end: int, *, rtl: bool) -> list[tuple[int, int, int]]:
    """(first glyph, last glyph + 1, end of the cluster in code points) for each cluster, left to right."""
    firsts = [i for i, info in enumerate(infos) if i == 0 or info.cluster != infos[i - 1].cluster]
    values = sorted({info.cluster for info in infos})
    after = dict(zip(values, [*values[1:], run_end], strict=True))
    lasts = [*firsts[1:], len(infos)]
    return [(a, b, after[infos[a].cluster]) for a, b in zip(firsts, lasts, strict=True)]


def _grapheme_index(line: str) -> list[int]:
    index: list[int] = []
    for number, cluster in enumerate(graphemes(line)):
        index += [number] * len(cluster)
    return index


def _aligned(
    lines: Sequence[tuple[Cluster, ...]], font: Font, align: Align, leading: float
) -> tuple[Cluster, ...]:
    """Shift every line so that its ink's start, middle or end stands at x = 0, and drop it to its baseline."""
    placed: list[Cluster] = []
    for number, clusters in enumerate(lines):
        edges = _ink(clusters, font)
        left, right = (float(edges[:, 0].min()), float(edges[:, 0].max())) if len(edges) else (0.0, 0.0)
        shift = {"start": -left, "centre": -(left + right) / 2, "end": -right}[align]
        drop = -number * leading
        for cluster in clusters:
            glyphs = tuple(Glyph(g.gid, g.x + shift, g.y + drop) for g in cluster.glyphs)
            placed.append(replace(cluster, glyphs=glyphs, origin=cluster.origin + shift))
    return tuple(placed)


def _ink(clusters: Sequence[Cluster], font: Font) -> Floats:
    """Points (n, 2) whose convex hull is that of the ink, in capital heights."""
    unit = 1.0 / font.capital_height
    points = [
        hull * unit + np.array([glyph.x, glyph.y])
        for cluster in clusters
        for glyph in cluster.glyphs
        if len(hull := glyph_hull(font, glyph.gid))
    ]
    return np.concatenate(points) if points else np.empty((0, 2))


def glyph_hull(font: Font, gid: int) -> Floats:
    """Convex hull (n, 2) of one glyph in font units, kept with the font."""
    kept: dict[int, Floats] = font.__dict__.setdefault("_hulls", {})
    if gid not in kept:
        pieces = [*glyph_areas(font, gid, 8.0), *glyph_strokes(font, gid)]
        kept[gid] = (
            shapely.get_coordinates(shapely.convex_hull(shapely.geometrycollections(pieces)))
            if pieces
            else np.empty((0, 2))
        )
    return kept[gid]


def _hull(clusters: Sequence[Cluster], font: Font) -> Floats:
    points = _ink(clusters, font)
    if len(points) == 0:
        return np.empty((0, 2))
    hull = shapely.convex_hull(shapely.multipoints(points))
    if hull.geom_type == "Polygon":
        return np.asarray(shapely.get_coordinates(orient(hull))[:-1])
    return np.asarray(shapely.get_coordinates(hull))
