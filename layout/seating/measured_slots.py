"""Slots measured with the laser's own pointer: where they really lie on a plate, and how sure that is.

The operator drives the pointer to the plate's marks and to points of each slot that can be found again (its
corners, its pins). The marks say how the plate lies under the laser; through that, the points of a slot say
where the slot lies on the plate, by least squares. What the points disagree by is said, slot by slot.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from shapely.geometry import Polygon

from layout.seating.registration import calibrate, off_mm

Point = tuple[float, float]
#: Points of a slot that disagree by more than this were not all met (common practice, no source).
DISAGREE_MM = 0.3
#: A slot that lies farther than this from where the file has it is more likely a slip of the pen.
FAR_MM = 10.0
_FAR_DEG = 5.0


class NotMeasured(ValueError):
    """Readings that say nothing, or contradict one another; the message says which."""


@dataclass(frozen=True, slots=True)
class MeasuredSlot:
    """Where a slot's frame lies on the plate (mm, degrees), how far that is from where it was thought to lie,
    and the root mean square by which its points disagree (mm; None where one point can't)."""

    slot: str
    x_mm: float
    y_mm: float
    turn_deg: float
    moved_mm: float
    turned_deg: float
    residual_mm: float | None


@dataclass(frozen=True, slots=True)
class MeasuredSlots:
    """All slots that were measured, and by how much the plate's marks disagree (mm)."""

    slots: tuple[MeasuredSlot, ...]
    marks_residual_mm: float


def corners_of(slot_outline: Polygon) -> tuple[Point, ...]:
    """The corners of the box around a slot's shape in its own frame, counter-clockwise from the lower left
    one: points that a pointer finds on most slots."""
    x0, y0, x1, y1 = slot_outline.bounds
    return ((x0, y0), (x1, y0), (x1, y1), (x0, y1))


def measured_slots(
    poses: Mapping[str, tuple[float, float, float]],
    *,
    points: Sequence[Point],
    marks: Sequence[Point],
    met_marks: Mapping[int, Point],
    met: Mapping[str, Mapping[int, Point]],
    axes: tuple[float, float] = (1.0, 1.0),
) -> MeasuredSlots:
    """Where slots lie on a plate.

    `poses` are those they are thought to have (x, y, turn), `points` the points of a slot in its own frame,
    `marks` the plate's marks on the plate. `met_marks` and `met` (by slot) are where the pointer met them, by
    number from 1, in the station's coordinates; `axes` are the station's own. Raises NotMeasured.
    """
    if len(met_marks) < 2:
        raise NotMeasured("measure two of the plate's marks at least: they say how the plate lies")
    places = [_nth(marks, number, "the plate", "mark") for number in met_marks]
    try:
        lie = calibrate(
            "", "", "", plate_points=places, measured=list(met_marks.values()), model="rigid", axes=axes
        )
    except ValueError as error:
        raise NotMeasured(f"the marks say nothing: {error}") from error
    worst = max(off_mm(lie, places, list(met_marks.values()), axes=axes))
    if worst > DISAGREE_MM:
        raise NotMeasured(
            f"the marks disagree by {worst:.2f} mm: measure them again, and look whether the plate lies "
            "against its stops"
        )
    a, b, c, d, tx, ty = lie.matrix
    back = np.linalg.inv(np.array([[a, b], [c, d]]))
    slots = []
    for slot, readings in met.items():
        if slot not in poses:
            raise NotMeasured(f"the plate has no slot {slot!r}; there are {', '.join(poses)}")
        own = [_nth(points, number, f"slot {slot}", "point") for number in readings]
        there = (np.array(list(readings.values())) - (tx, ty)) @ back.T
        slots.append(_slot(slot, poses[slot], own, [(float(x), float(y)) for x, y in there]))
    return MeasuredSlots(tuple(slots), lie.residual_mm)


def _slot(
    slot: str, pose: tuple[float, float, float], own: Sequence[Point], there: Sequence[Point]
) -> MeasuredSlot:
    residual: float | None = None
    if len(own) == 1:
        turn = pose[2]
        cos, sin = math.cos(math.radians(turn)), math.sin(math.radians(turn))
        (px, py), (qx, qy) = own[0], there[0]
        x, y = qx - cos * px + sin * py, qy - sin * px - cos * py
    else:
        try:
            fit = calibrate("", "", "", plate_points=own, measured=there, model="rigid")
        except ValueError as error:
            raise NotMeasured(f"slot {slot}: {error}") from error
        residual = fit.residual_mm
        cos, _, sin, _, x, y = fit.matrix
        turn = math.degrees(math.atan2(sin, cos))
    if residual is not None and residual > DISAGREE_MM:
        raise NotMeasured(f"slot {slot}: its points disagree by {residual:.2f} mm: measure it again")
    moved, turned = math.hypot(x - pose[0], y - pose[1]), abs((turn - pose[2] + 180) % 360 - 180)
    if moved > FAR_MM or turned > _FAR_DEG:
        raise NotMeasured(
            f"slot {slot} would lie {moved:.1f} mm and {turned:.1f} degrees from where the file has it: look "
            "for a slip of the pen, or correct the file first"
        )
    return MeasuredSlot(
        slot, round(x, 3) + 0.0, round(y, 3) + 0.0, round(turn % 360, 3) % 360 + 0.0, moved, turned, residual
    )


def _nth(points: Sequence[Point], number: int, whose: str, what: str) -> Point:
    if not 1 <= number <= len(points):
        raise NotMeasured(f"{whose} has no {what} {number}; there are {len(points)}")
    return points[number - 1]
