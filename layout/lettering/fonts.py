"""Fonts ready for typesetting: what they cover, their capital height, their shapes computed once and kept."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property, lru_cache
from itertools import islice
from typing import Any, TypeVar

import numpy as np
import shapely
import uharfbuzz as hb
from fontTools.pens.boundsPen import BoundsPen
from fontTools.pens.recordingPen import RecordingPen
from shapely.geometry import LineString, Polygon

from layout.lettering import font_file as fontfile
from layout.lettering import single_line
from layout.lettering.font_file import FontRefused
from layout.lettering.glyphs import Curves, TooComplex, even_odd_differs, merged, noted_curves, rings_each
from layout.lettering.hulls import hulls_around
from layout.lettering.text import LINE_FEED, SHARED_SCRIPTS, normalise, script_of, shaped_together
from layout.shop.measure import FLATTEN_MM, FROZEN_STEP_MM, Floats
from layout.shop.shop import FontSpec

#: Glyph shapes are kept for these capital heights (mm): the next larger one serves, so that chords are
#: never coarser than FLATTEN_MM and seldom more than twice as fine as needed.
SIZE_CLASSES_MM = (2.0, 4.0, 8.0, 16.0, 32.0, 64.0, 128.0)
#: Rounding moves a corner by at most half a frozen step both ways; parts further apart than this stay apart.
SAFE_CLEARANCE_MM = 2 * FROZEN_STEP_MM
#: A font is said to be made for a script when it has this many of its letters, a handful aside.
_LETTERS_OF_A_SCRIPT = 20
#: A kept hull: how many corners it has and one more (0 while nobody looked), their sum, by which a row that
#: is only half written is told, and the corners. A hull with more corners is not kept.
MOST_KEPT_CORNERS = 192
KEPT_HULL = 2 + 2 * MOST_KEPT_CORNERS
_DOTTED_CIRCLE = "\u25cc"
_LATIN_LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz"
_NO_POINTS: Floats = np.empty((0, 2))
T = TypeVar("T")
Bools = np.ndarray[tuple[int, ...], np.dtype[np.bool_]]


@dataclass(eq=False)  # no slots: cached properties need a dictionary
class Shape:
    """One closed area of a glyph in capital heights; `size` is its area."""

    area: Polygon
    corners: int
    size: float
    #: How often it was drawn while its clearance was not known.
    drawn: int = 0

    @cached_property
    def clearance(self) -> float:
        """How far its parts keep from one another: moving every corner by less than half of it leaves the
        area valid."""
        return float(shapely.minimum_clearance(self.area))

    @property
    def clearance_if_often_drawn(self) -> float | None:
        """The same of what is drawn again and again: to ask once whether what came out is valid takes a tenth
        of that time."""
        if "clearance" not in self.__dict__ and self.drawn < _OFTEN:
            self.drawn += 1
            return None
        return self.clearance


#: From so many drawings on, a shape's clearance is worked out, which takes about as long as to ask of all of
#: those before whether they are valid.
_OFTEN = 20


def are_sound(areas: Any, shapes: Sequence[Shape], height_mm: float) -> Bools:
    """Which areas (n,), drawn of those shapes at a capital height and rounded to frozen coordinates, are
    certainly valid."""
    known = [shape.clearance_if_often_drawn for shape in shapes]
    sound = np.array([clear is not None and clear * height_mm > SAFE_CLEARANCE_MM for clear in known])
    unknown = np.flatnonzero([clear is None for clear in known])
    sound[unknown] = shapely.is_valid(areas[unknown])
    return sound


class Font:
    """A font ready for typesetting. Lengths are font units; `upem` of them make an em."""

    upem: int
    #: Height of the letter that the spec names; else of the capital H, or of the small x without capitals.
    capital_height: float

    def __init__(self, spec: FontSpec) -> None:
        self.spec = spec
        self.kind = spec.kind
        #: Gives the kept hull (KEPT_HULL,) of a glyph, read and written in place; None for what is not kept.
        self.kept_hull: Callable[[int], Floats | None] = _nothing_kept
        self._covered: dict[str, bool] = {LINE_FEED: True}
        self._hulls: dict[int, Floats] = {}
        self._shapes: dict[tuple[int, float], tuple[Shape, ...]] = {}

    @property
    def scripts(self) -> frozenset[str]:
        """ISO 15924 codes of the scripts that the font is made for."""
        raise NotImplementedError

    @property
    def glyphs(self) -> Sequence[int]:
        """The numbers of all its glyphs."""
        raise NotImplementedError

    def missing(self, text: str) -> tuple[tuple[int, int], ...]:
        """Grapheme ranges of `text` (NFC) that this font can't draw."""
        covered = self._covered
        spans = []
        for index, cluster in enumerate(shaped_together(text)):
            is_drawn = covered.get(cluster)
            if is_drawn is None:
                is_drawn = covered[cluster] = self._draws(cluster)
            if not is_drawn:
                spans.append((index, index + 1))
        return tuple(spans)

    def covers(self, text: str) -> bool:
        """Whether every character of the text (NFC) has a glyph."""
        return not self.missing(text)

    def lacks(self, features: Mapping[str, bool]) -> tuple[str, ...]:
        """Those of the switched-on OpenType features that the font doesn't have."""
        return tuple(sorted(tag for tag, on in features.items() if on))

    def areas(self, glyph: int, height_mm: float) -> tuple[Polygon, ...]:
        """A glyph's region in font units, flattened finely enough for that capital height."""
        (areas,) = self._areas_each([glyph], height_mm)
        return areas

    def strokes_of(self, glyph: int) -> tuple[LineString, ...]:
        """A glyph's open strokes in font units."""
        return ()

    def hull(self, glyph: int) -> Floats:
        """Convex hull (n, 2) of a glyph in capital heights, counter-clockwise; it holds the shapes of all
        size classes and stands off the curve by no more than `layout.lettering.hulls.STAND_OFF`."""
        (hull,) = self.hulls([glyph])
        return hull

    def hulls(self, glyphs: Sequence[int]) -> list[Floats]:
        """The hull of each of some glyphs, those that nobody looked at yet all at once."""
        rows: dict[int, Floats | None] = {}
        for glyph in glyphs:
            if glyph not in self._hulls and glyph not in rows:
                row = self.kept_hull(glyph)
                hull = None if row is None else _read_hull(row)
                if hull is None:
                    rows[glyph] = row
                else:
                    self._hulls[glyph] = hull
        if rows:
            extremes = [self._extremes(glyph) / self.capital_height for glyph in rows]
            for (glyph, row), hull in zip(rows.items(), hulls_around(extremes), strict=True):
                if row is not None:
                    _write_hull(row, hull)
                self._hulls[glyph] = hull
        return [self._hulls[glyph] for glyph in glyphs]

    def shapes(self, glyph: int, height_mm: float) -> tuple[Shape, ...]:
        """A glyph's areas in capital heights, with what drawing needs to know of each."""
        (shapes,) = self.shapes_each([glyph], height_mm)
        return shapes

    def shapes_each(self, glyphs: Sequence[int], height_mm: float) -> list[tuple[Shape, ...]]:
        """The shapes of each of some glyphs, those that nobody drew yet all at once."""
        size = _size_class(height_mm)
        new = [glyph for glyph in dict.fromkeys(glyphs) if (glyph, size) not in self._shapes]
        if new:
            areas = self._areas_each(new, height_mm)
            scaled = shapely.transform(
                np.array([area for own in areas for area in own], dtype=object),
                lambda points: points / self.capital_height,
            )
            drawn = map(
                Shape, scaled, shapely.get_num_coordinates(scaled).tolist(), shapely.area(scaled).tolist()
            )
            for glyph, own in zip(new, areas, strict=True):
                self._shapes[glyph, size] = tuple(islice(drawn, len(own)))
        return [self._shapes[glyph, size] for glyph in glyphs]

    def _areas_each(self, glyphs: Sequence[int], height_mm: float) -> list[tuple[Polygon, ...]]:
        """The regions of some glyphs, drawn anew."""
        return [() for _ in glyphs]

    def _draws(self, cluster: str) -> bool:
        raise NotImplementedError

    def _extremes(self, glyph: int) -> Floats:
        """Points (n, 2) in font units whose hull is that of the glyph's ink."""
        raise NotImplementedError


def _nothing_kept(_glyph: int) -> None:
    """The hulls of a font that is used without a store."""


def _read_hull(row: Floats) -> Floats | None:
    count = int(row[0]) - 1
    corners = row[2 : 2 + 2 * max(count, 0)].copy()
    is_whole = 0 <= count <= MOST_KEPT_CORNERS and corners.sum() == row[1]
    return corners.reshape(-1, 2) if is_whole else None


def _write_hull(row: Floats, hull: Floats) -> None:
    if len(hull) <= MOST_KEPT_CORNERS:
        row[2 : 2 + hull.size] = hull.ravel()
        row[1] = hull.ravel().sum()
        row[0] = len(hull) + 1


class OutlineFont(Font):
    """An OpenType font with filled outlines, shaped and drawn by HarfBuzz."""

    def __init__(self, spec: FontSpec) -> None:
        super().__init__(spec)
        self._file = fontfile.read(spec)
        self.upem = self._file.upem
        self.features = self._file.features
        self.hb_font = hb.Font(hb.Face(spec.data, spec.face_index))
        self.hb_font.scale = (self.upem, self.upem)
        if spec.axes:
            self.hb_font.set_variations(dict(spec.axes))
        self._curves: dict[int, Curves] = {}
        self._scripts: frozenset[str] | None = None
        measured_on = spec.height_letter or "Hx"
        self.capital_height = next((top for top in map(self._top_of, measured_on) if top), 0.0)
        if self.capital_height <= 0:
            letters = (
                f"no {spec.height_letter}" if spec.height_letter else "neither a capital H nor a small x"
            )
            raise FontRefused(f"{spec.font}: {letters} to measure its height by")
        if self._file.even_odd:
            for letter in _LATIN_LETTERS:
                glyph = self.hb_font.get_nominal_glyph(ord(letter))
                if glyph:
                    self._merged(glyph, self._rings(glyph, self.upem / 1000))

    @property
    def scripts(self) -> frozenset[str]:
        if self._scripts is None:
            counts: dict[str, int] = {}
            for code in self._file.codes:
                char = chr(code)
                if char.isalpha():
                    counts[script_of(char)] = counts.get(script_of(char), 0) + 1
            self._scripts = frozenset(
                script
                for script, count in counts.items()
                if count >= _LETTERS_OF_A_SCRIPT and script not in SHARED_SCRIPTS
            )
        return self._scripts

    @property
    def glyphs(self) -> Sequence[int]:
        return range(self.hb_font.face.glyph_count)

    def lacks(self, features: Mapping[str, bool]) -> tuple[str, ...]:
        return tuple(sorted(tag for tag, on in features.items() if on and tag not in self.features))

    def _areas_each(self, glyphs: Sequence[int], height_mm: float) -> list[tuple[Polygon, ...]]:
        tolerance = FLATTEN_MM * self.capital_height / _size_class(height_mm)
        try:
            rings = rings_each([self._curves_of(glyph) for glyph in glyphs], tolerance)
        except (FontRefused, ValueError):  # one by one, to say which glyph it is
            rings = [self._rings(glyph, tolerance) for glyph in glyphs]
        return [self._merged(glyph, own) for glyph, own in zip(glyphs, rings, strict=True)]

    def _draws(self, cluster: str) -> bool:
        """Shaped alone, the cluster has no missing glyph, leaves ink where it should, and nothing was added.

        Shaping finds what the character map alone doesn't: composed marks, and the dotted circle that
        HarfBuzz puts under a mark that has nothing to stand on.
        """
        buffer = hb.Buffer()
        buffer.add_str(cluster)
        buffer.guess_segment_properties()
        try:
            hb.shape(self.hb_font, buffer)
        except MemoryError:
            return False
        glyphs = [info.codepoint for info in buffer.glyph_infos]
        if 0 in glyphs:
            return False
        circle = self.hb_font.get_nominal_glyph(ord(_DOTTED_CIRCLE))
        if circle and circle in glyphs and _DOTTED_CIRCLE not in cluster:
            return False
        return cluster.isspace() or any(
            self._of_curves(glyph, lambda curves: curves.has_rings(self.upem / 100)) for glyph in glyphs
        )

    def _extremes(self, glyph: int) -> Floats:
        # Every size class cuts the curves at other points, so the hull of one would be overhung by another.
        tolerances = [FLATTEN_MM * self.capital_height / size for size in SIZE_CLASSES_MM]
        return self._of_curves(glyph, lambda curves: curves.extremes(tolerances))

    def _merged(self, glyph: int, rings: Sequence[Floats]) -> tuple[Polygon, ...]:
        try:
            if self._file.even_odd and even_odd_differs(rings):
                raise FontRefused(
                    f"{self.spec.font}: the even-odd and non-zero rules fill glyph {glyph} differently"
                )
            return merged(rings)
        except TooComplex as error:
            raise FontRefused(f"{self.spec.font}: glyph {glyph} is too complex: {error}") from error

    def _rings(self, glyph: int, tolerance: float) -> list[Floats]:
        return self._of_curves(glyph, lambda curves: curves.rings(tolerance))

    def _of_curves(self, glyph: int, ask: Callable[[Curves], T]) -> T:
        try:
            return ask(self._curves_of(glyph))
        except FontRefused:
            raise
        except TooComplex as error:
            raise FontRefused(f"{self.spec.font}: glyph {glyph} is too complex: {error}") from error
        except ValueError as error:
            raise FontRefused(f"{self.spec.font}: glyph {glyph} has points that are no numbers") from error

    def _curves_of(self, glyph: int) -> Curves:
        """A glyph's contours as the font has them. Raises TooComplex, ValueError."""
        if glyph not in self._curves:
            try:
                self._curves[glyph] = noted_curves(self._notes(glyph).value)
            except OverflowError as error:
                raise ValueError(str(error)) from error
        return self._curves[glyph]

    def _notes(self, glyph: int) -> RecordingPen:
        """What HarfBuzz draws. Its binding swallows what a pen raises, so the pen it drives only notes."""
        notes = RecordingPen()
        try:
            self.hb_font.draw_glyph_with_pen(glyph, notes)
        except MemoryError as error:
            raise FontRefused(f"{self.spec.font}: glyph {glyph} is too complex") from error
        return notes

    def _top_of(self, char: str) -> float | None:
        glyph = self.hb_font.get_nominal_glyph(ord(char))
        pen = BoundsPen(None)
        if glyph:
            self._notes(glyph).replay(pen)
        return float(pen.bounds[3]) if pen.bounds else None


class SingleLineFont(Font):
    """A font of open strokes; a glyph's number is its code point. See `layout.lettering.single_line`."""

    def __init__(self, spec: FontSpec) -> None:
        super().__init__(spec)
        content = single_line.read(spec)
        self.capital_height = content.capital_height
        self.upem = round(content.capital_height)
        self.advances = content.advances
        self.strokes = content.strokes

    @property
    def scripts(self) -> frozenset[str]:
        letters = [script_of(char) for char in self.strokes if char.isalpha()]
        return frozenset(script for script in letters if letters.count(script) >= _LETTERS_OF_A_SCRIPT)

    @property
    def glyphs(self) -> Sequence[int]:
        return sorted(ord(char) for char in self.strokes)

    def strokes_of(self, glyph: int) -> tuple[LineString, ...]:
        return self.strokes.get(chr(glyph), ())

    def _draws(self, cluster: str) -> bool:
        return cluster.isspace() or bool(self.strokes.get(cluster))

    def _extremes(self, glyph: int) -> Floats:
        strokes = self.strokes_of(glyph)
        return shapely.get_coordinates(strokes) if strokes else _NO_POINTS


def open_font(spec: FontSpec) -> Font:
    """The font of a spec, opened once per process. Raises FontRefused."""
    return _cached(spec.identity, _Opener(spec))


def suggest(text: str, fonts: Mapping[str, FontSpec], allowed: tuple[str, ...]) -> tuple[str, ...]:
    """Those of the allowed fonts that can draw every character of the text, in the order given.

    A font that can't be opened is left out: whoever loads the catalogue hears of it.
    """
    words = normalise(text)
    return tuple(name for name in allowed if name in fonts and _covers(fonts[name], words))


def _covers(spec: FontSpec, words: str) -> bool:
    try:
        return open_font(spec).covers(words)
    except FontRefused:
        return False


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


@lru_cache(maxsize=256)
def _cached(_identity: tuple[object, ...], opener: _Opener) -> Font:
    return opener.open()


def chord_error_mm(height_mm: float) -> float:
    """How far (mm) the areas of a glyph may stand off its curves at that capital height."""
    return FLATTEN_MM * height_mm / _size_class(height_mm)


def _size_class(height_mm: float) -> float:
    at = bisect_left(SIZE_CLASSES_MM, height_mm)
    return SIZE_CLASSES_MM[at] if at < len(SIZE_CLASSES_MM) else height_mm


__all__ = [
    "Font",
    "FontRefused",
    "OutlineFont",
    "Shape",
    "SingleLineFont",
    "chord_error_mm",
    "open_font",
    "suggest",
]
