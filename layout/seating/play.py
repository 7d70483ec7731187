"""How far a seated unit can stray from its pose, and what that costs a zone."""

from __future__ import annotations

import math
from collections.abc import Iterable

import numpy as np
import shapely
from shapely.geometry import Polygon

from layout.shop.plates import Play


def stray_mm(play: Play, polygon: Polygon) -> float:
    """Farthest that any point of the polygon (face frame) can move under the play.

    The shift, plus the chord of the tilt at the longest lever arm about the locating point.
    """
    points = shapely.get_coordinates(polygon) - np.array(play.about)
    lever = float(np.sqrt((points**2).sum(axis=1)).max())
    return play.shift_mm + 2 * lever * math.sin(math.radians(abs(play.tilt_deg)) / 2)


def worst_stray_mm(plays: Iterable[Play], polygon: Polygon) -> float:
    """The largest stray over several seats; 0 for none."""
    return max((stray_mm(play, polygon) for play in plays), default=0.0)
