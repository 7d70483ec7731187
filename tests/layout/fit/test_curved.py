"""The largest height on a curve, against a scan that bends the words at every single step."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely.geometry import LineString, box

from layout.fit.curved import is_too_long, largest_on_curve
from layout.fit.prepared_zone import ground_of
from layout.lettering.baseline_curve import Strip, bend_strip
from layout.lettering.typeset import compose
from layout.shop.measure import HEIGHT_STEP_MM
from tests.layout.faces import SHOP, a_shipped_font
from tests.layout.lettering.test_baseline_curve import a_region, a_zone, an_arc, fits


def scanned(region, composition, zone, *, align):
    """The definition, word for word: upward from the floor to the first height that fails."""
    best = None
    step = math.ceil(zone.min_height_mm / HEIGHT_STEP_MM - 1e-6)
    while step <= math.floor(zone.max_height_mm / HEIGHT_STEP_MM + 1e-6):
        height = round(step * HEIGHT_STEP_MM, 6)
        if not fits(region, composition, zone, align=align, height_mm=height):
            break
        best, step = height, step + 1
    return best


@pytest.mark.parametrize(("sku", "zone"), [("AQ-CHEF-20", "spine"), ("AQ-CHEESE-14", "round_hole_1")])
@pytest.mark.parametrize(
    ("font", "text"),
    [
        ("lato-bold", "Happy Anna"),
        ("dancing-bold", "Anna"),
        ("amiri-bold", "محمد"),
        ("line-script", "nomine"),
    ],
)
def test_in_the_shop_s_curved_zones_it_is_what_the_plain_scan_finds(sku, zone, font, text):
    ground = ground_of(SHOP, sku, zone)
    composition = compose([text], a_shipped_font(font))

    found = largest_on_curve(ground.region, Strip(composition), ground.zone, align=ground.zone.align)

    assert found == scanned(ground.region, composition, ground.zone, align=ground.zone.align)


@settings(max_examples=40, deadline=None)
@given(
    radius_mm=st.floats(9.0, 80.0),
    hollow=st.booleans(),
    share=st.floats(0.9, 1.1),
    align=st.sampled_from(["start", "centre", "end"]),
    font=st.sampled_from(["lato-bold", "pacifico", "line-script"]),
    text=st.sampled_from(["AVATAR", "Rosa 61", "mommy", "I"]),
)
def test_what_is_seen_to_be_too_long_for_a_curve_is_never_bent_on_it(
    radius_mm, hollow, share, align, font, text
):
    """The bound refuses nothing that bending takes, whatever letters are pulled together or parted."""
    strip, line = Strip(compose([text], a_shipped_font(font))), an_arc(radius_mm, hollow=hollow)
    height = share * line.length / strip.length

    if is_too_long(strip, line, height):
        assert bend_strip(strip, line, height_mm=height, align=align) is None


@settings(max_examples=6, deadline=None)
@given(
    radius_mm=st.floats(9.0, 80.0),
    hollow=st.booleans(),
    room_mm=st.floats(2.0, 6.0),
    align=st.sampled_from(["start", "centre", "end"]),
    font=st.sampled_from(["lato-bold", "dancing-bold", "pacifico", "line-script", "serif-semibold"]),
    text=st.sampled_from(["AVATAR", "fi jl", "Rosa 61", "mommy", "I", "Toffee, Yes"]),
)
def test_on_any_arc_it_is_what_the_plain_scan_finds(radius_mm, hollow, room_mm, align, font, text):
    baseline = an_arc(radius_mm, sweep=1.8, hollow=hollow)
    zone = a_zone(baseline.buffer(room_mm), baseline, min_height_mm=1.5, max_height_mm=2.5)
    region, composition = a_region(zone.polygon), compose([text], a_shipped_font(font))

    found = largest_on_curve(region, Strip(composition), zone, align=align)

    assert found == scanned(region, composition, zone, align=align)


@settings(max_examples=5, deadline=None)
@given(
    bend=st.lists(st.floats(-0.5, 0.5), min_size=3, max_size=6),
    text=st.sampled_from(["AVATAR", "fi jl", "Rosa 61", "WAW"]),
)
def test_on_any_polyline_it_is_what_the_plain_scan_finds(bend, text):
    turns = np.cumsum(np.repeat(np.array(bend) / 5, 5))
    baseline = LineString(np.cumsum(np.column_stack([np.cos(turns), np.sin(turns)]) * 2.0, axis=0))
    zone = a_zone(baseline.buffer(3.5), baseline, min_height_mm=1.5, max_height_mm=2.5)
    region, composition = a_region(zone.polygon), compose([text], a_shipped_font())

    found = largest_on_curve(region, Strip(composition), zone, align="centre")

    assert found == scanned(region, composition, zone, align="centre")


def test_a_hole_that_only_large_letters_reach_is_no_way_round_for_them():
    """Between heights that fit lies one that does not: the scan ends there."""
    baseline = LineString([(0, 0), (30, 0)])
    wall = box(-5, -5, 40, 20).difference(box(9.0, 2.4, 9.2, 2.6))
    zone = a_zone(wall, baseline, min_height_mm=1.5, max_height_mm=8.0)
    region, composition = a_region(wall), compose(["HHHHHH"], a_shipped_font())

    found = largest_on_curve(region, Strip(composition), zone, align="start")

    assert found == scanned(region, composition, zone, align="start")
    assert found is not None and found < 3.0


@pytest.mark.parametrize("length_mm", [12.0, 13.0, 21.0])
def test_where_there_is_room_all_around_words_are_as_large_as_the_curve_is_long(length_mm):
    """The scan meets the end of the curve in the midst of the heights that it looks at together."""
    baseline = LineString([(0, 0), (length_mm, 0)])
    zone = a_zone(box(-50, -50, 50, 50), baseline)
    strip = Strip(compose(["Anna"], a_shipped_font()))

    found = largest_on_curve(a_region(zone.polygon), strip, zone, align="centre")

    assert found is not None and found < zone.max_height_mm
    assert found * strip.length <= length_mm < (found + HEIGHT_STEP_MM) * strip.length


def test_words_longer_than_the_curve_have_no_height():
    baseline = an_arc(3.0, sweep=1.0)
    zone = a_zone(box(-50, -50, 50, 50), baseline)
    composition = compose(["Toffee, Yes"], a_shipped_font())

    assert largest_on_curve(a_region(zone.polygon), Strip(composition), zone, align="start") is None


def test_words_without_ink_have_no_height():
    baseline = an_arc(30.0)
    zone = a_zone(box(-50, -50, 50, 50), baseline)

    assert (
        largest_on_curve(a_region(zone.polygon), Strip(compose([" "], a_shipped_font())), zone, align="start")
        is None
    )
