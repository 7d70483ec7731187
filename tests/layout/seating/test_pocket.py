"""How a unit lies in a pocket, held against exact answers, against linear programs for convex pockets
(SciPy's HiGHS), and against every pose of a fine grid."""

from __future__ import annotations

import itertools
import math
import random

import numpy as np
import pytest
import shapely
from scipy.optimize import linprog
from shapely import affinity
from shapely.geometry import Point, Polygon, box

from layout.seating.pocket import ways_in
from tests.regions import AXE_HEAD as HEAD


def placed(shape: Polygon, way: object) -> Polygon:
    turned = affinity.rotate(shape, way.turn_deg, origin=(0, 0))  # type: ignore[attr-defined]
    return affinity.translate(turned, way.x_mm, way.y_mm)  # type: ignore[attr-defined]


@pytest.mark.parametrize("turn", [0, 37, 90, 180, -121.5])
def test_a_pocket_as_large_as_the_unit_and_its_room_takes_it_one_way(turn):
    pocket = affinity.translate(
        affinity.rotate(HEAD.buffer(0.3, join_style="mitre"), turn, origin=(0, 0)), 50, -7
    )

    (way,) = ways_in(pocket, HEAD).ways

    assert way.clearance_mm == pytest.approx(0.3, abs=0.003)
    assert (way.x_mm, way.y_mm) == pytest.approx((50, -7), abs=0.01)
    assert way.turn_deg == pytest.approx(turn, abs=0.01)
    assert way.is_held
    # It can be pushed at least by the room, and turned by what that is at its farthest corner.
    assert 0.3 <= way.shift_mm < 0.6
    assert math.degrees(0.3 / 90) < way.tilt_deg < math.degrees(0.3 / 30)


def test_a_rectangle_goes_in_two_ways_and_its_play_is_known():
    ways = ways_in(box(0, 0, 60, 30), box(-30, -15, 29.6, 14.8)).ways

    assert sorted(round(abs(way.turn_deg)) for way in ways) == [0, 180]
    for way in ways:
        assert way.clearance_mm == pytest.approx(0.1, abs=0.001)
        # By half of 0.4 to the side, and half of 0.2 up; the corner between them.
        assert 0.2 <= way.shift_mm <= math.hypot(0.2, 0.1) / math.cos(math.pi / 8) + 1e-3
        # Turned in a slot of height h, a rectangle a x b touches where a sin t + b cos t = h.
        angle = math.radians(way.tilt_deg)
        assert 59.6 * math.sin(angle) + 29.8 * math.cos(angle) == pytest.approx(30, abs=0.002)


def test_the_mirror_image_of_a_head_does_not_lie_in_its_pocket():
    pocket = HEAD.buffer(0.3, join_style="mitre")

    assert ways_in(pocket, affinity.scale(HEAD, -1, 1)).ways == ()


def test_a_bump_in_the_wall_keeps_a_rectangle_from_lying_there():
    rectangle = box(0, 0, 59.6, 29.6)
    bump = Point(30, 30).buffer(1)

    assert len(ways_in(box(0, 0, 60, 30), rectangle).ways) == 2
    assert ways_in(box(0, 0, 60, 30).difference(bump), rectangle).ways == ()


def test_a_notch_says_which_way_round():
    pocket = box(0, 0, 60, 30).difference(Point(0, 0).buffer(4))
    blade = box(0, 0, 59.6, 29.6).difference(Point(0, 0).buffer(4.4))

    (way,) = ways_in(pocket, blade).ways

    assert way.turn_deg == pytest.approx(0, abs=0.01)


def test_a_small_unit_in_a_large_pocket_is_not_held():
    assert ways_in(box(0, 0, 300, 200), box(0, 0, 20, 10)).is_loose
    (way,) = ways_in(HEAD.buffer(2), HEAD).ways
    assert not way.is_held


def test_a_unit_larger_than_the_pocket_has_no_way():
    assert ways_in(box(0, 0, 60, 30), box(0, 0, 60.1, 10)).ways == ()
    assert ways_in(box(0, 0, 60, 30), box(0, 0, 70, 40)).ways == ()
    with pytest.raises(ValueError, match="area"):
        ways_in(Polygon(), HEAD)


@pytest.mark.parametrize("seed", range(3))
def test_in_a_convex_pocket_no_turn_leaves_more_room(seed):
    """For one turn the most room in a convex pocket is a linear program (a Chebyshev centre, with the unit's
    support in each direction: S. Boyd and L. Vandenberghe, "Convex Optimization", 2004, section 8.5.1); every
    turn is tried in small steps."""
    rng = np.random.default_rng(seed)
    pocket = shapely.MultiPoint(rng.uniform((-40, -20), (40, 20), (9, 2))).convex_hull
    unit = affinity.scale(
        shapely.MultiPoint(rng.uniform((-40, -20), (40, 20), (6, 2))).convex_hull, 0.62, 0.62
    )
    ring = np.asarray(shapely.geometry.polygon.orient(pocket).exterior.coords)
    along = np.diff(ring, axis=0)
    inward = np.column_stack([-along[:, 1], along[:, 0]]) / np.hypot(*along.T)[:, None]
    offsets = (inward * ring[:-1]).sum(axis=1)
    corners = shapely.get_coordinates(unit.convex_hull)

    def room_at(turn: float) -> float:
        cos, sin = math.cos(turn), math.sin(turn)
        support = (corners @ np.array([[cos, sin], [-sin, cos]]) @ inward.T).min(axis=0)
        rows = np.column_stack([-inward, np.ones(len(inward))])
        solved = linprog([0, 0, -1], A_ub=rows, b_ub=support - offsets, bounds=[(None, None)] * 3)
        return float(solved.x[2])

    turns = np.radians(np.arange(0, 360, 2.0))
    coarse = [room_at(turn) for turn in turns]
    best = turns[int(np.argmax(coarse))]
    most = max(room_at(best + fine) for fine in np.radians(np.arange(-2, 2.001, 0.1)))
    found = ways_in(pocket, unit)

    if most < 0.04:
        assert found.ways == (), seed
    elif most > 0.06 and not found.is_loose:
        assert found.ways[0].clearance_mm == pytest.approx(most, abs=0.02), seed


@pytest.mark.parametrize("seed", range(4))
def test_no_pose_of_a_grid_leaves_more_room_than_the_way_found(seed):
    """Brute force, in pockets with walls that stand in."""
    rng = random.Random(seed)
    angles = sorted(rng.uniform(0, 2 * math.pi) for _ in range(9))
    unit = Polygon(
        [(rng.uniform(6, 14) * math.cos(a), rng.uniform(6, 14) * math.sin(a)) for a in angles]
    ).buffer(0)
    unit = max(shapely.get_parts(unit), key=lambda part: part.area)
    turned = affinity.rotate(unit, rng.uniform(0, 360), origin=(0, 0))
    pocket = turned.buffer(rng.uniform(0.4, 0.9), join_style="mitre").difference(box(100, 0, 101, 1))
    found = ways_in(pocket, unit).ways

    assert found, seed
    best = found[0]
    assert best.clearance_mm == pytest.approx(pocket.boundary.distance(placed(unit, best)), abs=0.002)
    assert pocket.covers(placed(unit, best))
    for dx, dy, dt in itertools.product(
        np.linspace(-1, 1, 11), np.linspace(-1, 1, 11), np.linspace(-4, 4, 17)
    ):
        here = affinity.translate(
            affinity.rotate(placed(unit, best), dt, origin=best_middle(unit, best)), dx, dy
        )
        if pocket.covers(here):
            assert pocket.boundary.distance(here) <= best.clearance_mm + 0.005, (seed, dx, dy, dt)
            # And whatever can be reached lies within the play that is said.
            assert math.hypot(dx, dy) <= best.shift_mm + 0.01
            assert abs(dt) <= best.tilt_deg + 0.01


def best_middle(unit: Polygon, way: object) -> tuple[float, float]:
    middle = placed(Point(*way.about), way)  # type: ignore[attr-defined]
    return middle.x, middle.y
