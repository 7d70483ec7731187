"""Text along a curved baseline: clusters placed by arc length and turned, never running into one another."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property
from itertools import pairwise, product
from typing import Any

import numpy as np
import shapely
from shapely.geometry import LineString

from layout.lettering.fonts import Font
from layout.lettering.ink import Spot, inked
from layout.lettering.joints import KEPT_GAP, SLACK, Bools, Joints, Numbers
from layout.lettering.poses import apart, put, seen_from
from layout.lettering.seams import Seams
from layout.lettering.shaping import inks_of
from layout.lettering.typeset import Cluster, Composition
from layout.shop.inscriptions import Align
from layout.shop.measure import Floats
from layout.shop.outline import Outline

#: Tightest steps of tracking, in capital heights.
_TRACKING_STEP = 0.01
#: Single-line letters that touched on a straight line may come apart by this (capital heights) on a curve,
#: because ends of lines can't be slid into one another as areas can. Drawing bridges the joint.
_OPEN_JOINT = 0.1
#: A letter's turn is that of the chord under its advance, but at least under this much to each side.
LEAST_REACH = 0.05
#: A bend that needs more rounds than this (about 0.6 capital heights between letters) is no place for text.
_MOST_ROUNDS = 60


@dataclass(frozen=True, slots=True)
class Placed:
    """One cluster on the curve: its advance's mid-point goes to (x, y) mm, turned by `turn` radians."""

    cluster: Cluster
    x: float
    y: float
    turn: float


@dataclass(frozen=True, slots=True)
class Bent:
    """A one-line composition on a curve at a capital height, in the face's frame (mm).

    `tracking` is what was added between letters to keep them apart, in capital heights; `shapes` are the
    convex hulls of the inked clusters, mm (a line where a single-line letter has no width).
    """

    composition: Composition
    height_mm: float
    placed: tuple[Placed, ...]
    tracking: float
    shapes: tuple[Any, ...]

    def hulls(self) -> tuple[Any, ...]:
        """Convex hull of each inked cluster, mm."""
        return self.shapes


@dataclass(frozen=True, slots=True)
class _Known:
    """What is known of a strip on one baseline (WKB): by height the poses and tracking there, and by some
    heights (h,) whether every pair is seen to keep what it must without tracking."""

    baseline: bytes
    align: Align
    tracked: dict[float, tuple[Floats, float] | None] = field(default_factory=dict)
    settled: dict[bytes, Bools] = field(default_factory=dict)


class Strip:
    """A one-line composition cut up for bending, in capital heights, each cluster about its mid-point. Ink is
    looked at when it is first asked for: words too long for a curve never need it."""

    def __init__(self, composition: Composition) -> None:
        self.composition = composition
        self.clusters = tuple(c for c in composition.clusters if c.glyphs or c.advance > 0)
        self.advances = np.array([c.advance for c in self.clusters])
        self.middles = np.array([c.origin + c.advance / 2 for c in self.clusters])
        #: How far apart letters that touch on a straight line may be.
        self.joint = _OPEN_JOINT if composition.font.kind == "single_line" else 0.0
        self._known = _Known(b"", "start")

    def known_on(self, baseline: LineString, align: Align) -> _Known:
        """What is known of it on that baseline, remembered for the one that it was last bent on: no region
        matters here, and the same words are asked for again with more room around them."""
        known = self._known
        if (known.baseline, known.align) != (baseline.wkb, align):
            known = self._known = _Known(baseline.wkb, align)  # at once: threads may share a strip
        return known

    @cached_property
    def length(self) -> float:
        """How long a curve must be for the words at capital height 1; a shorter one takes them in no way."""
        if not self.clusters:
            return 0.0
        ends = float(self.advances[0] + self.advances[-1]) / 2
        return ends + float(self.middles[-1] - self.middles[0])

    @cached_property
    def _every_ink(self) -> Any:
        """The ink of every cluster, about its mid-point."""
        font = self.composition.font
        return inks_of(font, [cluster.glyphs for cluster in self.clusters], self.middles)

    @cached_property
    def inked(self) -> list[int]:
        """Numbers of the clusters that have ink; inks, hulls, pairs and gaps go by these."""
        return np.flatnonzero(~shapely.is_empty(self._every_ink)).tolist()

    @cached_property
    def inks(self) -> Any:
        """Of every inked cluster, prepared: each is asked again and again for what is put beside it."""
        inks = self._every_ink[self.inked]
        shapely.prepare(inks)
        return inks

    @cached_property
    def hulls(self) -> Any:
        font = self.composition.font
        glyphs = [(whose, g) for whose, number in enumerate(self.inked) for g in self.clusters[number].glyphs]
        hulls = font.hulls([glyph.gid for _, glyph in glyphs])
        counts = [len(hull) for hull in hulls]
        at = np.array([(g.x - self.middles[self.inked[whose]], g.y) for whose, g in glyphs]).reshape(-1, 2)
        points = np.concatenate(hulls or [np.empty((0, 2))]) + np.repeat(at, counts, axis=0)
        whose_points = np.repeat([whose for whose, _ in glyphs], counts)
        # Of a line string GEOS takes the hull of its points; its first twice, for it needs two.
        first = np.searchsorted(whose_points, np.arange(len(self.inked)))
        points, whose_points = (
            np.insert(each, first, each[first], axis=0) for each in (points, whose_points)
        )
        return shapely.convex_hull(shapely.linestrings(points, indices=whose_points))

    @cached_property
    def boxes(self) -> Any:
        """Boxes around the hulls, level as the letters are, which are quicker to look for."""
        return shapely.envelope(self.hulls)

    @cached_property
    def pairs(self) -> Numbers:
        """Neighbours and next but one: a dot or an i is too thin to keep its own neighbours apart."""
        pairs = [(a, a + step) for step in (1, 2) for a in range(len(self.inked) - step)]
        return np.array(pairs, dtype=int).reshape(-1, 2)

    @cached_property
    def gaps(self) -> Floats:
        """How far apart the inks of each pair are on a straight line."""
        straight, pairs = self.inks_straight, self.pairs
        return np.asarray(shapely.distance(straight[pairs[:, 0]], straight[pairs[:, 1]]), dtype=np.float64)

    @cached_property
    def tied(self) -> Bools:
        """Clusters that touch the next one on a straight line: connected letters stay connected."""
        tied = np.zeros(max(len(self.clusters) - 1, 0), dtype=bool)
        for (a, b), gap in zip(self.pairs, self.gaps, strict=True):
            if gap <= SLACK and b == a + 1 and self.inked[b] == self.inked[a] + 1:
                tied[self.inked[a]] = True
        return tied

    @cached_property
    def inks_straight(self) -> Any:
        """The ink of every inked cluster, put as on a straight line."""
        still = np.zeros(len(self.middles))
        return self.posed(self.inks, np.column_stack([self.middles, still, still]))

    def posed(self, pieces: Any, poses: Floats, scale: float = 1.0) -> Any:
        """Inks or hulls put where they belong; `poses` (n, 3): x, y, turn of every cluster at that scale."""
        return put(pieces, poses[self.inked], scale)

    @cached_property
    def joints(self) -> Joints:
        """What each pair must keep."""
        return Joints.of(
            self.pairs,
            self.gaps,
            hulls=self.hulls,
            middles=self.middles[self.inked],
            straight=self.inks_straight,
            joint=self.joint,
        )

    @cached_property
    def seams(self) -> Seams:
        """How far the pairs that touch on a straight line come apart."""
        return Seams(self.inks, self.pairs)

    def keeps(self, inked: Floats) -> Bools:
        """Whether every pair is seen to keep what it must (h,), for poses (h, n, 3) of the inked clusters at
        several heights; where that takes a measure between joined ones, nobody looks."""
        kept, tied = self.joints.are_kept(inked), self.joints.tied
        height, pair = np.nonzero(~kept & tied)
        if len(pair):
            kept[height, pair] = self.seams.share(pair, inked[height[:, None], self.pairs[pair]])
        is_joined = np.asarray(kept[:, tied].all(axis=1))
        height, pair = np.nonzero(~kept & is_joined[:, None])
        if len(pair):
            first, second = self.pairs[pair].T
            # The second is put as the first sees it, so that the first is prepared once for all heights.
            seen = put(self.inks[second], seen_from(inked[height, first], inked[height, second]))
            limit = np.maximum(KEPT_GAP * self.gaps[pair] - SLACK, 0.0)
            kept[height, pair] = ~shapely.dwithin(self.inks[first], seen, limit)
        return np.asarray(kept.all(axis=1))

    def shortfall(self, poses: Floats) -> Floats:
        """How much each pair lacks of the gap it must keep (h, p), for poses (h, n, 3) at several heights;
        for touching pairs the gap that has opened.

        Of pairs that must keep a gap, those that lack less than another at the same height are left at
        nought, for only the most that any lacks is asked for.
        """
        inked = poses[:, self.inked]
        is_doubtful = ~self.joints.are_kept(inked)
        lacking = np.zeros(is_doubtful.shape)
        tied = self.joints.tied
        height, pair = np.nonzero(is_doubtful & tied)
        if len(pair):
            opened = self.seams.opened(pair, inked[height[:, None], self.pairs[pair]])
            lacking[height, pair] = np.maximum(opened - self.joint, 0.0)
        height, pair = np.nonzero(is_doubtful & ~tied)
        if len(pair):
            # Hulls are quick and never further apart than the ink itself: of those that may lack the most the
            # ink decides.
            kept = KEPT_GAP * self.gaps[pair]
            most = kept - self._between(self.hulls, height, pair, inked)
            worst = np.zeros(len(poses))
            order = np.lexsort((-most, height))
            while len(order := order[most[order] > worst[height[order]]]):
                first = order[np.unique(height[order], return_index=True)[1]]  # at each height the most
                at, which = height[first], pair[first]
                lacking[at, which] = np.maximum(kept[first] - self._apart(at, which, inked), 0.0)
                worst[at] = np.maximum(worst[at], lacking[at, which])
                order = order[~np.isin(order, first)]
        return lacking

    def _apart(self, heights: Numbers, pairs: Numbers, inked: Floats) -> Floats:
        """How far apart the inks of some pairs are, each at one of the heights."""
        return self._between(self.inks, heights, pairs, inked)

    def _between(self, pieces: Any, heights: Numbers, pairs: Numbers, inked: Floats) -> Floats:
        """The same of inks or hulls."""
        first, second = self.pairs[pairs].T
        return apart(pieces[first], pieces[second], inked[heights, first], inked[heights, second])


def bend(composition: Composition, baseline: LineString, *, height_mm: float, align: Align) -> Bent | None:
    """Place a one-line composition on the baseline, from its start, in its middle or to its end.

    Where the curve bends towards the letters' tops, all letters get the same extra distance, as little as
    keeps every two of them at half of their straight distance or more. Letters that touch on a straight line
    (a connected script) are not parted but moved together until they touch again. None when the curve is too
    short or too tight.
    """
    return bend_strip(Strip(composition), baseline, height_mm=height_mm, align=align)


def draw(bent: Bent) -> Outline:
    """The frozen outline of a bent composition."""
    height = bent.height_mm
    spots = []
    for placed in bent.placed:
        cos, sin = math.cos(placed.turn), math.sin(placed.turn)
        middle = placed.cluster.origin + placed.cluster.advance / 2
        for glyph in placed.cluster.glyphs:
            x, y = (glyph.x - middle) * height, glyph.y * height
            at = (placed.x + cos * x - sin * y, placed.y + sin * x + cos * y)
            spots.append(Spot(glyph.gid, *at, cos, sin))
    return inked(bent.composition.font, spots, height_mm=height, bridges=_bridges(bent))


def _bridges(bent: Bent) -> list[Floats]:
    """Short lines (2, 2) in mm between ends of single-line letters that meet on a straight line."""
    font, height = bent.composition.font, bent.height_mm
    bridges = []
    for one, other in pairwise(bent.placed):
        ends, starts = _ends(font, one.cluster), _ends(font, other.cluster)
        for a, b in product(ends, starts):
            if np.hypot(*(a - b)) <= SLACK:
                bridges.append(np.array([_put(a, one, height), _put(b, other, height)]))
    return bridges


def _ends(font: Font, cluster: Cluster) -> list[Floats]:
    """Where the cluster's strokes begin and end on a straight baseline, in capital heights."""
    return [
        shapely.get_coordinates(stroke)[which] / font.capital_height + np.array([glyph.x, glyph.y])
        for glyph in cluster.glyphs
        for stroke in font.strokes_of(glyph.gid)
        for which in (0, -1)
    ]


def _put(point: Floats, placed: Placed, height_mm: float) -> Floats:
    cos, sin = math.cos(placed.turn), math.sin(placed.turn)
    x = (point[0] - placed.cluster.origin - placed.cluster.advance / 2) * height_mm
    y = point[1] * height_mm
    return np.array([placed.x + cos * x - sin * y, placed.y + sin * x + cos * y])


def bend_strip(strip: Strip, baseline: LineString, *, height_mm: float, align: Align) -> Bent | None:
    """As `bend`, of a composition that is cut up already."""
    (found,) = tracked(strip, baseline, [height_mm], align=align)
    return None if found is None else _bent(strip, *found, height_mm=height_mm)


#: x, y, turn (n, 3) of every cluster, in capital heights, and the tracking; None where the curve is too short
#: or too tight.
Tracked = tuple[Floats, float] | None


def tracked(
    strip: Strip, baseline: LineString, heights_mm: Sequence[float], *, align: Align
) -> list[Tracked]:
    """How a strip follows the baseline at each of some rising heights, up to the first at which it can't."""
    known = strip.known_on(baseline, align).tracked
    new = [height for height in heights_mm if height not in known]
    if new:
        known.update(zip(new, _track(strip, baseline, np.array(new), align=align), strict=False))
    found = []
    for height in heights_mm:
        found.append(known[height])
        if found[-1] is None:
            break
    return found


def _track(strip: Strip, baseline: LineString, heights: Floats, *, align: Align) -> list[Tracked]:
    """As `tracked`, all heights (h,) together, round by round."""
    if len(strip.inked) == 0:
        return [None] * len(heights)
    track = Track(shapely.get_coordinates(baseline))
    reach = np.maximum(strip.advances / 2, LEAST_REACH)
    found: list[Tracked] = [None] * len(heights)
    waiting, tracking = np.arange(len(heights)), np.zeros(len(heights))
    pulls = np.zeros((len(heights), len(strip.tied)))
    for _ in range(_MOST_ROUNDS):
        steps = np.diff(strip.middles) + np.where(strip.tied, -pulls, tracking[:, None])
        at = np.concatenate([np.zeros((len(steps), 1)), np.cumsum(steps, axis=1)], axis=1)
        # All is reckoned in capital heights, on a baseline made smaller instead of letters made larger.
        first = _first(at, strip.advances, track.length / heights[waiting], align)
        waiting, tracking, pulls = waiting[: len(first)], tracking[: len(first)], pulls[: len(first)]
        high = heights[waiting, None]
        poses = track.poses((first[:, None] + at[: len(first)]) * high, reach * high)
        poses[..., :2] /= high[..., None]
        lacking = strip.shortfall(poses)
        is_open = np.any(lacking > SLACK, axis=1)
        for number in np.flatnonzero(~is_open):
            found[waiting[number]] = poses[number], float(tracking[number])
        if not is_open.any():
            break
        waiting = waiting[is_open]
        tracking, pulls = _adjusted(strip, lacking[is_open], tracking[is_open], pulls[is_open])
    return found[: 1 + next((at for at, each in enumerate(found) if each is None), len(found))]


def _adjusted(strip: Strip, lacking: Floats, tracking: Floats, pulls: Floats) -> tuple[Floats, Floats]:
    """More tracking where a pair is too near, a stronger pull where a tied pair has come apart; a row to each
    height."""
    free = strip.gaps > SLACK
    most = np.max(lacking[:, free], axis=1, initial=0.0)
    tracking = tracking + np.where(most > SLACK, np.maximum(most, _TRACKING_STEP), 0.0)
    neighbours = np.flatnonzero(~free & (np.diff(strip.pairs, axis=1)[:, 0] == 1))
    after = np.array(strip.inked)[strip.pairs[neighbours, 0]]
    gap = lacking[:, neighbours]
    pulled = pulls.copy()
    pulled[:, after] += np.where(gap > SLACK, 1.2 * gap + SLACK, 0.0)
    return tracking, pulled


def _bent(strip: Strip, poses: Floats, tracking: float, *, height_mm: float) -> Bent:
    scaled = poses * np.array([height_mm, height_mm, 1.0])
    placed = tuple(
        Placed(cluster, float(x), float(y), float(turn))
        for cluster, (x, y, turn) in zip(strip.clusters, scaled, strict=True)
    )
    shapes = tuple(strip.posed(strip.hulls, scaled, height_mm))
    return Bent(strip.composition, height_mm, placed, tracking, shapes)


def _first(at: Floats, advances: Floats, lengths: Floats, align: Align) -> Floats:
    """Arc length of the first cluster's mid-point on curves of those lengths (h,), up to the first that is
    too short; `at` (h, n) are the mid-points from there."""
    before, after = advances[0] / 2, advances[-1] / 2
    needed = before + at[:, -1] + after
    is_short = needed > lengths
    long = int(np.argmax(is_short)) if is_short.any() else len(lengths)
    spare = lengths[:long] - needed[:long]
    return np.asarray({"start": 0.0, "centre": 0.5, "end": 1.0}[align] * spare + before)


class Track:
    """A polyline (n, 2) with its arc length."""

    def __init__(self, points: Floats) -> None:
        self._points = points
        self._arc = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])
        self.length = float(self._arc[-1])

    def poses(self, at: Floats, reach: Floats) -> Floats:
        """x, y, turn (..., 3) at arc lengths; the turn is that of the chord which reaches so far to both
        sides, which on a circle is the tangent's and on a polyline doesn't jump at its corners."""
        reach = np.minimum(reach, np.minimum(at, self.length - at))
        chord = self._at(at + reach) - self._at(at - reach)
        turn = np.arctan2(chord[..., 1], chord[..., 0])
        return np.concatenate([self._at(at), turn[..., None]], axis=-1)

    def _at(self, arc: Floats) -> Floats:
        return np.stack([np.interp(arc, self._arc, axis) for axis in self._points.T], axis=-1)
