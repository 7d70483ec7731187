"""When parcels leave: the carrier's cut-offs, and the time that packing needs before them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from layout.shop.hours import DAY_S, MOST_WEEKS, WEEK_S

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Carrier:
    """The cut-offs of a week in seconds since Monday 00:00, sorted; `shut` are whole days (0 is the first
    Monday) on which nothing leaves. A unit leaves with the first cut-off that is `packing_s` or more after
    it is boxed.

    >>> daily = Carrier((16 * 3600.0, 40 * 3600.0), packing_s=900.0)
    >>> daily.leaves(15.75 * 3600) / 3600, daily.leaves(15.95 * 3600) / 3600
    (16.0, 40.0)
    >>> daily.latest(17 * 3600) / 3600
    15.75
    """

    cutoffs: tuple[float, ...]
    packing_s: float = 0.0
    shut: frozenset[int] = frozenset()

    def between(self, begins: float, ends: float) -> list[float]:
        """The cut-offs from one moment to another, both included."""
        return [
            moment
            for week in range(int(begins // WEEK_S), int(ends // WEEK_S) + 1)
            for moment in (cutoff + week * WEEK_S for cutoff in self.cutoffs)
            if begins <= moment <= ends and int(moment // DAY_S) not in self.shut
        ]

    def latest(self, ship_by: float) -> float:
        """By when a unit must be boxed to leave by that time. Raises ValueError when nothing ever leaves."""
        for weeks in range(1, MOST_WEEKS):
            before = self.between(ship_by - weeks * WEEK_S, ship_by)
            if before:
                return before[-1] - self.packing_s
        raise ValueError("the carrier never comes")

    def leaves(self, boxed: float) -> float:
        """The cut-off with which a unit leaves that is boxed then. Raises ValueError when nothing ever
        leaves."""
        ready = boxed + self.packing_s
        for weeks in range(1, MOST_WEEKS):
            after = self.between(ready, ready + weeks * WEEK_S)
            if after:
                return after[0]
        raise ValueError("the carrier never comes")

    def all_leave(self, boxed: Floats) -> Floats:
        """`leaves` of many."""
        ready = boxed + self.packing_s
        cutoffs = np.array(self.between(float(ready.min()), self.leaves(float(boxed.max()))))
        leaving: Floats = cutoffs[np.searchsorted(cutoffs, ready)]
        return leaving
