"""How far joined letters come apart on a curve, by few questions to their outlines.

A corner of one letter that was once seen to lie in the other mostly still does at the next height. Two
letters that share a point are not apart: nothing need be measured between them.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import shapely

from layout.lettering.joints import Bools, Numbers
from layout.lettering.poses import apart, moved, seen_from
from layout.shop.measure import Floats


class Seams:
    """Of some letters (n,) with those inks the pairs (p, 2) that are joined."""

    def __init__(self, inks: Any, pairs: Numbers) -> None:
        self._inks, self._pairs = inks, pairs
        #: Of a pair that was seen to meet: the second's corners in the first, and the other way round.
        self._shared: dict[int, list[Floats]] = {}

    def opened(self, pairs: Numbers, poses: Floats) -> Floats:
        """How far apart the inks of some pairs, by their numbers (k,), are at poses (k, 2, 3) of both."""
        gaps = np.zeros(len(pairs))
        for pair in np.unique(pairs).tolist():
            at = np.flatnonzero(pairs == pair)
            at = at[~self._share(pair, poses[at])]
            if len(at):
                one, two = self._inks[self._pairs[pair]]
                gaps[at] = apart(np.full(len(at), one), np.full(len(at), two), poses[at, 0], poses[at, 1])
                met = at[gaps[at] == 0.0]
                if len(met):
                    self._shared[pair] = self._corners_shared(pair, poses[met[len(met) // 2]])
        return gaps

    def share(self, pairs: Numbers, poses: Floats) -> Bools:
        """Whether a known corner of the one letter lies in the other, for pairs (k,) at poses (k, 2, 3)."""
        shared = np.zeros(len(pairs), dtype=bool)
        for pair in np.unique(pairs).tolist():
            at = np.flatnonzero(pairs == pair)
            shared[at] = self._share(pair, poses[at])
        return shared

    def _share(self, pair: int, poses: Floats) -> Bools:
        """Whether a known corner of the one letter lies in the other at poses (k, 2, 3)."""
        shared = np.zeros(len(poses), dtype=bool)
        for host, corners in enumerate(self._shared.get(pair, ())):
            left = np.flatnonzero(~shared)
            if len(left) and len(corners):
                shared[left] = self._hold(pair, host, corners, poses[left]).any(axis=1)
        return shared

    def _corners_shared(self, pair: int, poses: Floats) -> list[Floats]:
        """The corners of the second letter that lie in the first at poses (2, 3), and the other way round."""
        shared = []
        for host in (0, 1):
            corners = shapely.get_coordinates(self._inks[self._pairs[pair, 1 - host]])
            shared.append(corners[self._hold(pair, host, corners, poses[None])[0]])
        return shared

    def _hold(self, pair: int, host: int, corners: Floats, poses: Floats) -> Bools:
        """Whether a letter of a pair, its first or second, holds corners (m, 2) of the other at poses
        (k, 2, 3) of both: (k, m)."""
        seen = seen_from(poses[:, host], poses[:, 1 - host])
        x, y = np.moveaxis(moved(corners, seen[:, None]), -1, 0)
        return np.asarray(shapely.intersects_xy(self._inks[self._pairs[pair, host]], x, y))
