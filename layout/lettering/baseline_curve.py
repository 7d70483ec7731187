"""Text along a curved baseline: clusters placed by arc length and turned, never running into one another."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from functools import cached_property
from itertools import pairwise, product
from typing import Any

import numpy as np
import shapely
from shapely.geometry import LineString

from layout.lettering.fonts import Font
from layout.lettering.hulls import hull_of
from layout.lettering.ink import Spot, inked
from layout.lettering.joints import KEPT_GAP, SLACK, Bools, Joints, Numbers
from layout.lettering.poses import put
from layout.lettering.shaping import ink_of
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
    heights (h,) whether every pair keeps what it must without tracking."""

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
    def _every_ink(self) -> list[Any]:
        return [self._ink(number) for number in range(len(self.clusters))]

    @cached_property
    def inked(self) -> list[int]:
        """Numbers of the clusters that have ink; inks, hulls, pairs and gaps go by these."""
        return [number for number, ink in enumerate(self._every_ink) if not ink.is_empty]

    @cached_property
    def inks(self) -> Any:
        return np.array([self._every_ink[number] for number in self.inked], dtype=object)

    @cached_property
    def hulls(self) -> Any:
        return np.array([self._hull(number) for number in self.inked], dtype=object)

    @cached_property
    def pairs(self) -> Numbers:
        """Neighbours and next but one: a dot or an i is too thin to keep its own neighbours apart."""
        pairs = [(a, a + step) for step in (1, 2) for a in range(len(self.inked) - step)]
        return np.array(pairs, dtype=int).reshape(-1, 2)

    @cached_property
    def gaps(self) -> Floats:
        """How far apart the inks of each pair are on a straight line."""
        return self._distances(self.inks, self._straight())

    @cached_property
    def tied(self) -> Bools:
        """Clusters that touch the next one on a straight line: connected letters stay connected."""
        tied = np.zeros(max(len(self.clusters) - 1, 0), dtype=bool)
        for (a, b), gap in zip(self.pairs, self.gaps, strict=True):
            if gap <= SLACK and b == a + 1 and self.inked[b] == self.inked[a] + 1:
                tied[self.inked[a]] = True
        return tied

    def _ink(self, number: int) -> Any:
        back = np.array([self.middles[number], 0.0])
        ink = ink_of(self.composition.font, self.clusters[number].glyphs)
        return shapely.transform(ink, lambda points: points - back)

    def _hull(self, number: int) -> Any:
        font, cluster = self.composition.font, self.clusters[number]
        back = self.middles[number]
        points = [font.hull(g.gid) + np.array([g.x - back, g.y]) for g in cluster.glyphs]
        return shapely.convex_hull(shapely.multipoints(hull_of(np.concatenate(points))))

    def _straight(self) -> Floats:
        return np.column_stack([self.middles, np.zeros(len(self.middles)), np.zeros(len(self.middles))])

    def inks_straight(self) -> Any:
        """The ink of every inked cluster, put as on a straight line."""
        return self.posed(self.inks, self._straight())

    def posed(self, pieces: Any, poses: Floats, scale: float = 1.0) -> Any:
        """Inks or hulls put where they belong; `poses` (n, 3): x, y, turn of every cluster at that scale."""
        return put(pieces, poses[self.inked], scale)

    def _distances(self, pieces: Any, poses: Floats) -> Floats:
        posed = self.posed(pieces, poses)
        return np.asarray(
            shapely.distance(posed[self.pairs[:, 0]], posed[self.pairs[:, 1]]), dtype=np.float64
        )

    @cached_property
    def joints(self) -> Joints:
        """What each pair must keep."""
        return Joints.of(
            self.pairs,
            self.gaps,
            hulls=self.hulls,
            middles=self.middles[self.inked],
            straight=self.inks_straight(),
            joint=self.joint,
        )

    def shortfall(self, poses: Floats) -> Floats:
        """How much each pair lacks of the gap it must keep; for touching pairs the gap that has opened.

        Of pairs that must keep a gap, those that lack less than another are left at nought, for only the most
        that any lacks is asked for.
        """
        lacking = np.zeros(len(self.pairs))
        inked = poses[self.inked]
        is_doubtful = ~self.joints.are_kept(inked[None])[0]
        tied = self.joints.tied
        parted = np.flatnonzero(tied & is_doubtful)
        if len(parted):
            lacking[parted] = np.maximum(self._apart(parted, inked) - self.joint, 0.0)
        free = np.flatnonzero(~tied & is_doubtful)
        if len(free):
            first, second = self.pairs[free].T
            # Hulls are quick and never further apart than the ink itself: of those that may lack the most the
            # ink decides.
            one, other = put(self.hulls[first], inked[first]), put(self.hulls[second], inked[second])
            most = KEPT_GAP * self.gaps[free] - shapely.distance(one, other)
            worst = 0.0
            for at in np.argsort(-most):
                if most[at] <= worst:
                    break
                pair = free[[at]]
                lacking[pair] = np.maximum(KEPT_GAP * self.gaps[pair] - self._apart(pair, inked), 0.0)
                worst = max(worst, float(lacking[pair][0]))
        return lacking

    def _apart(self, pairs: Numbers, inked: Floats) -> Floats:
        """How far apart the inks of some pairs are."""
        first, second = self.pairs[pairs].T
        one, other = put(self.inks[first], inked[first]), put(self.inks[second], inked[second])
        return np.asarray(shapely.distance(one, other), dtype=np.float64)


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
    tracked = _tracked(strip, baseline, height_mm=height_mm, align=align)
    return None if tracked is None else _bent(strip, *tracked, height_mm=height_mm)


def _tracked(
    strip: Strip, baseline: LineString, *, height_mm: float, align: Align
) -> tuple[Floats, float] | None:
    """x, y, turn (n, 3) of every cluster, in capital heights, and the tracking."""
    tracked = strip.known_on(baseline, align).tracked
    if height_mm not in tracked:
        tracked[height_mm] = _track(strip, baseline, height_mm=height_mm, align=align)
    return tracked[height_mm]


def _track(
    strip: Strip, baseline: LineString, *, height_mm: float, align: Align
) -> tuple[Floats, float] | None:
    if len(strip.inked) == 0:
        return None
    # Everything is reckoned in capital heights, on a baseline made smaller instead of letters made larger.
    track = Track(shapely.get_coordinates(baseline) / height_mm)
    tracking, pulls = 0.0, np.zeros(len(strip.tied))
    for _ in range(_MOST_ROUNDS):
        steps = np.diff(strip.middles) + np.where(strip.tied, -pulls, tracking)
        at = np.concatenate([[0.0], np.cumsum(steps)])
        first = _first(at, strip.advances, track.length, align)
        if first is None:
            return None
        poses = track.poses(first + at, np.maximum(strip.advances / 2, LEAST_REACH))
        lacking = strip.shortfall(poses)
        if not np.any(lacking > SLACK):
            return poses, tracking
        tracking, pulls = _adjusted(strip, lacking, tracking, pulls)
    return None


def _adjusted(strip: Strip, lacking: Floats, tracking: float, pulls: Floats) -> tuple[float, Floats]:
    """More tracking where a pair is too near, a stronger pull where a tied pair has come apart."""
    free = strip.gaps > SLACK
    if np.any(lacking[free] > SLACK):
        tracking += max(_TRACKING_STEP, float(lacking[free].max()))
    pulled = pulls.copy()
    for (a, b), gap in zip(strip.pairs[~free], lacking[~free], strict=True):
        if gap > SLACK and b == a + 1:
            pulled[strip.inked[a]] += 1.2 * gap + SLACK
    return tracking, pulled


def _bent(strip: Strip, poses: Floats, tracking: float, *, height_mm: float) -> Bent:
    scaled = poses * np.array([height_mm, height_mm, 1.0])
    placed = tuple(
        Placed(cluster, float(x), float(y), float(turn))
        for cluster, (x, y, turn) in zip(strip.clusters, scaled, strict=True)
    )
    shapes = tuple(strip.posed(strip.hulls, scaled, height_mm))
    return Bent(strip.composition, height_mm, placed, tracking, shapes)


def _first(at: Floats, advances: Floats, length: float, align: Align) -> float | None:
    """Arc length of the first cluster's mid-point; None when the curve is too short."""
    before, after = advances[0] / 2, advances[-1] / 2
    needed = float(before + at[-1] + after)
    if needed > length:
        return None
    return float({"start": 0.0, "centre": (length - needed) / 2, "end": length - needed}[align] + before)


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
