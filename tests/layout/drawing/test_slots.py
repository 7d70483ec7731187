"""Slots of a plate from rows and columns and from drawings."""

from __future__ import annotations

import math
import random

import numpy as np
import pytest
from shapely import affinity
from shapely.geometry import Point, Polygon, box

from layout.drawing.faces import Choice
from layout.drawing.slots import grid, plate_in, turn_onto
from layout.drawing.strokes import Drawing, DrawingRefused, Stroke
from tests.regions import AXE_HEAD as HEAD


def stroke(shape: Polygon, *names: str) -> Stroke:
    return Stroke(np.asarray(shape.exterior.coords)[:-1], closed=True, names=names, entity=f"path {names[0]}")


def lying(shape: Polygon, x: float, y: float, turn: float) -> Polygon:
    return affinity.translate(affinity.rotate(shape, turn, origin=(0, 0)), x, y)


PLACES = [(180.0, 150.0, 0.0), (520.0, 150.0, 180.0), (180.0, 60.0, 12.5), (480.0, 60.0, 270.0)]


def drawing(places=PLACES, corner=(-20.0, 7.0), names=("slot",) * 4) -> Drawing:
    strokes = [stroke(box(0, 0, 640, 240), "plate")]
    strokes += [stroke(lying(HEAD, *place), name) for place, name in zip(places, names, strict=True)]
    strokes.append(stroke(Point(6, 6).buffer(2), "marks"))
    cross = [[[628, 6], [640 - 6, 6]], [[631, 3], [631, 9]]]
    strokes += [
        Stroke(np.array(line, float), closed=False, names=("marks",), entity="line") for line in cross
    ]
    moved = [Stroke(s.points + corner, closed=s.closed, names=s.names, entity=s.entity) for s in strokes]
    return Drawing(tuple(moved), "mm")


def test_drawn_slots_are_one_shape_turned_and_moved():
    plate = plate_in(drawing())

    assert plate.size_mm == (640, 240)
    assert [name for name, *_ in plate.slots] == ["1", "2", "3", "4"]
    assert plate.marks == ((6, 6), (631, 6))
    assert plate.differ_mm < 0.002
    for (_, x, y, turn), place in zip(plate.slots, PLACES, strict=True):
        assert turn == pytest.approx(place[2], abs=0.01)
        there, drawn = lying(plate.slot_outline, x, y, turn), lying(HEAD, *place)
        assert there.symmetric_difference(drawn).area < 0.5  # of some 6000 mm²


def test_slots_keep_the_names_they_have():
    plate = plate_in(drawing(names=("slot-A1", "slot A2", "SLOT_B1", "slotB2")))

    assert [name for name, *_ in plate.slots] == ["A1", "A2", "B1", "B2"]


def test_a_mirrored_slot_is_refused_with_its_place():
    made = drawing()
    mirrored = lying(affinity.scale(HEAD, -1, 1, origin=(60, 0)), 480, 60, 0)
    strokes = [*made.strokes[:4], stroke(affinity.translate(mirrored, -20, 7), "slot"), *made.strokes[5:]]

    with pytest.raises(DrawingRefused, match="not one shape") as caught:
        plate_in(Drawing(tuple(strokes), "mm"))

    ((x, y),) = caught.value.places
    assert mirrored.centroid.distance(Point(x + 20, y - 7)) < 0.01


@pytest.mark.parametrize(
    ("choices", "said"),
    [
        ([Choice("zone", "pockets")], "nothing in the drawing is named 'pockets'"),
        ([Choice("outline", "slot")], "4 shapes for the plate's edge"),
    ],
)
def test_what_can_not_be_told_is_said(choices, said):
    with pytest.raises(DrawingRefused, match=said):
        plate_in(drawing(), choices)


def test_a_drawing_without_slots_names_what_there_is():
    with pytest.raises(DrawingRefused, match=r"which of the drawing's names are the slots\? There are plate"):
        plate_in(Drawing((stroke(box(0, 0, 50, 50), "plate"),), "mm"))


@pytest.mark.parametrize("seed", range(12))
def test_how_a_shape_is_turned_is_found_whatever_the_shape(seed):
    rng = random.Random(seed)
    angles = sorted(rng.uniform(0, 2 * math.pi) for _ in range(7))
    radii = [rng.uniform(20, 60) for _ in angles]
    shape = Polygon([(r * math.cos(a), r * math.sin(a)) for r, a in zip(radii, angles, strict=True)])
    if not shape.is_valid:
        shape = shape.convex_hull
    turn = rng.uniform(0, 360)

    found = turn_onto(shape, lying(shape, 17, -300, turn))

    assert abs((found - turn + 180) % 360 - 180) < 0.02, (seed, turn)


def test_a_rectangle_is_not_turned_more_than_it_must_be():
    assert turn_onto(box(0, 0, 80, 20), box(100, 0, 180, 20)) == 0
    assert turn_onto(box(0, 0, 80, 20), box(0, 0, 20, 80)) == 90


def test_a_grid_faces_outwards_when_that_is_said():
    slots = grid(2, 3, first=(110, 25), pitch=(180, 40), facing=True)

    assert [slot[0] for slot in slots] == ["1", "2", "3", "4", "5", "6"]
    assert slots[0] == ("1", 110, 105, 0)
    assert slots[5] == ("6", 290, 25, 180)
    with pytest.raises(ValueError, match="200"):
        grid(20, 11, first=(0, 0), pitch=(1, 1))
