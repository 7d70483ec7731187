"""How far joined letters come apart on a curve, by few questions to their outlines.

A corner of one letter that was once seen to lie in the other mostly still does at the next height. Two
letters that share a point are not apart: nothing need be measured between them.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import shapely

from layout.lettering.joints import Bools, Numbers
from layout.lettering.poses import apart, seen_from
from layout.shop.measure import Floats

#: So many corners that were seen to be shared are kept of a pair, of either letter.
_KEPT = 8


class Seams:
    """Of some letters (n,) with those inks the pairs (p, 2) that are joined."""

    def __init__(self, inks: Any, pairs: Numbers) -> None:
        self._inks, self._pairs = inks, pairs
        #: Of a pair that was seen to meet: corners of the second in the first, and the other way round; not
        #: numbers where none are known.
        self._shared: Floats = np.full((len(pairs), 2, _KEPT, 2), np.nan)

    def opened(self, pairs: Numbers, poses: Floats) -> Floats:
        """How far apart the inks of some pairs, by their numbers (k,), are at poses (k, 2, 3) of both."""
        gaps = np.zeros(len(pairs))
        left = np.flatnonzero(~self.share(pairs, poses))
        if len(left):
            one, two = self._inks[self._pairs[pairs[left]].T]
            gaps[left] = apart(one, two, poses[left, 0], poses[left, 1])
            met = left[gaps[left] == 0.0]
            for pair in np.unique(pairs[met]).tolist():
                at = met[pairs[met] == pair]
                self._keep_shared(pair, poses[at[len(at) // 2]])
        return gaps

    def share(self, pairs: Numbers, poses: Floats) -> Bools:
        """Whether a known corner of the one letter lies in the other, for pairs (k,) at poses (k, 2, 3)."""
        shared = np.zeros(len(pairs), dtype=bool)
        for host in (0, 1):
            left = np.flatnonzero(~shared & ~np.isnan(self._shared[pairs, host, 0, 0]))
            if len(left):
                corners = self._shared[pairs[left], host]
                shared[left] = self._hold(pairs[left], host, corners, poses[left]).any(axis=1)
        return shared

    def _keep_shared(self, pair: int, poses: Floats) -> None:
        """Keep corners of the second letter that lie in the first at poses (2, 3), and the other way
        round."""
        for host in (0, 1):
            corners = shapely.get_coordinates(self._inks[self._pairs[pair, 1 - host]])
            shared = corners[self._hold(np.array([pair]), host, corners[None], poses[None])[0]]
            if len(shared):
                spread = np.linspace(0, len(shared) - 1, _KEPT).round().astype(np.int64)
                self._shared[pair, host] = shared[spread]

    def _hold(self, pairs: Numbers, host: int, corners: Floats, poses: Floats) -> Bools:
        """Whether a letter of some pairs (k,), its first or second, holds corners (k, m, 2) of the other at
        poses (k, 2, 3) of both: (k, m)."""
        seen = seen_from(poses[:, host], poses[:, 1 - host])[:, None]
        cos, sin = np.cos(seen[..., 2]), np.sin(seen[..., 2])
        x, y = corners[..., 0], corners[..., 1]
        x, y = seen[..., 0] + cos * x - sin * y, seen[..., 1] + sin * x + cos * y
        return np.asarray(shapely.intersects_xy(self._inks[self._pairs[pairs, host]][:, None], x, y))
