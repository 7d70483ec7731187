"""The judge's own calculation of focus: the plane that a mark lies in, and the one head height of a turn.

`layout.seating.focus` answers the same question for the claim, in the face's frame. This module works it out
in the plate's frame and shares no line with it, so that a slip in either shows as a disagreement
(`tests/layout/judge/test_focus_agrees.py`).
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import shapely
from shapely import affinity

from layout.shop.outline import Outline
from layout.shop.plates import Pose


@dataclass(frozen=True, slots=True)
class Surface:
    """How high the metal under one mark lies (mm above the plate's datum), and how far off it may burn."""

    lowest_mm: float
    highest_mm: float
    tolerance_mm: float


def surface_under(outline: Outline, pose: Pose, *, tolerance_mm: float) -> Surface:
    """The metal under an outline seated at that pose: the seat's plane, rising at its tilt."""
    ink = shapely.multipoints(shapely.get_coordinates([*outline.areas, *outline.strokes]))
    on_plate = affinity.rotate(ink.convex_hull, pose.turn_deg, origin=(0.0, 0.0))
    slope = math.tan(math.radians(pose.tilt_deg))
    uphill = math.radians(pose.tilt_towards_deg)
    rise_x, rise_y = slope * math.cos(uphill), slope * math.sin(uphill)
    # A plane has its extremes over a shape at corners of the shape's hull.
    corners = shapely.get_coordinates(on_plate)
    heights = [pose.height_mm + rise_x * float(x) + rise_y * float(y) for x, y in corners]
    return Surface(min(heights), max(heights), tolerance_mm)


def out_of_focus(surfaces: Sequence[tuple[str, Surface]]) -> Iterator[tuple[str, float, float]]:
    """For each mark: whose it is, how far (mm) it lies from the head's height at the worst, how far it may.

    The head stands half way between the highest floor and the lowest ceiling that any mark of the turn asks
    for: the height that is best for the worst of them. Nothing comes for a turn without marks.
    """
    if not surfaces:
        return
    floor_mm = max(surface.highest_mm - surface.tolerance_mm for _, surface in surfaces)
    ceiling_mm = min(surface.lowest_mm + surface.tolerance_mm for _, surface in surfaces)
    head_mm = (floor_mm + ceiling_mm) / 2
    for who, surface in surfaces:
        off_mm = max(abs(surface.highest_mm - head_mm), abs(surface.lowest_mm - head_mm))
        yield who, off_mm, surface.tolerance_mm
