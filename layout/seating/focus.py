"""Focus: how high the surface of a mark lies in its slot, and the one head height of a turn.

The head's height is set once per turn. It is the middle of the heights at which every mark of the turn is
within its process's tolerance; where no height suits all of them, the middle of the smallest gap.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import shapely

from layout.shop.loads import LoadLayout
from layout.shop.measure import Floats
from layout.shop.outline import Outline
from layout.shop.plates import Pose
from layout.shop.shop import Shop


@dataclass(frozen=True, slots=True)
class Heights:
    """Lowest and highest surface (mm above the plate's datum) under one mark, and the tolerance it allows."""

    low_mm: float
    high_mm: float
    tolerance_mm: float


def heights_of(outline: Outline, pose: Pose) -> tuple[float, float]:
    """Lowest and highest surface (mm above the plate's datum) under an outline seated at that pose."""
    return heights_at(reach_of(outline, rises_towards(pose)), pose)


def rises_towards(pose: Pose) -> float:
    """In which direction of the face, in degrees, its surface rises at that pose."""
    # The rise is measured along a direction of the plate; seen from the face that direction is turned back.
    return pose.tilt_towards_deg - pose.turn_deg


def reach_of(outline: Outline, towards_deg: float) -> tuple[float, float]:
    """From where to where, in mm from the origin of the face, an outline reaches in that direction."""
    return reach_of_points(shapely.get_coordinates([*outline.areas, *outline.strokes]), towards_deg)


def reach_of_points(points: Floats, towards_deg: float) -> tuple[float, float]:
    """The same of points (n, 2), as `outline.points_of_text` reads them."""
    towards = math.radians(towards_deg)
    along = points @ np.array([math.cos(towards), math.sin(towards)])
    return float(along.min()), float(along.max())


def heights_at(reach: tuple[float, float], pose: Pose) -> tuple[float, float]:
    """Lowest and highest surface (mm above the plate's datum) under what reaches so far in the direction in
    which the surface rises."""
    rise = math.tan(math.radians(pose.tilt_deg))
    first, last = (pose.height_mm + along * rise for along in reach)
    return min(first, last), max(first, last)


def middle_mm(heights: list[Heights]) -> float:
    """The surface height (mm above the plate's datum) to focus on for all of these marks.

    Raises ValueError for no marks.
    """
    lowest = max(h.high_mm - h.tolerance_mm for h in heights)
    highest = min(h.low_mm + h.tolerance_mm for h in heights)
    return (lowest + highest) / 2


def turn_focus_mm(shop: Shop, load: LoadLayout, turn: int) -> float:
    """Head height (mm) to set for a turn: the station's focus on the datum, plus the surface to focus on.

    A turn without marks keeps the station's focus. Raises KeyError for a name the shop doesn't know or a
    surface without a process.
    """
    station, plate = shop.stations[load.station], shop.plates[load.plate]
    heights: list[Heights] = []
    for fill in next(t for t in load.turns if t.turn == turn).fills:
        seat = plate.slot(fill.slot).seat(fill.blade, fill.face)
        for mark in fill.marks:
            process = shop.recipe_for(load.station, mark.surface)
            if seat is None or process is None:
                raise KeyError(f"slot {fill.slot}: no seat or no process")
            heights.append(Heights(*heights_of(mark.outline, seat.pose), process.focus_tolerance_mm))
    return station.focus_mm + (middle_mm(heights) if heights else 0.0)
