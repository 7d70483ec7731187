"""Slots measured with the pointer: found where they were put, and as unsure as the points are. The rigid fit
is held against SciPy's (`Rotation.align_vectors`)."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.spatial.transform import Rotation
from shapely.geometry import box

from layout.seating.measured_slots import NotMeasured, corners_of, measured_slots

OUTLINE = box(-4, -48, 142, 40)
MARKS = [(6.0, 6.0), (314.0, 6.0), (160.0, 214.0)]
THOUGHT = {"1": (12.0, 62.0, 0.0), "2": (168.0, 62.0, 0.0), "3": (300.0, 164.0, 180.0)}
TRUE = {"1": (12.3, 61.8, 0.2), "2": (168.0, 62.0, 0.0), "3": (299.5, 164.4, 180.5)}
LIE = (-160.0, -110.0, 1.5)


def turned(point, x, y, turn):
    cos, sin = math.cos(math.radians(turn)), math.sin(math.radians(turn))
    return x + cos * point[0] - sin * point[1], y + sin * point[0] + cos * point[1]


def met(axes=(1.0, 1.0), noise=0.0, seed=0):
    """What a pointer would read, under a station of these axes."""
    rng = np.random.default_rng(seed)

    def at(point):
        x, y = turned(point, *LIE)
        dx, dy = rng.normal(0, noise, 2) if noise else (0, 0)
        return (x + dx) * axes[0], (y + dy) * axes[1]

    marks = {n: at(mark) for n, mark in enumerate(MARKS, start=1)}
    corners = corners_of(OUTLINE)
    return marks, {
        slot: {n: at(turned(corner, *pose)) for n, corner in enumerate(corners, start=1)}
        for slot, pose in TRUE.items()
    }


def measured(marks, slots, **more):
    return measured_slots(
        THOUGHT, points=corners_of(OUTLINE), marks=MARKS, met_marks=marks, met=slots, **more
    )


@pytest.mark.parametrize("axes", [(1, 1), (1, -1), (0.998, 1.003)])
def test_slots_are_found_where_they_lie_whatever_the_stations_axes(axes):
    found = measured(*met(axes), axes=axes)

    assert found.marks_residual_mm < 1e-6
    for slot in found.slots:
        assert (slot.x_mm, slot.y_mm, slot.turn_deg) == pytest.approx(TRUE[slot.slot], abs=0.001)
        assert slot.residual_mm < 1e-6
    first = found.slots[0]
    assert first.moved_mm == pytest.approx(math.hypot(0.3, 0.2), abs=1e-4)
    assert first.turned_deg == pytest.approx(0.2, abs=1e-4)


def test_a_shaky_hand_shows_in_the_residuals_and_the_fit_is_the_best_there_is():
    marks, slots = met(noise=0.05, seed=7)
    found = measured(marks, slots)

    assert 0.005 < found.marks_residual_mm < 0.1
    corners = np.array(corners_of(OUTLINE))
    for slot in found.slots:
        points = np.array(list(slots[slot.slot].values()))
        flat = np.zeros((4, 1))
        own, there = (np.hstack([p - p.mean(axis=0), flat]) for p in (corners, points))
        _, rssd = Rotation.align_vectors(there, own)
        assert slot.residual_mm == pytest.approx(rssd / 2, rel=1e-6)  # of four points


def test_one_point_moves_a_slot_and_says_nothing_of_how_sure_that_is():
    marks, slots = met()
    found = measured(marks, {"2": {1: slots["2"][1]}})

    (slot,) = found.slots
    assert (slot.x_mm, slot.y_mm, slot.turn_deg) == pytest.approx(TRUE["2"], abs=0.001)
    assert slot.residual_mm is None


@pytest.mark.parametrize(
    ("spoil", "said"),
    [
        (lambda m, s: m.pop(1) and m.pop(2), "two of the plate's marks"),
        (lambda m, s: m.update({1: m[2]}), "the marks disagree by"),
        (lambda m, s: m.update({9: m[2]}), "the plate has no mark 9; there are 3"),
        (lambda m, s: s.update(X=s.pop("1")), "no slot 'X'; there are 1, 2, 3"),
        (lambda m, s: s["1"].update({5: (0, 0)}), "slot 1 has no point 5"),
        (lambda m, s: s["1"].update({2: (s["1"][2][0] + 2, s["1"][2][1])}), "slot 1: its points disagree by"),
        (lambda m, s: s.update({"1": s["2"]}), "slot 1 would lie 15.* look for a slip of the pen"),
    ],
)
def test_readings_that_contradict_one_another_are_refused(spoil, said):
    marks, slots = met()
    spoil(marks, slots)

    with pytest.raises(NotMeasured, match=said):
        measured(marks, slots)
