"""The largest height on a curved baseline: every step from the floor upward, many steps at a time.

A step is settled by plain arithmetic where it can be: letters whose hulls an axis parts by more than they
must keep, letters that touch round a point known to lie in both. What that leaves open is bent by itself.
"""

from __future__ import annotations

import math

import numpy as np
import shapely
from shapely.geometry import LineString

from layout.fit.region import Region
from layout.lettering.baseline_curve import LEAST_REACH, Bent, Strip, Track, tracked
from layout.lettering.joints import KEPT_GAP, SLACK, Bools
from layout.lettering.poses import put, seen_from
from layout.shop.blades import Zone
from layout.shop.inscriptions import Align
from layout.shop.measure import HEIGHT_STEP_MM, Floats

#: Heights looked at together: few at first, because most words that don't fit fail early.
_FIRST_CHUNK, _LARGEST_CHUNK = 8, 64
#: Of those that need tracking so many are tracked together.
_TOGETHER = 16
#: Of so many the letters are looked for in the region together.
_COVERED_TOGETHER = 8
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
        shapely.prepare(strip.inks)

    def fitting(self, heights: Floats) -> int:
        """How many of the heights (h,), which rise, fit before the first that does not."""
        is_settled, is_covered = self._settle(heights)
        failed = np.flatnonzero(is_settled & ~is_covered)
        end = int(failed[0]) if len(failed) else len(heights)
        doubtful = np.flatnonzero(~is_settled[:end])
        for at in range(0, len(doubtful), _TOGETHER):
            together = doubtful[at : at + _TOGETHER]
            fits = self._fit_tracked(heights[together])
            if fits < len(together):
                return int(together[fits])
        return end

    def _settle(self, heights: Floats) -> tuple[Bools, Bools]:
        """Of each height, up to the first that is settled and fails, whether it is settled with no tracking,
        and whether it fits so (h,)."""
        needed = self._strip.length
        short = heights[heights * needed <= self._track.length]
        is_settled, is_covered = np.zeros((2, len(heights)), dtype=bool)
        if len(short):
            poses = self._untracked(short, needed)
            settled = self._settled.get(short.tobytes())
            if settled is None:
                unscaled = poses / np.stack([short, short, np.ones_like(short)], axis=-1)[:, None]
                settled = self._settled[short.tobytes()] = self._kept(unscaled)
            is_settled[: len(short)] = settled
            inked = poses[:, self._strip.inked]
            for at in range(0, len(short), _COVERED_TOGETHER):
                some = slice(at, min(at + _COVERED_TOGETHER, len(short)))
                is_covered[some] = self._covered(inked[some], short[some])
                if (is_settled[some] & ~is_covered[some]).any():
                    break  # what comes after the first that fails is of no account
        return is_settled, is_covered

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
        poses = np.array(placed) * np.stack([high, high, np.ones_like(high)], axis=-1)[:, None]
        is_covered = self._covered(poses, high)
        return len(placed) if is_covered.all() else int(np.argmin(is_covered))

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
        kept = strip.joints.are_kept(inked)
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
        """Whether every hull, at its poses (h, n, 3), lies in the region (h,)."""
        hulls = self._strip.hulls
        scale = np.repeat(heights, len(hulls))
        hulls = put(np.tile(hulls, len(heights)), poses.reshape(-1, 3), scale)
        is_covered = shapely.covers(self._region.polygon, hulls).reshape(len(heights), -1)
        return np.asarray(np.all(is_covered, axis=1))


def inside(region: Region, bent: Bent | None) -> bool:
    """Whether something was bent, and all its hulls lie in the region."""
    return bent is not None and bool(np.all(shapely.covers(region.polygon, list(bent.shapes))))
