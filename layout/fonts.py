"""Opening fonts: what is refused, what is measured, and glyph shapes, computed once and kept."""

from __future__ import annotations

import io
import json
from collections.abc import Mapping
from functools import lru_cache

import numpy as np
import shapely
import uharfbuzz as hb
from fontTools.ttLib import TTFont, TTLibError
from shapely.geometry import LineString, MultiPolygon, Polygon

from layout.glyphs import RingPen, TooComplex, joined, merged
from layout.measure import FLATTEN_MM
from layout.parts import FontSpec
from layout.text import graphemes, normalise

#: Glyph shapes are kept for these capital heights (mm): the next larger one serves, so that chords are
#: never coarser than FLATTEN_MM and seldom more than twice as fine as needed.
SIZE_CLASSES_MM = (2.0, 4.0, 8.0, 16.0, 32.0, 64.0, 128.0)


class FontRefused(ValueError):
    """A font that can't be trusted on metal; the message says why."""


class Font:
    """A font ready for typesetting. Lengths are font units; `upem` of them make an em."""

    def __init__(self, spec: FontSpec) -> None:
        self.spec = spec
        self.kind = spec.kind
        self._areas: dict[tuple[int, float], tuple[Polygon, ...]] = {}

    upem: int
    #: Height of the capital H, or of the small x where the font has no capitals.
    capital_height: float

    def missing(self, text: str) -> tuple[tuple[int, int], ...]:
        """Grapheme ranges of `text` (NFC) that this font can't draw."""
        raise NotImplementedError

    def covers(self, text: str) -> bool:
        """Whether every character of the text has a glyph."""
        return not self.missing(text)


class OutlineFont(Font):
    """An OpenType font with filled outlines, shaped and drawn by HarfBuzz."""

    def __init__(self, spec: FontSpec) -> None:
        super().__init__(spec)
        table = _opened(spec)
        self.upem = int(table["head"].unitsPerEm)
        self._cmap = table.getBestCmap()
        face = hb.Face(spec.data, spec.face_index)
        self.hb_font = hb.Font(face)
        self.hb_font.scale = (self.upem, self.upem)
        if spec.axes:
            self.hb_font.set_variations(dict(spec.axes))
        self.features = frozenset(_feature_tags(table))
        self.capital_height = self._height_of("H") or self._height_of("x") or 0.0
        if self.capital_height <= 0:
            self.capital_height = float(getattr(table["OS/2"], "sCapHeight", 0) or self.upem * 0.7)

    def missing(self, text: str) -> tuple[tuple[int, int], ...]:
        buffer = hb.Buffer()
        clusters = graphemes(text)
        spans = []
        for index, cluster in enumerate(clusters):
            if cluster.isspace():
                continue
            buffer = hb.Buffer()
            buffer.add_str(cluster)
            buffer.guess_segment_properties()
            hb.shape(self.hb_font, buffer)
            if any(info.codepoint == 0 for info in buffer.glyph_infos):
                spans.append((index, index + 1))
        return tuple(spans)

    def areas(self, glyph: int, height_mm: float) -> tuple[Polygon, ...]:
        """The glyph's region in font units, flattened finely enough for that capital height."""
        size = next((s for s in SIZE_CLASSES_MM if s >= height_mm), height_mm)
        key = (glyph, size)
        if key not in self._areas:
            self._areas[key] = self._drawn(glyph, FLATTEN_MM * self.capital_height / size)
        return self._areas[key]

    def _drawn(self, glyph: int, tolerance: float) -> tuple[Polygon, ...]:
        pen = RingPen(tolerance)
        try:
            self.hb_font.draw_glyph_with_pen(glyph, pen)
        except (MemoryError, RecursionError, TooComplex) as error:
            raise FontRefused(f"{self.spec.font}: glyph {glyph} is too complex") from error
        return merged(pen.rings)

    def _height_of(self, char: str) -> float | None:
        glyph = self.hb_font.get_nominal_glyph(ord(char))
        if not glyph:
            return None
        areas = self._drawn(glyph, self.upem / 2000)
        return float(shapely.total_bounds(np.array(areas, dtype=object))[3]) if areas else None


class SingleLineFont(Font):
    """A font of open strokes. `spec.data` is JSON: {"capital_height", "glyphs": {char: {"advance", "strokes"}}}
    in font units, strokes as lists of [x, y] points, y up from the baseline."""

    def __init__(self, spec: FontSpec) -> None:
        super().__init__(spec)
        try:
            content = json.loads(spec.data)
            self.capital_height = float(content["capital_height"])
            self.advances = {char: float(glyph["advance"]) for char, glyph in content["glyphs"].items()}
            self.strokes: Mapping[str, tuple[LineString, ...]] = {
                char: joined([np.array(stroke, dtype=np.float64) for stroke in glyph["strokes"]])
                for char, glyph in content["glyphs"].items()
            }
        except (ValueError, KeyError, TypeError) as error:
            raise FontRefused(f"{spec.font}: not a single-line font: {error}") from error
        self.upem = round(self.capital_height)

    def missing(self, text: str) -> tuple[tuple[int, int], ...]:
        return tuple(
            (index, index + 1)
            for index, cluster in enumerate(graphemes(text))
            if cluster not in self.advances and not cluster.isspace()
        )


@lru_cache(maxsize=256)
def _cached(sha256: str, index: int, axes: tuple[tuple[str, float], ...], opener: _Opener) -> Font:
    return opener.open()


class _Opener:
    """Carries a spec through the cache; the cache's key is what identifies the font, not its bytes."""

    def __init__(self, spec: FontSpec) -> None:
        self.spec = spec

    def __hash__(self) -> int:
        return hash(self.spec.font)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _Opener) and self.spec.font == other.spec.font

    def open(self) -> Font:
        return SingleLineFont(self.spec) if self.spec.kind == "single_line" else OutlineFont(self.spec)


def open_font(spec: FontSpec) -> Font:
    """The font of a spec, opened once per process. Raises FontRefused."""
    return _cached(spec.sha256, spec.face_index, spec.axes, _Opener(spec))


def suggest(text: str, fonts: Mapping[str, FontSpec], allowed: tuple[str, ...]) -> tuple[str, ...]:
    """Those of the allowed fonts that can draw every character of the text, in the order given."""
    words = normalise(text)
    return tuple(name for name in allowed if name in fonts and open_font(fonts[name]).covers(words))


def _opened(spec: FontSpec) -> TTFont:
    """The font's tables, after refusing the kinds whose letters could come out wrong."""
    try:
        font = TTFont(io.BytesIO(spec.data), fontNumber=spec.face_index, lazy=True)
        if not font.getBestCmap():
            raise FontRefused(f"{spec.font}: no Unicode character map")
    except (TTLibError, AssertionError, KeyError, IndexError) as error:
        raise FontRefused(f"{spec.font}: not a readable font: {error}") from error
    if "glyf" in font and ("CFF " in font or "CFF2" in font):
        raise FontRefused(f"{spec.font}: two different sets of outlines in one file")
    if "glyf" not in font and "CFF " not in font and "CFF2" not in font:
        raise FontRefused(f"{spec.font}: no outlines")
    if font["OS/2"].fsType & 0x0002:
        raise FontRefused(f"{spec.font}: its licence bits forbid embedding")
    return font


def _feature_tags(font: TTFont) -> set[str]:
    return {
        record.FeatureTag
        for table in ("GSUB", "GPOS")
        if table in font and font[table].table.FeatureList
        for record in font[table].table.FeatureList.FeatureRecord
    }


__all__ = ["Font", "FontRefused", "MultiPolygon", "OutlineFont", "SingleLineFont", "open_font", "suggest"]
