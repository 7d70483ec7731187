"""The judge's own geometry: where ink may be, how much room it keeps at the worst seating, the field."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import shapely

from layout.shop.blades import Face, Zone
from layout.shop.measure import Floats
from layout.shop.outline import Outline
from layout.shop.plates import Play, Pose
from layout.shop.stations import Calibration, Station

#: Ranges of turns are halved until the ink moves no more than this within one of them.
SETTLED_MM = 0.0005


def free_area(face: Face, zone: Zone) -> Any:
    """Zone and silhouette without the keep-outs (mm, face frame), nothing shrunk."""
    free = zone.polygon & face.silhouette
    for keep_out in face.keep_outs:
        free = free - keep_out.polygon
    return free


def clearance_mm(outline: Outline, free: Any, play: Play, *, enough_mm: float) -> float:
    """Least distance (mm) from the outline, over every turn the play allows, to what is not free.

    Negative when some of the outline is not in the free area at all: then how far out it gets.
    Exact to SETTLED_MM where it is below `enough_mm`; where it is above, only that is certain.
    """
    ink = np.array([*outline.areas, *outline.strokes], dtype=object)
    lever = float(np.hypot(*(shapely.get_coordinates(ink) - np.array(play.about)).T).max())
    turn = math.radians(abs(play.tilt_deg))

    def at(angle: float) -> float:
        return _room_mm(_turned(ink, angle, play.about), free)

    ends = (-turn, turn) if turn > 0 else (0.0, 0.0)
    rooms = at(ends[0]), at(ends[1])
    lowest, open_ranges = min(rooms), [(*ends, *rooms)]
    while open_ranges:
        left, right, room_left, room_right = open_ranges.pop()
        moved = lever * (right - left)
        # Between two turns the room can be no less than this, for no point moves farther than `moved`.
        if (room_left + room_right - moved) / 2 >= min(enough_mm, lowest) or moved <= SETTLED_MM:
            continue
        middle = (left + right) / 2
        room = at(middle)
        lowest = min(lowest, room)
        open_ranges += [(left, middle, room_left, room), (middle, right, room, room_right)]
    return lowest


def _room_mm(ink: Any, free: Any) -> float:
    """Distance from ink to the edge of the free area; negative: how far out the ink gets."""
    if free.is_empty:
        return -math.inf
    if shapely.covers(free, ink).all():
        return float(shapely.distance(free.boundary, ink).min())
    outside = shapely.get_coordinates(shapely.difference(ink, free))
    return -float(shapely.distance(free, shapely.points(outside)).max())


def _turned(geometry: Any, angle: float, about: tuple[float, float]) -> Any:
    if angle == 0:
        return geometry
    cos, sin, (x, y) = math.cos(angle), math.sin(angle), about

    def turn(points: Floats) -> Floats:
        dx, dy = points[:, 0] - x, points[:, 1] - y
        return np.column_stack([x + cos * dx - sin * dy, y + sin * dx + cos * dy])

    return shapely.transform(geometry, turn)


def field_overhang_mm(
    outline: Outline, pose: Pose, calibration: Calibration, station: Station, *, line_width_mm: float
) -> float:
    """How far (mm) the beam would leave the station's field, half a line's width included; 0 if not."""
    # Turned and moved by the judge's own sums, not by `layout.shop.affine`: what placed the mark would
    # repeat its mistake here.
    points = shapely.get_coordinates([*outline.areas, *outline.strokes])
    turn = math.radians(pose.turn_deg)
    x = pose.x_mm + points[:, 0] * math.cos(turn) - points[:, 1] * math.sin(turn)
    y = pose.y_mm + points[:, 0] * math.sin(turn) + points[:, 1] * math.cos(turn)
    a, b, c, d, tx, ty = calibration.matrix
    station_x, station_y = a * x + b * y + tx, c * x + d * y + ty
    x0, y0, x1, y1 = station.field_box_mm
    over = max(x0 - station_x.min(), station_x.max() - x1, y0 - station_y.min(), station_y.max() - y1)
    return max(0.0, float(over) + line_width_mm / 2)
