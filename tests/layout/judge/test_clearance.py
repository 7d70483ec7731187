"""The judge's own geometry against Shapely's rotations and affine maps, turn by turn."""

from __future__ import annotations

import math

import numpy as np
import pytest
from shapely import affinity
from shapely.geometry import Point, box

from layout.judge.clearance import SETTLED_MM, clearance_mm, field_overhang_mm
from layout.shop.outline import frozen
from layout.shop.plates import Play, Pose
from layout.shop.stations import Calibration
from tests.golden import turns

PLAY = Play(0.0, 10.0, (0.0, 0.0))
#: Within a step the mark moves by 7 µm.
ANGLES_DEG = np.linspace(-10.0, 10.0, 1_001)
LEVER_MM = 20.5


def room_mm(mark: object, free: object) -> float:
    if free.covers(mark):  # type: ignore[attr-defined]
        return float(free.boundary.distance(mark))  # type: ignore[attr-defined]
    corners = [Point(at) for at in mark.exterior.coords]  # type: ignore[attr-defined]
    return -max(free.distance(corner) for corner in corners)  # type: ignore[attr-defined]


@pytest.mark.parametrize("at_deg", [-6.9, 1.7, 7.3])
@pytest.mark.parametrize("gap_mm", [1.5, 0.2])
def test_the_least_room_is_that_of_the_worst_turn_wherever_it_lies(at_deg: float, gap_mm: float) -> None:
    """A spike points at the arc on which the mark travels; it comes nearest somewhere in between."""
    mark = box(LEVER_MM - 1, -0.5, LEVER_MM, 0.5)
    reach_mm = math.hypot(LEVER_MM, 0.5)
    spike = affinity.rotate(box(reach_mm + gap_mm, -0.01, reach_mm + gap_mm + 3, 0.01), at_deg, origin=(0, 0))
    free = box(-60, -60, 60, 60) - spike

    measured = clearance_mm(frozen([mark]), free, PLAY, enough_mm=5.0)

    sampled = min(room_mm(affinity.rotate(mark, turn, origin=(0, 0)), free) for turn in ANGLES_DEG)
    assert measured == pytest.approx(sampled, abs=0.004)
    assert measured == pytest.approx(gap_mm, abs=0.02)


@pytest.mark.parametrize("at_deg", [-4.1, 2.9])
def test_how_far_out_it_gets_is_that_of_the_worst_turn_too(at_deg: float) -> None:
    """The free area ends in a straight edge; turned towards it the mark's far corner passes it most."""
    mark = box(LEVER_MM - 1, -0.5, LEVER_MM, 0.5)
    free = affinity.rotate(box(-60, -60, 20.2, 60), at_deg, origin=(0, 0))

    measured = clearance_mm(frozen([mark]), free, PLAY, enough_mm=5.0)

    farthest = math.hypot(LEVER_MM, 0.5) - 20.2
    assert measured == pytest.approx(-farthest, abs=SETTLED_MM)


@pytest.mark.parametrize("side", ["left", "right", "low", "high"])
@pytest.mark.parametrize(("out_mm", "over_mm"), [(0.3, 0.35), (-0.04, 0.01), (-0.06, 0.0)])
def test_the_overhang_is_that_of_the_mark_as_an_affine_map_lays_it(
    side: str, out_mm: float, over_mm: float
) -> None:
    """On every side, by a line of 0.1 mm, with a seat that is turned and a plate turned and stretched."""
    outline = frozen([box(3, 2, 9, 4), box(20, 11, 24, 12)])
    pose = Pose(70.0, 30.0, 33.0, 3.0)
    station = turns.a_station(field_mm=(300.0, 200.0), origin="lower_left")
    on_plate = affinity.translate(
        affinity.rotate(outline.region, pose.turn_deg, origin=(0, 0)), pose.x_mm, pose.y_mm
    )
    turned = (0.97, -0.21, 0.19, 1.04)
    x0, y0, x1, y1 = affinity.affine_transform(on_plate, [*turned, 0.0, 0.0]).bounds
    tx, ty = {
        "left": (-out_mm - x0, 100 - y0),
        "right": (300 + out_mm - x1, 100 - y0),
        "low": (150 - x0, -out_mm - y0),
        "high": (150 - x0, 200 + out_mm - y1),
    }[side]

    over = field_overhang_mm(
        outline,
        pose,
        Calibration("measured", "left", "one", (*turned, tx, ty), 0.0),
        station,
        line_width_mm=0.1,
    )

    assert over == pytest.approx(over_mm, abs=1e-6)
