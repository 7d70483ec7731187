"""Features a laser line can or can't make: thinnest stroke, narrowest counter, narrowest gap.

One definition for code and check alike, in the unit of the geometry given:
- thinnest stroke: the smallest w for which opening the region with a disc of diameter w loses more than
  LOST_WIDTHS * w anywhere. A corner of angle a loses w/2 (1/sin(a/2) - 1), so corners of 29 degrees and more
  are forgiven;
- narrowest counter: each hole alone, the smallest w of a disc that no longer goes in;
- narrowest gap: the distance between clusters that don't touch.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Protocol

import numpy as np
import shapely
from shapely.geometry import LineString, MultiPolygon, Polygon

from layout.lettering.fonts import KEPT_HULL, Font
from layout.lettering.typeset import Cluster, Composition, Glyph
from layout.marks import margins
from layout.shop.measure import Floats
from layout.shop.shop import FontSpec

Bools = np.ndarray[tuple[int, ...], np.dtype[np.bool_]]

LOST_WIDTHS = 1.5
#: The search for the thinnest stroke goes up in these steps before it bisects, because the loss is not
#: monotone in w: bisection alone can step over a thin neck.
_GROWTH = 1.12
_RELATIVE_ACCURACY = 0.002
#: Neighbours nearer than this (in capital heights) are meant to touch: joined letters of script fonts meet to
#: within the rounding of the font's own units.
TOUCHING = 0.002
#: Capital height (mm) at whose fineness glyphs are measured: to 0.000125 of it.
_MEASURED_AT_MM = 10.0

#: So many glyphs' regions are kept of a font, for all that is measured of a glyph is asked for one after the
#: other.
_MOST_REGIONS = 64

#: The search for a glyph's thinnest stroke, in capital heights.
LEAST_STROKE, _MOST_STROKE = 0.004, 0.6
#: Figures kept of a glyph, in capital heights: its thinnest stroke, its narrowest counter, a width that its
#: thinnest stroke is not below, its margins (`layout.marks.margins`) and its hull. 0 while nobody looked; not
#: a number where it has no such feature.
_STROKE, _COUNTER, _NOT_BELOW, _MARGINS = 0, 1, 2, 3
_HULL = _MARGINS + margins.FIGURES
FIGURES = _HULL + KEPT_HULL


class FeatureStore(Protocol):
    """Keeps what was measured of glyphs between runs, by a font's key (see `font_key`) and the glyph's
    number."""

    def figures(self, font: str, glyph: int) -> Floats | None:
        """The figures (FIGURES,) of a glyph, read and written in place; None where none are kept."""


@dataclass(frozen=True, slots=True)
class Feature:
    """A width in capital heights and the grapheme range of the letter, or pair of letters, that has it."""

    width: float
    span: tuple[int, int]


@dataclass(frozen=True, slots=True)
class Features:
    """The narrowest of each kind in any letter; None where there is none (no holes, a single-line font)."""

    stroke: Feature | None
    counter: Feature | None


def thinnest_stroke(region: Polygon | MultiPolygon, *, least: float, most: float) -> float:
    """Smallest w in [least, most] that is lost by the definition above; `most` when none is."""
    return _thinnest(region, _widths(least, most)) or most


def _thinnest(region: Any, widths: Sequence[float]) -> float | None:
    """Smallest width that is lost, up to the last of some rising widths, which the search goes by; None when
    none of them is."""
    least = widths[0]
    losses = _Losses(region, shapely.get_coordinates(shapely.segmentize(region.boundary, least)))
    at = losses.first_lost(widths)
    if at is None:
        return None
    if at == 0:
        return least
    low, high = widths[at - 1], widths[at]
    while high - low > _RELATIVE_ACCURACY * low:
        middle = (low + high) / 2
        if losses.is_lost(middle):
            high = middle
        else:
            low = middle
    return (low + high) / 2


def _widths(least: float, most: float) -> list[float]:
    """The widths that are tried, upward."""
    widths = [least]
    while widths[-1] < most:
        widths.append(min(widths[-1] * _GROWTH, most))
    return widths


class _Losses:
    """Whether a width is lost in a region; `tips` (n, 2) lie closely on its boundary.

    A tip is lost where the opened region (eroded by w/2, then grown by as much) is further off than
    LOST_WIDTHS w. It is so exactly where the eroded region is further off than _LOST_REACH w, but for what
    the chords of round corners leave out or add: only in that narrow band is the opened region drawn.
    """

    def __init__(self, region: Any, tips: Floats) -> None:
        self._region, self._tips = region, tips
        self._low, self._high = tips.min(axis=0), tips.max(axis=0)
        self._guess = _MOSTLY * _mean_stroke(region)

    def first_lost(self, widths: Sequence[float]) -> int | None:
        """Number of the first lost of some rising widths; None when none is.

        The eroded region only shrinks with the width. So when every tip is near enough, for a smaller width,
        to what a larger one leaves, no width from the smaller to the larger is lost: most are passed over.
        """
        count = len(widths)
        at, end, fails = 0, min(bisect_left(widths, self._guess), count - 1), count
        passed: dict[int, int] = {}  # runs of widths that are not lost: the first and the last of each
        while True:
            eroded = self._eroded(widths[end])
            begins = self._near_from(eroded, widths, max(at, end - _LEAP), end)
            if begins > end:
                fails = end
                if end == at and self._is_lost(eroded, widths[at]):
                    return at
                begins = end if end == at else begins
            if begins <= end:
                passed[begins] = end
            while at in passed:
                at = passed[at] + 1
            if at >= count:
                return None
            fails = fails if fails > at else count
            above = min((begun for begun in passed if begun > at), default=count)
            end = min(above - 1, at + _LEAP - 1, count - 1)
            end = min(end, (at + fails) // 2) if fails < count else end

    def is_lost(self, w: float) -> bool:
        return self._is_lost(self._eroded(w), w)

    def _is_lost(self, eroded: Any, w: float) -> bool:
        if eroded.is_empty:
            return True
        doubtful = self._away(eroded, (_LOST_REACH - _CHORDS) * w)
        if len(doubtful) == 0:
            return False
        edge, points = _edge_of(eroded), shapely.points(doubtful)
        if not _are_within(edge, points, (_LOST_REACH + _CHORDS) * w):
            return True
        points = points[~shapely.dwithin(edge, points, (_LOST_REACH - _CHORDS) * w)]
        if len(points) == 0:
            return False
        opened = eroded.buffer(w / 2, quad_segs=16)
        return not bool(shapely.dwithin(opened, points, LOST_WIDTHS * w).all())

    def _eroded(self, w: float) -> Any:
        return self._region.buffer(-w / 2, quad_segs=16)

    def _near_from(self, eroded: Any, widths: Sequence[float], at: int, end: int) -> int:
        """From which of the widths `at` to `end` on every tip is certainly too near to what the last of them
        leaves to be lost; `end` + 1 for none."""
        if eroded.is_empty:
            return end + 1
        doubtful = self._away(eroded, (_LOST_REACH - _CHORDS) * widths[at])
        if len(doubtful) == 0:
            return at
        edge, points = _edge_of(eroded), shapely.points(doubtful)
        for asked in (points[::_FEW], points):  # where one is beyond, many are
            left, low, at = asked, at - 1, end + 1
            while at - low > 1:
                middle = (low + at) // 2
                is_near = shapely.dwithin(edge, left, (_LOST_REACH - _CHORDS) * widths[middle])
                if is_near.all():
                    at = middle
                else:
                    low, left = middle, left[~is_near]
            if at > end:
                break
        return at

    def _away(self, eroded: Any, reach: float) -> Floats:
        """The tips (n, 2) that a chessboard doesn't show to be within reach of the eroded region's boundary.

        From one square to another so many columns and rows away it is no further than the diagonal of one
        column and one row more.
        """
        side = reach / _SQUARES
        first = np.floor(self._low / side).astype(np.int64) - _WIDEST
        columns, rows = np.floor(self._high / side).astype(np.int64) - first + _WIDEST + 1
        if columns * rows > _MOST_SQUARES:
            return self._tips
        board = np.zeros((columns, rows), dtype=bool)
        corners = shapely.get_coordinates(shapely.segmentize(eroded.boundary, side))
        column, row = np.floor(corners / side).astype(np.int64).T - first[:, None]
        board[column, row] = True
        near = _grown(board)
        column, row = np.floor(self._tips / side).astype(np.int64).T - first[:, None]
        return np.asarray(self._tips[~near[column, row]])


def _mean_stroke(region: Any) -> float:
    """Strokes of one width have twice their area for every length of their edge."""
    return float(2 * region.area / region.length)


def _grown(board: Bools) -> Bools:
    """The squares from which one of those of a board (c, r) is certainly within _SQUARES squares: up to three
    columns away in its own and the next row, two in the second, one in the third."""
    across = [board]
    for _ in range(_WIDEST):
        wider = across[-1].copy()
        wider[1:] |= across[-1][:-1]
        wider[:-1] |= across[-1][1:]
        across.append(wider)
    near = across[3].copy()
    for away, columns in ((1, 3), (2, 2), (3, 1)):
        near[:, away:] |= across[columns][:, :-away]
        near[:, :-away] |= across[columns][:, away:]
    return near


def _edge_of(eroded: Any) -> Any:
    """The boundary of an eroded region, prepared; no tip lies inside."""
    edge = shapely.boundary(eroded)
    shapely.prepare(edge)
    return edge


def _are_within(edge: Any, points: Any, reach: float) -> bool:
    """Whether all points are within reach. A few are asked first: where one is beyond, many are."""
    return all(bool(shapely.dwithin(edge, some, reach).all()) for some in (points[::_FEW], points))


#: Every so many tips one is asked first.
_FEW = 8
#: The eroded region's distance in widths at which a point is lost: half a width more than the opened one's.
_LOST_REACH = LOST_WIDTHS + 0.5
#: What chords and simplified curves of a buffer may be off by, in widths: several times what GEOS allows
#: itself (a hundredth of the distance, here half a width, and the sagitta of 64 chords to the circle).
_CHORDS = 0.03
#: Widths that are tried to be passed over together; 1.12 to the eighth is 2.5.
_LEAP = 8
#: The first width that is tried, as a share of the mean stroke.
_MOSTLY = 0.6
#: Squares of the chessboard to a reach, and how many away the furthest is that is certainly within it.
_SQUARES, _WIDEST = 4.5, 3
#: A board of more squares costs more than the distances that it saves.
_MOST_SQUARES = 1_000_000


def narrowest_counter(region: Polygon | MultiPolygon) -> float | None:
    """Diameter of the largest disc in the smallest hole; None without holes."""
    holes = [Polygon(ring) for part in shapely.get_parts(region) for ring in part.interiors]
    return min((_widest_disc(hole) for hole in holes), default=None)


def _widest_disc(hole: Polygon) -> float:
    tolerance = math.sqrt(hole.area) * 0.002
    return 2 * float(shapely.maximum_inscribed_circle(hole, tolerance=tolerance).length)


def features_of(composition: Composition, *, store: FeatureStore | None = None) -> Features:
    """The narrowest features of a composition's letters; glyphs are measured once per font."""
    font = composition.font
    spans: dict[int, tuple[int, int]] = {}  # of every glyph the first place at which it stands
    for cluster in composition.clusters:
        for glyph in cluster.glyphs:
            spans[glyph.gid] = min(cluster.span, spans.get(glyph.gid, cluster.span))
    measured = [measured_glyph(font, gid, store) for gid in spans]
    counters = [(counter, spans[one.gid]) for one in measured if (counter := one.counter) is not None]
    return Features(_thinnest_of(measured, spans), _narrowest(counters))


def _thinnest_of(measured: Sequence[MeasuredGlyph], spans: Mapping[int, tuple[int, int]]) -> Feature | None:
    """The thinnest stroke among glyphs. The likeliest to have it come first: of the others it need only be
    shown that they have none that is thinner."""
    strokes: list[_Width] = []
    least = math.inf
    for glyph in sorted(measured, key=lambda glyph: glyph.likely_stroke):
        stroke = glyph.stroke_up_to(least)
        if stroke is not None:
            least = min(least, stroke)
            strokes.append((stroke, spans[glyph.gid]))
    return _narrowest(strokes)


#: A width and the span of the letters that have it: a feature while there are many of them.
_Width = tuple[float, tuple[int, int]]


def _narrowest(widths: Sequence[_Width]) -> Feature | None:
    return Feature(*min(widths)) if widths else None


#: Goes up with every change of what is measured, hulls included: it is then measured anew.
MEASURE_VERSION = 6


def font_key(font: Font) -> str:
    """What measured features depend on beside the glyph: the measure, the file, the face, its axes, and
    the letter that its height is measured by."""
    return spec_key(font.spec)


def spec_key(spec: FontSpec) -> str:
    """The same of a font that need not be opened for it."""
    axes = ",".join(f"{tag}={value:g}" for tag, value in spec.axes)
    key = f"features-{MEASURE_VERSION}/{spec.sha256}/{spec.face_index}/{axes}"
    return f"{key}/{spec.height_letter}" if spec.height_letter else key


def keep_hulls(font: Font, store: FeatureStore | None) -> None:
    """Let a font's hulls be kept with what is measured of its glyphs; without a store, in memory alone."""
    if font.__dict__.get("_keeps_in") is store:
        return

    def kept(glyph: int) -> Floats | None:
        figures = None if store is None else store.figures(font_key(font), glyph)
        return None if figures is None else figures[_HULL:]

    font.kept_hull = kept
    font.__dict__["_keeps_in"] = store


class MeasuredGlyph:
    """What is measured of one glyph, each when it is first asked for. Lengths are capital heights."""

    def __init__(self, font: Font, gid: int, figures: Floats) -> None:
        self.gid = gid
        self.margins = margins.Margins(self._region, figures[_MARGINS:_HULL])
        self._font, self._figures = font, figures

    @property
    def counter(self) -> float | None:
        """The narrowest counter; None where it has none. Raises FontRefused."""
        if self._figures[_COUNTER] == 0.0:
            counter = narrowest_counter(self._region())
            self._figures[_COUNTER] = math.nan if counter is None else counter
        return _known(self._figures[_COUNTER])

    @property
    def likely_stroke(self) -> float:
        """About how thin its strokes are: 0 where the thinnest was measured, infinite where there is none or
        where it is known not to be below some width. Raises FontRefused."""
        if self._figures[_STROKE] != 0.0:
            return 0.0
        if self._figures[_NOT_BELOW] != 0.0 or self._region().is_empty:
            return math.inf
        return _mean_stroke(self._region())

    @property
    def stroke(self) -> float | None:
        """The thinnest stroke; None where it has none. Raises FontRefused."""
        return self.stroke_up_to(math.inf)

    def stroke_up_to(self, width: float) -> float | None:
        """The thinnest stroke where it is no wider than that; else perhaps None. Raises FontRefused."""
        figures = self._figures
        if figures[_STROKE] == 0.0 and figures[_NOT_BELOW] <= width:
            self._measure_stroke(width)
        return _known(figures[_STROKE]) if figures[_STROKE] != 0.0 else None

    def measure(self) -> None:
        """Measure all that was not measured yet. Raises FontRefused."""
        has_ink, _ = self.stroke is not None, self.counter
        self._font.hull(self.gid)
        if has_ink:
            self.margins.look_at_all()

    def _measure_stroke(self, width: float) -> None:
        region, figures = self._region(), self._figures
        if region.is_empty:
            figures[_STROKE] = math.nan
            return
        every = _widths(LEAST_STROKE, _MOST_STROKE)
        widths = every[: bisect_left(every, width) + 1]
        thinnest = _thinnest(region, widths)
        if thinnest is not None:
            figures[_STROKE] = thinnest
        elif len(widths) == len(every):
            figures[_STROKE] = _MOST_STROKE
        else:
            figures[_NOT_BELOW] = widths[-1]

    def _region(self) -> MultiPolygon:
        kept: dict[int, MultiPolygon] = self._font.__dict__.setdefault("_regions", {})
        region = kept.get(self.gid)
        if region is None:
            region = MultiPolygon([shape.area for shape in self._font.shapes(self.gid, _MEASURED_AT_MM)])
            if len(kept) >= _MOST_REGIONS:
                kept.clear()
            kept[self.gid] = region
        return region


def _known(figure: float) -> float | None:
    return None if math.isnan(figure) else float(figure)


def measured_glyph(font: Font, gid: int, store: FeatureStore | None = None) -> MeasuredGlyph:
    """What is measured of a glyph, remembered with its font; the store is asked when it is first met."""
    remembered: dict[int, MeasuredGlyph] = font.__dict__.setdefault("_measured", {})
    if gid not in remembered:
        figures = store.figures(font_key(font), gid) if store else None
        remembered[gid] = MeasuredGlyph(font, gid, np.zeros(FIGURES) if figures is None else figures)
    return remembered[gid]


def narrowest_gap(composition: Composition) -> Feature | None:
    """The narrowest gap between any two clusters that don't touch: of neighbours in a line, of letters of two
    lines set close, or of those on both sides of a very narrow one. None where no two stand apart.

    Pairs are looked at by how far apart their hulls certainly are, and only while a nearer one is possible.
    """
    font = composition.font
    inked, reaches = _reaches(font, composition.clusters)
    if len(inked) < 2:
        return None
    best: _Width | None = None
    for one, other, least in _pairs_by_nearness(reaches):
        if best is not None and least > best[0]:
            break
        gap = _gap_width(font, inked[one], inked[other])
        if gap is not None and (best is None or gap < best):
            best = gap
    return Feature(*best) if best is not None else None


def _gap_width(font: Font, a: Cluster, b: Cluster) -> _Width | None:
    gap = _gap(font, a, b)
    return (gap, (min(a.span[0], b.span[0]), max(a.span[1], b.span[1]))) if gap > TOUCHING else None


#: Directions in which it is looked how far letters reach, each with the opposite one half of them later.
_DIRECTIONS: Floats = np.array(
    [(math.cos(turn), math.sin(turn)) for turn in (math.pi * at / 8 for at in range(16))]
)
#: Capital heights by which a bound must be missed to be believed in spite of rounding.
_ROUNDING = 1e-9


def _reaches(font: Font, clusters: Sequence[Cluster]) -> tuple[list[Cluster], Floats]:
    """The clusters that have ink (n,), and how far their hulls reach in each of the directions (n, d)."""
    known: dict[int, Floats | None] = font.__dict__.setdefault("_reaches", {})
    inked: list[Cluster] = []
    begins: list[int] = []
    own: list[Floats] = []
    at: list[tuple[float, float]] = []
    for cluster in clusters:
        begin = len(own)
        for glyph in cluster.glyphs:
            if glyph.gid not in known:
                hull = font.hull(glyph.gid)
                known[glyph.gid] = (hull @ _DIRECTIONS.T).max(axis=0) if len(hull) else None
            reaches = known[glyph.gid]
            if reaches is not None:
                own.append(reaches)
                at.append((glyph.x, glyph.y))
        if len(own) > begin:
            inked.append(cluster)
            begins.append(begin)
    if not inked:
        return inked, np.empty((0, len(_DIRECTIONS)))
    x, y = np.array(at).T[:, :, None]
    reached = np.array(own) + x * _DIRECTIONS[:, 0] + y * _DIRECTIONS[:, 1]
    return inked, reached if len(inked) == len(own) else np.maximum.reduceat(reached, begins)


def _pairs_by_nearness(reaches: Floats) -> Iterator[tuple[int, int, float]]:
    """Pairs of clusters (n, d) by their numbers, the nearest first, and how far apart each two are at the
    least: what lies between the hulls along the direction in which most does."""
    half = len(_DIRECTIONS) // 2
    ends = np.ascontiguousarray(reaches.T)
    begins = -np.concatenate([ends[half:], ends[:half]])  # where each begins in a direction
    ones, others = _pairs(len(reaches))
    apart = (begins[:, None, :] - ends[:, :, None]).max(axis=0)[ones, others]
    for pair in np.argsort(apart, kind="stable"):
        yield int(ones[pair]), int(others[pair]), max(float(apart[pair]) - _ROUNDING, 0.0)


@lru_cache(maxsize=64)
def _pairs(count: int) -> tuple[Any, Any]:
    """The numbers of the first and the second of all pairs."""
    return np.triu_indices(count, 1)


def _gap(font: Font, a: Cluster, b: Cluster) -> float:
    """Distance of two neighbours' ink in capital heights; 0 where they touch or one has no ink."""
    kept: dict[Any, float] = font.__dict__.setdefault("_gaps", {})
    base = a.glyphs[0]
    key: Any
    if len(a.glyphs) == len(b.glyphs) == 1:  # nearly all of them: a short key saves most of the time here
        other = b.glyphs[0]
        key = base.gid, other.gid, round((other.x - base.x) * 1e5), round((other.y - base.y) * 1e5)
    else:
        key = _relative(a.glyphs, base), _relative(b.glyphs, base)
    if key not in kept:
        font.shapes_each([glyph.gid for glyph in (*a.glyphs, *b.glyphs)], _MEASURED_AT_MM)
        ink_a, ink_b = _ink(font, a.glyphs), _ink(font, b.glyphs)
        kept[key] = 0.0 if ink_a.is_empty or ink_b.is_empty else float(ink_a.distance(ink_b))
    return kept[key]


def _relative(glyphs: Sequence[Glyph], base: Glyph) -> tuple[tuple[int, int, int], ...]:
    return tuple((g.gid, round((g.x - base.x) * 1e5), round((g.y - base.y) * 1e5)) for g in glyphs)


def _ink(font: Font, glyphs: Sequence[Glyph]) -> Any:
    pieces: list[Polygon | LineString] = []
    for glyph in glyphs:
        at = np.array([glyph.x, glyph.y])
        for shape in font.shapes(glyph.gid, _MEASURED_AT_MM):
            pieces.append(shapely.transform(shape.area, lambda points, at=at: points + at))
        for stroke in font.strokes_of(glyph.gid):
            pieces.append(shapely.transform(stroke, lambda points, at=at: points / font.capital_height + at))
    return shapely.geometrycollections(pieces)
