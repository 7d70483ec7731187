"""What a letter has in hand when it is burned: bounds by which most letters are seen to keep their shape
without being burned.

Two things are asked of a glyph, both in capital heights, and both only get worse with the width asked for:

- shrunk by so much, does enough of it stay that no point of it lies further off than a given reach;
- grown by so much, do its parts still stand apart, with no opening of its edge bridged.

They are looked at on the rungs of two ladders of widths: what holds on a rung holds for all that is
narrower. A rung is looked at once and kept, as other features are (`layout.marks.features`). The answers are
on the safe side: "no" means that nobody knows.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Callable

import shapely
from shapely.geometry import MultiPolygon, Polygon

from layout.shop.measure import Floats

#: Widths (capital heights) by which a glyph is shrunk and grown: half a line of a hundredth of a millimetre
#: on capitals of 10 mm is on the first rung, that of a tenth on capitals of 2 mm on the last.
SHRUNK = tuple(0.001 * 1.12**rung for rung in range(30))
GROWN = tuple(0.005 * 1.5**rung for rung in range(-6, 4))
#: Reaches that are tried, in multiples of what the glyph was shrunk by: right angles lie within the least of
#: them, corners of 48 degrees within the furthest.
REACHES = (1.45, 1.6, 1.75, 1.9, 2.05, 2.2, 2.35, 2.5)
#: Figures kept of a glyph: for each rung 0 while it was not looked at; then the least reach that is enough,
#: or 1 where openings stay; not a number where no reach is enough, or something closes.
FIGURES = len(SHRUNK) + len(GROWN)
#: Chords of buffers are this much nearer than the arcs that they stand for, at 8 to the quarter.
_CHORDS = 1.005
_QUARTER = 8


class Margins:
    """What one glyph has in hand. `region` gives its areas in capital heights when they are needed; `figures`
    (FIGURES,) are what is known of it, read and written in place."""

    def __init__(self, region: Callable[[], MultiPolygon], figures: Floats) -> None:
        self._region, self._figures = region, figures

    def stays_within(self, reach: float, *, shrunk_by: float) -> bool:
        """Whether no point of the glyph is further than `reach` from what is left of it when it is shrunk by
        `shrunk_by`, or by less."""
        rung = bisect_left(SHRUNK, shrunk_by)
        if rung == len(SHRUNK) or reach < REACHES[0] * SHRUNK[rung]:
            return False
        enough = self._figures[rung]
        if enough == 0.0:
            below = self._figures[rung - 1] if rung else 0.0
            enough = self._figures[rung] = self._reach(SHRUNK[rung], float(below))
        return bool(enough * SHRUNK[rung] <= reach)

    def stays_open(self, *, grown_by: float, pocket: float) -> bool:
        """Whether, where it grows by no more than `grown_by` anywhere, its parts stand apart, and nothing is
        enclosed that lay open before and that a disc of diameter `pocket` goes into. With a rung as
        `grown_by`: nothing is enclosed that is not filled when it grows by that."""
        rung = bisect_left(GROWN, grown_by)
        # An opening's sides may grow less than its mouth: such a disc's middle may be no further than half of
        # it from the drawing, and must not be filled before the rung is reached.
        if rung == len(GROWN) or (GROWN[rung] > grown_by and GROWN[rung] >= pocket / 2):
            return False
        at = len(SHRUNK) + rung
        if self._figures[at] == 0.0:
            self._figures[at] = 1.0 if self._is_open(GROWN[rung]) else math.nan
        return bool(self._figures[at] == 1.0)

    def look_at_all(self) -> None:
        """Look at every rung that was not looked at."""
        for width in GROWN:
            self.stays_open(grown_by=width, pocket=1.0)
        for width in SHRUNK:
            self.stays_within(1.0, shrunk_by=width)

    def _reach(self, width: float, below: float) -> float:
        """The least of the reaches that is enough for a rung. `below` is what is on the rung below, 0 while
        that was not looked at: mostly it is the same."""
        region = self._region()
        left = region.buffer(-width * _CHORDS, quad_segs=_QUARTER)
        if left.is_empty:
            return math.nan
        low, high, last = -1, len(REACHES), len(REACHES) - 1
        like = REACHES.index(below) if below in REACHES else None
        # With nothing to go by: most have nothing sharper than right angles, and many a hairline.
        first = [0, last] if below == 0.0 else [last] if like is None else [like, like - 1, like + 1]
        while high - low > 1:
            at = next((each for each in first if low < each < high), (low + high) // 2)
            if shapely.covers(left.buffer(REACHES[at] * width, quad_segs=_QUARTER), region):
                high = at
            else:
                low = at
        return REACHES[high] if high <= last else math.nan

    def _is_open(self, width: float) -> bool:
        parts = self._region().geoms
        # Counters may part when grown, and enclose nothing new: they are left out.
        filled = shapely.union_all([Polygon(part.exterior) for part in parts])
        if shapely.get_num_geometries(filled) != len(parts):
            return False  # a part inside another's counter
        grown = shapely.get_parts(filled.buffer(width * _CHORDS, quad_segs=_QUARTER))
        return len(grown) == len(parts) and not shapely.get_num_interior_rings(grown).any()
