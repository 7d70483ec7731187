"""Where a mark is in reach: the edge of the field, every copy of the plate, focus on a tilted seat."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from shapely import affinity
from shapely.geometry import box

from layout.seating.places import Candidate, Reach, candidates
from layout.seating.registration import nominal
from layout.shop.outline import frozen
from layout.shop.plates import Pose
from layout.shop.shop import Shop
from layout.shop.stations import Calibration
from tests.golden import turns

#: The builder's station: from the face in slot A1 to the station; half its field, which lies in the middle.
TO_STATION_MM = (-50.0, -20.0)
HALF_FIELD_MM = (70.0, 40.0)
HALF_LINE_MM = 0.05 / 2


def first(shop: Shop) -> Candidate:
    return next(one for one in candidates(shop, "PARER", "mark_side", turns.SATIN) if one.place.slot == "A1")


def edges_mm() -> dict[str, float]:
    """The outermost coordinates of a mark in the face's frame."""
    (dx, dy), (w, h) = TO_STATION_MM, HALF_FIELD_MM
    return {
        "left": -w + HALF_LINE_MM - dx,
        "right": w - HALF_LINE_MM - dx,
        "low": -h + HALF_LINE_MM - dy,
        "high": h - HALF_LINE_MM - dy,
    }


@pytest.mark.parametrize("edge", ["left", "right", "low", "high"])
@pytest.mark.parametrize(("over_mm", "is_in_reach"), [(0.0, True), (0.001, False)])
def test_the_line_s_own_width_stays_in_the_field_on_every_side(
    edge: str, over_mm: float, *, is_in_reach: bool
) -> None:
    shop = turns.a_shop()
    at = edges_mm()[edge]
    square = {
        "left": box(at - over_mm, 0, at + 1, 1),
        "right": box(at - 1, 0, at + over_mm, 1),
        "low": box(0, at - over_mm, 1, at + 1),
        "high": box(0, at - 1, 1, at + over_mm),
    }[edge]

    places = Reach(shop, [first(shop)]).places(frozen([square]), {})

    assert bool(places) == is_in_reach


def a_calibration(shop: Shop, copy: str, *, turned_deg: float = 0.0, moved_mm: float = 0.0) -> Calibration:
    """The plate as it is described, turned about the station's own zero and moved along x."""
    a, b, c, d, tx, ty = nominal(shop.stations["left"], shop.plates["bench"], copy).matrix
    cos, sin = math.cos(math.radians(turned_deg)), math.sin(math.radians(turned_deg))
    matrix = (
        cos * a - sin * c,
        cos * b - sin * d,
        sin * a + cos * c,
        sin * b + cos * d,
        cos * tx - sin * ty + moved_mm,
        sin * tx + cos * ty,
    )
    return Calibration("measured", "left", copy, matrix, 0.0)


@pytest.mark.parametrize("copy", ["one", "two"])
def test_a_mark_is_in_reach_only_where_every_copy_of_the_plate_brings_it_there(copy: str) -> None:
    shop = turns.a_shop()
    at = edges_mm()["right"]
    mark = frozen([box(at - 1.5, 0, at - 0.5, 1)])
    reach = Reach(shop, [first(shop)])

    assert reach.places(mark, {("left", copy): a_calibration(shop, copy, moved_mm=0.4)})
    assert not reach.places(mark, {("left", copy): a_calibration(shop, copy, moved_mm=0.6)})
    assert reach.places(mark, {})


def test_a_plate_that_lies_turned_takes_its_marks_with_it() -> None:
    """A mark in the field's corner as described; turned by 3 degrees one of its ends leaves the field, turned
    the other way another one. Where each comes to lie is worked out by Shapely's own rotation."""
    shop = turns.a_shop()
    x, y = edges_mm()["right"], edges_mm()["high"]
    (dx, dy), (w, h) = TO_STATION_MM, HALF_FIELD_MM
    field = box(-w + HALF_LINE_MM, -h + HALF_LINE_MM, w - HALF_LINE_MM, h - HALF_LINE_MM)
    reach = Reach(shop, [first(shop)])

    for left, low in ((x - 8, y - 1), (x - 1, y - 8), (x - 8, y - 8), (x - 30, y - 3), (x - 4, y - 30)):
        square = box(left, low, left + 1, low + 1)
        for turn in (-3.0, 3.0):
            calibrations = {("left", "one"): a_calibration(shop, "one", turned_deg=turn)}
            lies = affinity.rotate(affinity.translate(square, dx, dy), turn, origin=(0, 0))

            assert bool(reach.places(frozen([square]), calibrations)) == field.covers(lies)


def test_a_region_in_reach_everywhere_answers_for_every_mark_in_it_and_another_for_none() -> None:
    shop = turns.a_shop()
    where = candidates(shop, "PARER", "mark_side", turns.SATIN)
    everywhere = frozenset(candidate.place for candidate in where)
    inside, outside = frozen([box(10, 5, 12, 7)]), frozen([box(500, 5, 502, 7)])

    assert len(everywhere) == 2
    assert Reach(shop, where, box(5, 3, 35, 17)).places(inside, {}) == everywhere
    wide = Reach(shop, where, box(5, 3, 600, 17))
    assert wide.places(inside, {}) == everywhere
    assert wide.places(outside, {}) == frozenset()


@pytest.mark.parametrize(("length_mm", "is_in_focus"), [(9.999, True), (10.001, False)])
def test_a_tilted_seat_is_in_focus_while_half_the_rise_is_tolerated(
    length_mm: float, *, is_in_focus: bool
) -> None:
    tilt_deg = math.degrees(math.atan(0.1))  # 1 mm in 10
    shop = turns.a_shop(
        plate=turns.a_plate(pose=Pose(10.0, 10.0, 0.0, 3.0, tilt_deg=tilt_deg, tilt_towards_deg=0.0)),
        process=turns.a_process(focus_tolerance_mm=0.5),
    )
    flat = replace(first(shop), seat=replace(first(shop).seat, pose=Pose(10.0, 10.0, 0.0, 3.0)))
    mark = frozen([box(10, 5, 10 + length_mm, 6)])

    assert bool(Reach(shop, [first(shop)]).places(mark, {})) == is_in_focus
    assert Reach(shop, [flat]).places(mark, {})
