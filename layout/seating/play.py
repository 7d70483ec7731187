"""How far a seated unit can stray from its pose, and what that costs a zone.

A pocket is cut a little larger than the knife, so a knife can lie a little to one side or turned a little
about its locating pin. 0.1 mm of shift and 0.2° about a pin 80 mm away move a letter at the tip by 0.38 mm:
every zone is shrunk by that much before a mark is fitted into it.

>>> from shapely.geometry import box
>>> round(stray_mm(Play(0.1, 0.2), box(0, 0, 80, 1)), 2)
0.38
"""

from __future__ import annotations

import math
from collections.abc import Iterable

import numpy as np
import shapely
from shapely.geometry import Polygon

from layout.shop.plates import Play


def stray_mm(play: Play, polygon: Polygon) -> float:
    """The farthest that any point of the polygon (face frame) can move within the play.

    The shift, plus the chord of the tilt at the longest lever arm about the locating point.
    """
    points = shapely.get_coordinates(polygon) - np.array(play.about)
    lever = float(np.sqrt((points**2).sum(axis=1)).max())
    return play.shift_mm + 2 * lever * math.sin(math.radians(abs(play.tilt_deg)) / 2)


def worst_stray_mm(plays: Iterable[Play], polygon: Polygon) -> float:
    """The largest stray over several seats; 0 for none."""
    return max((stray_mm(play, polygon) for play in plays), default=0.0)
