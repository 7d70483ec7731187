"""The largest height on a curved baseline: every step from the floor upward, many steps at a time.

A step is settled by plain arithmetic where it can be: letters whose hulls an axis parts by more than they
must keep, letters that touch round a point known to lie in both. What that leaves open is bent by itself.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import shapely
from shapely.geometry import LineString

from layout.fit.region import Region
from layout.lettering.baseline_curve import (
    KEPT_GAP,
    LEAST_REACH,
    SLACK,
    Bent,
    Strip,
    Track,
    bend_strip,
    put,
    seen_from,
)
from layout.shop.blades import Zone
from layout.shop.inscriptions import Align
from layout.shop.measure import HEIGHT_STEP_MM, Floats

Bools = np.ndarray[tuple[int, ...], np.dtype[np.bool_]]

#: Heights looked at together: few at first, because most words that don't fit fail early.
_FIRST_CHUNK, _LARGEST_CHUNK = 8, 64
#: Directions (degrees from the letters' own) in which an axis between two letters is looked for.
_AXES_DEG = np.arange(-50.0, 51.0, 10.0)
#: Capital heights that a decision by arithmetic must have in hand, so that rounding never turns it.
_IN_HAND = 1e-9
#: A length over by this factor is so in whatever order it is summed.
_CERTAINLY = 1 + 1e-9


def largest_on_curve(region: Region, strip: Strip, zone: Zone, *, align: Align) -> float | None:
    """Largest capital height (mm), scanned upward from the zone's floor to the first height that fails."""
    step = max(1, math.ceil(zone.min_height_mm / HEIGHT_STEP_MM - 1e-6))
    if is_too_long(strip, zone.baseline.line, step * HEIGHT_STEP_MM) or not strip.inked:
        return None
    scan = _Scan(region, strip, zone.baseline.line, align)
    last = math.floor(zone.max_height_mm / HEIGHT_STEP_MM + 1e-6)
    best, chunk = None, _FIRST_CHUNK
    while step <= last:
        heights = np.round(np.arange(step, min(step + chunk, last + 1)) * HEIGHT_STEP_MM, 6)
        fitting = scan.fitting(heights)
        if fitting:
            best = float(heights[fitting - 1])
        if fitting < len(heights):
            break
        step, chunk = step + chunk, min(2 * chunk, _LARGEST_CHUNK)
    return best


def is_too_long(strip: Strip, baseline: LineString, height_mm: float) -> bool:
    """Whether the words are certainly longer than the baseline at that capital height: no letters need be
    bent to see it."""
    return bool(strip.length * height_mm > baseline.length * _CERTAINLY)


class _Scan:
    """One composition on one baseline in one region."""

    def __init__(self, region: Region, strip: Strip, baseline: LineString, align: Align) -> None:
        self._region, self._strip, self._baseline, self._align = region, strip, baseline, align
        self._track = Track(shapely.get_coordinates(baseline))
        self._joints = _Joints.of(strip)
        shapely.prepare(region.polygon)
        shapely.prepare(strip.inks)

    def fitting(self, heights: Floats) -> int:
        """How many of the heights (h,), which rise, fit before the first that does not."""
        number = 0
        for number, is_fitting in enumerate(self._fit(heights), start=1):
            if not is_fitting:
                return number - 1
        return number

    def _fit(self, heights: Floats) -> Iterator[bool]:
        needed = self._strip.length
        short = heights[heights * needed <= self._track.length]
        if len(short):
            poses = self._untracked(short, needed)
            settled = self._kept(poses / np.stack([short, short, np.ones_like(short)], axis=-1)[:, None])
            covered = self._covered(poses, short)
            for height, is_settled, is_covered in zip(short, settled, covered, strict=True):
                yield bool(is_covered) if is_settled else self._fits_alone(float(height))
        for height in heights[len(short) :]:
            yield self._fits_alone(float(height))

    def _fits_alone(self, height_mm: float) -> bool:
        return inside(
            self._region, bend_strip(self._strip, self._baseline, height_mm=height_mm, align=self._align)
        )

    def _untracked(self, heights: Floats, needed: float) -> Floats:
        """x, y (mm) and turn (h, n, 3) of every cluster with no tracking and no pull; `needed` is how long
        the words are, in capital heights."""
        strip = self._strip
        spare = {"start": 0.0, "centre": 0.5, "end": 1.0}[self._align] * (
            self._track.length - heights * needed
        )
        first = spare + heights * strip.advances[0] / 2
        arc = first[:, None] + np.outer(heights, strip.middles - strip.middles[0])
        return self._track.poses(arc, np.outer(heights, np.maximum(strip.advances / 2, LEAST_REACH)))

    def _kept(self, poses: Floats) -> Bools:
        """Whether every pair keeps what it must (h,); `poses` (h, n, 3) of all clusters, capital heights."""
        strip = self._strip
        inked = poses[:, strip.inked]
        kept = self._joints.are_kept(inked)
        height, pair = np.nonzero(~kept)
        if len(pair):
            first, second = strip.pairs[pair].T
            tied, gaps = strip.gaps[pair] <= SLACK, strip.gaps[pair]
            # The second is put as the first sees it, so that the first is prepared once for all heights.
            seen = put(strip.inks[second], seen_from(inked[height, first], inked[height, second]))
            limit = np.where(tied, strip.joint + SLACK, np.maximum(KEPT_GAP * gaps - SLACK, 0.0))
            kept[height, pair] = shapely.dwithin(strip.inks[first], seen, limit) == tied
        return np.asarray(np.all(kept, axis=1))

    def _covered(self, poses: Floats, heights: Floats) -> Bools:
        """Whether every cluster's hull lies in the region (h,)."""
        strip = self._strip
        scale = np.repeat(heights, len(strip.inked))
        hulls = put(np.tile(strip.hulls, len(heights)), poses[:, strip.inked].reshape(-1, 3), scale)
        is_covered = shapely.covers(self._region.polygon, hulls).reshape(len(heights), -1)
        return np.asarray(np.all(is_covered, axis=1))


@dataclass(frozen=True, slots=True)
class _Joints:
    """What each pair of letters must keep, and what shows at once that it does; in capital heights.

    `corners` (n, v, 2): hull of each inked cluster about its mid-point, padded with its first corner; none
    lies further from there than its `radius`. A pair that must stay `needed` apart does so while its hulls
    are that far apart along `axis` (radians; what parts them best on a straight line), or while nothing of
    the second has moved, as seen from the first, by more than it may from where it is on a straight line
    (`straight`). A pair that must stay together touches while two points that meet on a straight line, `own`
    seen from the first and `other` from the second, are within `reach` of each other.
    """

    pairs: np.ndarray[tuple[int, ...], np.dtype[np.int_]]
    tied: Bools
    corners: Floats
    gaps: Floats
    needed: Floats
    axis: Floats
    radius: Floats
    straight: Floats
    own: Floats
    other: Floats
    reach: Floats

    @staticmethod
    def of(strip: Strip) -> _Joints:
        tied = strip.gaps <= SLACK
        corners = _padded(strip)
        first, second = strip.pairs.T
        middles = strip.middles[strip.inked]
        moved = corners + np.column_stack([middles, np.zeros_like(middles)])[:, None]
        axes = np.radians(_AXES_DEG)
        along = np.einsum("nvk,ak->anv", moved, np.column_stack([np.cos(axes), np.sin(axes)]))
        parted = along[:, second].min(axis=2) - along[:, first].max(axis=2)
        touching = [_touch(strip, number) if tied[number] else (0.0, 0.0, 0.0) for number in range(len(tied))]
        x, y, reach = np.array(touching).reshape(-1, 3).T
        return _Joints(
            pairs=strip.pairs,
            tied=tied,
            corners=corners,
            gaps=strip.gaps,
            needed=KEPT_GAP * strip.gaps + _IN_HAND,
            axis=axes[parted.argmax(axis=0)] if len(tied) else np.zeros(0),
            radius=np.hypot(corners[..., 0], corners[..., 1]).max(axis=1),
            straight=middles[second] - middles[first],
            own=np.column_stack([x - middles[first], y]),
            other=np.column_stack([x - middles[second], y]),
            reach=reach - _IN_HAND,
        )

    def are_kept(self, poses: Floats) -> Bools:
        """Whether a pair certainly keeps what it must (h, p); `poses` (h, n, 3) of the inked clusters."""
        one, two = poses[:, self.pairs[:, 0]], poses[:, self.pairs[:, 1]]
        angle = one[..., 2] + np.remainder(two[..., 2] - one[..., 2] + np.pi, 2 * np.pi) / 2 - np.pi / 2
        angle = angle + self.axis
        axis = np.stack([np.cos(angle), np.sin(angle)], axis=-1)
        ends = _along(self.corners[self.pairs[:, 0]], one, axis).max(axis=-1)
        begins = _along(self.corners[self.pairs[:, 1]], two, axis).min(axis=-1)
        seen = seen_from(one, two)
        shift = np.hypot(seen[..., 0] - self.straight, seen[..., 1])
        moved = shift + 2 * self.radius[self.pairs[:, 1]] * np.abs(np.sin(seen[..., 2] / 2))
        apart = (begins - ends >= self.needed) | (self.gaps - moved >= self.needed)
        between = _moved(self.own, one) - _moved(self.other, two)
        together = np.hypot(between[..., 0], between[..., 1]) <= self.reach
        return np.asarray(np.where(self.tied, together, apart))


def _padded(strip: Strip) -> Floats:
    rings = [shapely.get_coordinates(hull) for hull in strip.hulls]
    most = max(len(ring) for ring in rings)
    return np.array([np.concatenate([ring, np.repeat(ring[:1], most - len(ring), axis=0)]) for ring in rings])


def _touch(strip: Strip, number: int) -> tuple[float, float, float]:
    """A point (x, y) where the inks of a tied pair meet on a straight line, and how far the two may go from
    each other there and still be together."""
    one, two = strip.inks_straight()[strip.pairs[number]]
    shared = [part for part in shapely.get_parts(shapely.intersection(one, two)) if part.area > 0]
    if shared:
        circle = shapely.maximum_inscribed_circle(max(shared, key=lambda part: part.area))
        (x, y), _ = circle.coords
        return x, y, circle.length + strip.joint
    (x, y), _ = shapely.shortest_line(one, two).coords
    return x, y, strip.joint - SLACK


def _moved(points: Floats, poses: Floats) -> Floats:
    """Points (p, 2), each put at its pose (h, p, 3)."""
    cos, sin = np.cos(poses[..., 2]), np.sin(poses[..., 2])
    x, y = points.T
    return np.stack([poses[..., 0] + cos * x - sin * y, poses[..., 1] + sin * x + cos * y], axis=-1)


def _along(corners: Floats, poses: Floats, axis: Floats) -> Floats:
    """How far along its pair's axis (h, p, 2) every corner (p, v, 2) lies once put at its pose: (h, p, v)."""
    cos, sin = np.cos(poses[..., 2]), np.sin(poses[..., 2])
    # The axis is turned back instead of every corner turned.
    back = np.stack(
        [cos * axis[..., 0] + sin * axis[..., 1], cos * axis[..., 1] - sin * axis[..., 0]], axis=-1
    )
    origin = poses[..., 0] * axis[..., 0] + poses[..., 1] * axis[..., 1]
    x, y = corners[..., 0], corners[..., 1]
    return np.asarray(x * back[..., :1] + y * back[..., 1:] + origin[..., None])


def inside(region: Region, bent: Bent | None) -> bool:
    """Whether something was bent, and all its hulls lie in the region."""
    return bent is not None and bool(np.all(shapely.covers(region.polygon, list(bent.shapes))))
