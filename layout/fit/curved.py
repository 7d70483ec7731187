"""The largest height on a curved baseline: every step from the floor upward, many steps at a time.

A step is settled by plain arithmetic where it can be: letters whose hulls an axis parts by more than they
must keep, letters that touch round a point known to lie in both. What that leaves open is bent by itself.
Whether letters lie in the region is asked of their boxes first, and of hulls where a box does not.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import shapely
from shapely.geometry import LineString

from layout.fit.region import Region
from layout.lettering.baseline_curve import LEAST_REACH, Bent, Strip, Track, tracked
from layout.lettering.joints import Bools
from layout.lettering.poses import put
from layout.shop.blades import Zone
from layout.shop.inscriptions import Align
from layout.shop.measure import HEIGHT_STEP_MM, Floats

#: Heights looked at together: few at first, because most words that don't fit fail early.
_FIRST_CHUNK, _LARGEST_CHUNK = 8, 64
#: Of those that need tracking so many are tracked together.
_TOGETHER = 16
#: So many letters whose boxes do not lie in the region are looked for there together.
_COVERED_TOGETHER = 64
#: A length over by this factor is so in whatever order it is summed.
_CERTAINLY = 1 + 1e-9


def largest_on_curve(region: Region, strip: Strip, zone: Zone, *, align: Align) -> float | None:
    """Largest capital height (mm), scanned upward from the zone's floor to the first height that fails."""
    step = max(1, math.ceil(zone.min_height_mm / HEIGHT_STEP_MM - 1e-6))
    if is_too_long(strip, zone.baseline.line, step * HEIGHT_STEP_MM) or not strip.inked:
        return None
    scan = _Scan(region, strip, zone.baseline.line, align)
    last = math.floor(zone.max_height_mm / HEIGHT_STEP_MM + 1e-6)
    # Most words that don't fit don't fit at the floor, where they have often been tried already.
    if not scan.fits_alone(round(step * HEIGHT_STEP_MM, 6)):
        return None
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
        self._settled = strip.known_on(baseline, align).settled
        shapely.prepare(region.polygon)

    def fitting(self, heights: Floats) -> int:
        """How many of the heights (h,), which rise, fit before the first that does not."""
        is_settled, poses = self._settle(heights)
        settled = np.flatnonzero(is_settled)
        inside = self._inside(poses[settled], heights[settled])
        end = int(settled[inside]) if inside < len(settled) else len(heights)
        doubtful = np.flatnonzero(~is_settled[:end])
        for at in range(0, len(doubtful), _TOGETHER):
            together = doubtful[at : at + _TOGETHER]
            fits = self._fit_tracked(heights[together])
            if fits < len(together):
                return int(together[fits])
        return end

    def _settle(self, heights: Floats) -> tuple[Bools, Floats]:
        """Of each height (h,) whether it is settled with no tracking, and where the letters with ink are then
        (h, n, 3); without those heights at which the words are too long."""
        short = heights[heights * self._strip.length <= self._track.length]
        is_settled = np.zeros(len(heights), dtype=bool)
        poses = self._untracked(short)
        settled = self._settled.get(short.tobytes())
        if settled is None:
            settled = self._settled[short.tobytes()] = self._strip.keeps(poses / _scales(short))
        is_settled[: len(short)] = settled
        return is_settled, poses

    def fits_alone(self, height_mm: float) -> bool:
        """Whether it fits at one height."""
        return self._fit_tracked(np.array([height_mm])) == 1

    def _fit_tracked(self, heights: Floats) -> int:
        """How many of some rising heights (h,) fit before the first that does not, with their tracking."""
        found = tracked(self._strip, self._baseline, heights.tolist(), align=self._align)
        placed = [one[0][self._strip.inked] for one in found if one is not None]
        if not placed:
            return 0
        high = heights[: len(placed)]
        return self._inside(np.array(placed) * _scales(high), high)

    def _untracked(self, heights: Floats) -> Floats:
        """x, y (mm) and turn (h, n, 3) of every cluster with ink, with no tracking and no pull."""
        strip = self._strip
        spare = {"start": 0.0, "centre": 0.5, "end": 1.0}[self._align] * (
            self._track.length - heights * strip.length
        )
        first = spare + heights * strip.advances[0] / 2
        arc = first[:, None] + np.outer(heights, strip.middles[strip.inked] - strip.middles[0])
        reach = np.maximum(strip.advances[strip.inked] / 2, LEAST_REACH)
        return self._track.poses(arc, np.outer(heights, reach))

    def _inside(self, poses: Floats, heights: Floats) -> int:
        """At how many of the heights (h,) every hull, at its poses (h, n, 3), lies in the region, before the
        first at which one does not."""
        boxes, hulls = self._strip.boxes, self._strip.hulls
        scale = np.repeat(heights, len(boxes))
        is_boxed = self._covers(np.tile(boxes, len(heights)), poses.reshape(-1, 3), scale)
        height, letter = np.nonzero(~is_boxed.reshape(len(heights), len(boxes)))
        for at in range(0, len(height), _COVERED_TOGETHER):
            high, whose = height[at : at + _COVERED_TOGETHER], letter[at : at + _COVERED_TOGETHER]
            is_in = self._covers(hulls[whose], poses[high, whose], heights[high])
            if not is_in.all():
                return int(high[np.argmin(is_in)])
        return len(heights)

    def _covers(self, pieces: Any, poses: Floats, scale: Floats) -> Bools:
        """Which of some boxes or hulls (k,) lie in the region at their poses (k, 3)."""
        return np.asarray(shapely.covers(self._region.polygon, put(pieces, poses, scale)), dtype=bool)


def _scales(heights: Floats) -> Floats:
    """What poses (h, n, 3) in capital heights are multiplied by."""
    return np.stack([heights, heights, np.ones_like(heights)], axis=-1)[:, None]


def inside(region: Region, bent: Bent | None) -> bool:
    """Whether something was bent, and all its hulls lie in the region."""
    return bent is not None and bool(np.all(shapely.covers(region.polygon, list(bent.shapes))))
