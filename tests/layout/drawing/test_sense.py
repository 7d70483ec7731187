"""Outlines that don't fit their parts: the likely cause is said, and where all is well nothing is."""

from __future__ import annotations

from dataclasses import replace

import pytest
from shapely import affinity
from shapely.geometry import Polygon, box

from layout.drawing.sense import (
    far_larger,
    likely_cause,
    oddities,
    size_words,
    unit_that_fits,
    wrong_way_round,
)
from layout.shop.blades import Face, KeepOut
from tests.made_up import the_made_up_shop
from tests.regions import a_zone

BLADES = the_made_up_shop().blades.values()
FACES = {f"{b.blade} {f.face}": f for b in BLADES for f in b.faces}
#: Of these a flip changes so little that nothing could tell: the handle's flat, and blades alike above and
#: below.
ALIKE = {
    "hori-18 mark_side",
    "hori-18 pile_side",
    "oyster-8 mark_side",
    "paring-9 mark_side",
    "paring-9-bare mark_side",
    "santoku-17 handle",
}


@pytest.mark.parametrize("face", FACES)
def test_where_all_is_well_nothing_is_said(face):
    assert likely_cause(FACES[face]) is None
    assert wrong_way_round(FACES[face]) is None
    assert oddities(FACES[face]) == []


@pytest.mark.parametrize("face", sorted(FACES.keys() - ALIKE))
def test_an_outline_upside_down_is_called_that(face):
    wrong = replace(FACES[face], silhouette=affinity.scale(FACES[face].silhouette, 1, -1, origin=(0, 0)))

    assert "it fits upside down: does its y run down" in (likely_cause(wrong) or "")


@pytest.mark.parametrize(("unit", "factor"), [("inches", 25.4), ("centimetres", 10)])
@pytest.mark.parametrize("face", sorted(FACES.keys() - {"santoku-17 handle"}))
def test_an_outline_in_another_unit_is_called_that(face, unit, factor):
    outline = FACES[face].silhouette
    wrong = replace(FACES[face], silhouette=affinity.scale(outline, 1 / factor, 1 / factor, origin=(0, 0)))

    cause = likely_cause(wrong) or ""

    assert f"in {unit} it would be {size_words(outline)}, and they fit" in cause


def test_parts_that_are_off_each_in_its_own_way_have_no_single_cause():
    face = Face(
        "mark_side",
        box(0, 0, 100, 30),
        (replace(a_zone(box(200, 0, 220, 20)), zone="a"), replace(a_zone(box(40, -90, 60, -70)), zone="b")),
        (),
        180,
    )

    assert likely_cause(face) is None


def test_a_handle_on_the_other_side_is_said_with_the_right_number():
    face = Face(
        "mark_side", box(0, 0, 100, 30), (), (), 0, body=box(-80, 5, 100, 25).union(box(0, 0, 100, 30))
    )

    assert wrong_way_round(face) == (
        "handle_deg is 0, and the rest of the unit lies on the other side: write 180, or turn the shapes "
        "round"
    )


def test_an_edge_above_and_an_odd_size_are_worth_a_look():
    bevel = KeepOut("bevel", "ground_bevel", box(-5, 25, 105, 35))

    upside_down = oddities(Face("mark_side", box(0, 0, 100, 30), (), (bevel,), 180))
    tiny = oddities(Face("mark_side", box(0, 0, 4, 1), (), (), 180))

    assert upside_down == [
        "its ground bevel lies in the upper half, and y runs from edge to spine: is it upside down?"
    ]
    assert tiny == ["4 x 1 mm is an unusual size for a blade: is its unit right?"]


@pytest.mark.parametrize(
    ("size", "larger", "unit"),
    [
        ((190, 25), False, None),
        ((750, 95), True, "in px (96 to the inch) it would be 198 x 25.1 mm"),
        ((540, 71), True, "in points (72 to the inch) it would be 190 x 25 mm"),
        ((5000, 30), True, None),
    ],
)
def test_a_blade_far_larger_than_its_slot_may_be_in_another_unit(size, larger, unit):
    slot, blade = box(-5, -15, 195, 15), box(0, 0, *size)

    assert far_larger(blade, slot) is larger
    if larger:
        assert unit_that_fits(blade, slot) == unit


def test_a_square_blade_is_measured_both_ways():
    assert size_words(Polygon([(0, 0), (104.4, 0), (104.4, 12.25), (0, 12.25)])) == "104 x 12.2 mm"
