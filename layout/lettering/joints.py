"""What every two neighbouring letters must keep on a curve, and what plain arithmetic shows of it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely

from layout.lettering.poses import moved, seen_from
from layout.shop.measure import Floats

Bools = np.ndarray[tuple[int, ...], np.dtype[np.bool_]]
Numbers = np.ndarray[tuple[int, ...], np.dtype[np.int_]]

#: Clusters that don't touch on a straight line keep at least this share of their distance on a curve.
KEPT_GAP = 0.5
#: The slack that counts as none, in capital heights.
SLACK = 1e-6
#: Axes (radians from the letters' own direction) along which two letters are looked at.
_AXES: Floats = np.radians(np.arange(-50.0, 51.0, 10.0))
#: Capital heights that a decision by arithmetic must have in hand, so that rounding never turns it.
_IN_HAND = 1e-9
#: A letter's support function is known in so many directions, evenly spread.
_DIRECTIONS = 64
_BETWEEN = 2 * np.pi / _DIRECTIONS
#: A disc in which two letters overlap is found to this share of their overlap's size.
_DISC = 0.2


@dataclass(frozen=True, slots=True)
class Joints:
    """What each of some pairs of letters must keep, and what shows at once that it does; in capital heights.

    `support` (n, _DIRECTIONS): how far each letter reaches from its mid-point in every direction; none of it
    lies further from there than its `radius`. A pair that must stay `needed` apart does so while some axis
    parts the two by as much, or while nothing of the second has moved, as seen from the first, by more than
    it may from where it is on a straight line (`straight`). A pair that must stay together touches while two
    points that meet on a straight line, `own` seen from the first and `other` from the second, are within
    `reach` of each other.
    """

    pairs: Numbers
    tied: Bools
    gaps: Floats
    needed: Floats
    support: Floats
    radius: Floats
    straight: Floats
    own: Floats
    other: Floats
    reach: Floats

    @classmethod
    def of(
        cls, pairs: Numbers, gaps: Floats, *, hulls: Any, middles: Floats, straight: Any, joint: float
    ) -> Joints:
        """Of letters with those hulls about their mid-points, which on a straight line lie at `middles`, with
        their ink as in `straight`; `pairs` (p, 2) of them are `gaps` (p,) apart there, and those that touch
        may come apart by `joint`."""
        tied = gaps <= SLACK
        support, radius = _support(hulls)
        touching = [
            _touch(straight[one], straight[other], joint) if is_tied else (0.0, 0.0, 0.0)
            for (one, other), is_tied in zip(pairs, tied, strict=True)
        ]
        x, y, reach = np.array(touching).reshape(-1, 3).T
        first, second = pairs.T
        return cls(
            pairs=pairs,
            tied=tied,
            gaps=gaps,
            needed=KEPT_GAP * gaps + _IN_HAND,
            support=support,
            radius=radius,
            straight=middles[second] - middles[first],
            own=np.column_stack([x - middles[first], y]),
            other=np.column_stack([x - middles[second], y]),
            reach=reach - _IN_HAND,
        )

    def are_kept(self, poses: Floats) -> Bools:
        """Whether a pair certainly keeps what it must (h, p); `poses` (h, n, 3) of the letters."""
        one, two = poses[:, self.pairs[:, 0]], poses[:, self.pairs[:, 1]]
        seen = seen_from(one, two)
        shift = np.hypot(seen[..., 0] - self.straight, seen[..., 1])
        strayed = shift + 2 * self.radius[self.pairs[:, 1]] * np.abs(np.sin(seen[..., 2] / 2))
        between = self.own - moved(self.other, seen)
        together = np.hypot(between[..., 0], between[..., 1]) <= self.reach
        kept = np.where(self.tied, together, self.gaps - strayed >= self.needed)
        asked = np.nonzero(~kept & ~self.tied)  # axes cost the most
        if len(asked[0]):
            kept[asked] = self._parted(asked[1], seen[asked]) >= self.needed[asked[1]]
        return np.asarray(kept)

    def _parted(self, pairs: Numbers, seen: Floats) -> Floats:
        """How far apart the axis that parts them best shows some pairs (k,) to be at least; `seen` (k, 3):
        the second of each as the first sees it."""
        turn = np.remainder(seen[:, 2] + np.pi, 2 * np.pi) - np.pi
        axis = _AXES[:, None] + turn / 2
        origin = seen[:, 0] * np.cos(axis) + seen[:, 1] * np.sin(axis)
        ends = self._reaches(self.pairs[pairs, 0], axis)
        begins = origin - self._reaches(self.pairs[pairs, 1], axis + np.pi - turn)
        return np.asarray((begins - ends).max(axis=0))

    def _reaches(self, letters: Numbers, angle: Floats) -> Floats:
        """How far some letters (k,) reach from their mid-points at those angles (..., k) at the most.

        A direction between two known ones is a sum of them with factors of nought or more; what lies within
        reach along both lies within the same sum of the reaches.
        """
        at = np.remainder(angle, 2 * np.pi) / _BETWEEN
        low = at.astype(np.int64)
        beyond = (at - low) * _BETWEEN
        lower = self.support[letters, low % _DIRECTIONS]
        upper = self.support[letters, (low + 1) % _DIRECTIONS]
        mixed = lower * np.sin(_BETWEEN - beyond) + upper * np.sin(beyond)
        return np.asarray(mixed / np.sin(_BETWEEN))


def _support(hulls: Any) -> tuple[Floats, Floats]:
    """Support functions (n, _DIRECTIONS) and radii (n,) of hulls about their mid-points."""
    corners, hull = shapely.get_coordinates(hulls, return_index=True)
    angles = np.arange(_DIRECTIONS) * _BETWEEN
    first = np.searchsorted(hull, np.arange(len(hulls)))
    along = corners @ np.stack([np.cos(angles), np.sin(angles)])
    return np.maximum.reduceat(along, first), np.maximum.reduceat(np.hypot(*corners.T), first)


def _touch(one: Any, two: Any, joint: float) -> tuple[float, float, float]:
    """A point (x, y) where the inks of two letters meet, and how far the two may go from each other there and
    still be together."""
    shared = [part for part in shapely.get_parts(shapely.intersection(one, two)) if part.area > 0]
    if shared:
        largest = max(shared, key=lambda part: part.area)
        circle = shapely.maximum_inscribed_circle(largest, tolerance=_DISC * math.sqrt(largest.area))
        (x, y), _ = circle.coords
        return x, y, 2 * circle.length  # either letter holds a disc so wide
    (x, y), _ = shapely.shortest_line(one, two).coords
    return x, y, joint - SLACK
