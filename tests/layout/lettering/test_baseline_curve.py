"""Text along a curve: letters never run into one another, connected ones stay connected."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely.geometry import LineString, MultiPolygon, box

from layout.fit.curved import inside, largest_on_curve
from layout.fit.region import Region, Source
from layout.lettering import baseline_curve as curve
from layout.lettering.baseline_curve import Strip
from layout.lettering.typeset import compose, draw
from layout.shop.blades import Baseline, Zone
from layout.shop.measure import HEIGHT_STEP_MM
from tests.layout.faces import SHOP, a_shipped_font, words_for

ALL_FONTS = sorted(SHOP.fonts)


def an_arc(radius_mm, *, sweep=2.0, hollow=False):
    """A baseline along a circle, read from left to right; hollow: the letters' tops point to its centre."""
    angle = np.linspace(-sweep / 2, sweep / 2, 400)
    up = 1 - np.cos(angle) if hollow else np.cos(angle) - 1
    return LineString(np.column_stack([np.sin(angle), up]) * radius_mm)


def bent(text, baseline, font="lato-bold", *, height_mm=4.0, align="centre", **settings_):
    return curve.bend(
        compose([text], a_shipped_font(font), **settings_), baseline, height_mm=height_mm, align=align
    )


def inks(found):
    """The ink of each cluster by itself, as drawn."""
    alone = [
        curve.draw(curve.Bent(found.composition, found.height_mm, (placed,), 0.0, ()))
        for placed in found.placed
    ]
    return [shapely.geometrycollections([*o.areas, *o.strokes]) for o in alone if not o.is_empty]


def gaps(pieces):
    return np.array([[a.distance(b) for b in pieces] for a in pieces])


def a_zone(polygon, baseline, **heights):
    points = tuple(map(tuple, baseline.coords))
    limits = {"min_height_mm": 2.0, "max_height_mm": 8.0, **heights}
    return Zone("z", polygon, Baseline(points), frozenset({"text"}), (), 1, **limits)


def a_region(polygon):
    return Region(polygon, 0.0, 0.0, (Source("zone", "z", polygon.boundary),))


def fits(region, composition, zone, *, align, height_mm):
    found = curve.bend(composition, zone.baseline.line, height_mm=height_mm, align=align)
    return inside(region, found)


def test_on_a_straight_baseline_the_words_are_those_typeset_there():
    line = LineString([(0, 0), (60, 0)])
    found = bent("Rosa 61", line, align="start")
    composition = found.composition
    x = -composition.clusters[0].origin * 4.0

    straight = draw(composition, height_mm=4.0, x_mm=x, y_mm=0.0)

    assert found.tracking == 0.0
    assert shapely.hausdorff_distance(curve.draw(found).region, straight.region) < 0.0003


@pytest.mark.parametrize("align", ["start", "centre", "end"])
def test_the_pen_begins_ends_or_is_centred_where_the_baseline_does(align):
    line = LineString([(0, 0), (60, 0)])
    found = bent("Rosa", line, align=align)
    pens = [(p.x - p.cluster.advance * 2.0, p.x + p.cluster.advance * 2.0) for p in found.placed]
    left, right = pens[0][0], pens[-1][1]

    expected = {"start": left, "end": right - 60.0, "centre": left + right - 60.0}[align]

    assert expected == pytest.approx(0.0, abs=1e-9)


def test_each_letter_stands_on_the_circle_turned_by_its_tangent():
    radius = 25.0
    found = bent("Rosa & Ben", an_arc(radius))

    for placed in found.placed:
        angle = math.atan2(placed.x, placed.y + radius)
        assert math.hypot(placed.x, placed.y + radius) == pytest.approx(radius, abs=0.001)
        assert placed.turn == pytest.approx(-angle, abs=0.003)


def test_the_distance_along_the_curve_is_that_along_the_straight_line():
    radius = 40.0
    found = bent("Rosa & Ben", an_arc(radius))
    angles = [math.atan2(p.x, p.y + radius) for p in found.placed]
    middles = [(p.cluster.origin + p.cluster.advance / 2) * 4.0 for p in found.placed]

    assert np.diff(angles) * radius == pytest.approx(np.diff(middles), abs=0.002)


@pytest.mark.parametrize("name", ALL_FONTS)
@pytest.mark.parametrize(("radius_mm", "hollow"), [(20.0, False), (60.0, True), (22.0, True)])
def test_letters_that_are_apart_on_a_line_are_apart_on_a_bend(name, radius_mm, hollow):
    line = LineString([(-200, 0), (200, 0)])
    text, height = words_for(name), 3.0
    straight = gaps(inks(bent(text, line, name, height_mm=height)))

    found = bent(text, an_arc(radius_mm, sweep=2.6, hollow=hollow), name, height_mm=height)

    curved = gaps(inks(found))
    count = len(straight)
    for a in range(count):
        for b in range(a + 1, count):
            if straight[a, b] > 0.001:
                near = min(straight[a, b] * curve.KEPT_GAP, 0.3) if b - a <= 2 else 0.001
                assert curved[a, b] >= near - 0.001, (a, b)
            elif b == a + 1:
                open_joint = 0.1 * height if SHOP.fonts[name].kind == "single_line" else 0.0
                assert curved[a, b] <= open_joint + 0.0005, (a, b)


def test_a_hollow_bend_needs_tracking_and_a_full_one_none():
    hollow = bent("AVATAR HALL", an_arc(20.0, sweep=3.0, hollow=True), height_mm=4.0)
    full = bent("AVATAR HALL", an_arc(20.0, sweep=3.0), height_mm=4.0)

    assert hollow.tracking > 0.02
    assert full.tracking == 0.0


@pytest.mark.parametrize(
    ("name", "text"), [("pacifico", "mommy"), ("amiri-bold", "محمد"), ("devanagari-medium", "नमस्ते")]
)
@pytest.mark.parametrize("hollow", [False, True])
def test_connected_letters_stay_one_area(name, text, hollow):
    straight = draw(compose([text], a_shipped_font(name)), height_mm=4.0, x_mm=0.0, y_mm=0.0)

    found = bent(text, an_arc(25.0, hollow=hollow), name)

    assert len(curve.draw(found).areas) == len(straight.areas)


@pytest.mark.parametrize("hollow", [False, True])
def test_connected_single_line_letters_are_burned_in_one_stroke_on_a_bend_too(hollow):
    text, name = "nomine", "line-script"
    straight = draw(compose([text], a_shipped_font(name)), height_mm=4.0, x_mm=0.0, y_mm=0.0)

    outline = curve.draw(bent(text, an_arc(25.0, hollow=hollow), name))

    assert len(outline.strokes) == len(straight.strokes)
    # A letter at each side of a joint, and a bridge no longer than a tenth of the height.
    assert sum(s.length for s in outline.strokes) == pytest.approx(
        sum(s.length for s in straight.strokes), abs=5 * 0.4
    )


def test_the_hulls_of_a_bend_hold_its_outline():
    found = bent("Rosa & Ben, 1961", an_arc(30.0))

    region = curve.draw(found).region

    assert shapely.union_all(found.hulls()).buffer(0.0002).covers(region)
    assert len(found.hulls()) == sum(1 for p in found.placed if p.cluster.span[0] not in {4, 6, 11})


def test_a_curve_too_short_or_too_tight_takes_no_words():
    assert bent("Rosa & Ben", LineString([(0, 0), (5, 0), (10, 0.1)])) is None
    assert bent("MMMM", an_arc(2.0, sweep=6.0, hollow=True), height_mm=3.0) is None
    assert bent(" ", an_arc(30.0)) is None


def test_a_single_letter_and_single_line_letters_can_be_bent():
    assert len(bent("R", an_arc(20.0)).placed) == 1
    strokes = curve.draw(bent("lil", an_arc(20.0), "line-sans"))
    assert len(strokes.strokes) >= 3
    assert strokes.areas == ()


def test_the_largest_height_is_the_last_before_the_first_that_fails():
    baseline = an_arc(40.0, sweep=1.2)
    zone = a_zone(baseline.buffer(6.0, cap_style="flat"), baseline)
    region, composition = a_region(zone.polygon), compose(["Rosa & Ben"], a_shipped_font())

    best = largest_on_curve(region, Strip(composition), zone, align="centre")

    assert best is not None
    assert 2.0 < best < 8.0
    assert fits(region, composition, zone, align="centre", height_mm=best)
    assert not fits(region, composition, zone, align="centre", height_mm=best + HEIGHT_STEP_MM)


def test_no_height_fits_where_the_smallest_does_not_and_never_more_than_the_zone_allows():
    baseline = an_arc(40.0, sweep=1.2)
    composition = compose(["Rosa"], a_shipped_font())
    thin, wide = baseline.buffer(1.0), box(-100, -100, 100, 100)

    strip = Strip(composition)
    assert largest_on_curve(a_region(thin), strip, a_zone(thin, baseline), align="centre") is None
    zone = a_zone(wide, baseline, max_height_mm=3.0)
    assert largest_on_curve(a_region(wide), Strip(composition), zone, align="centre") == 3.0


@settings(max_examples=20, deadline=None)
@given(
    bend=st.lists(st.floats(-0.35, 0.35), min_size=3, max_size=6),
    height_mm=st.floats(2.0, 4.0),
    text=st.sampled_from(["AVATAR", "fi jl", "Rosa 61", "WAW"]),
)
def test_on_any_gentle_polyline_areas_are_valid_and_never_merge(bend, height_mm, text):
    turns = np.cumsum(np.repeat(np.array(bend) / 25, 25))
    points = np.cumsum(np.column_stack([np.cos(turns), np.sin(turns)]) * 0.6, axis=0)
    straight = draw(compose([text], a_shipped_font()), height_mm=height_mm, x_mm=0.0, y_mm=0.0)

    found = bent(text, LineString(points), height_mm=height_mm)

    if found is not None:
        outline = curve.draw(found)
        assert len(outline.areas) == len(straight.areas)
        assert MultiPolygon(outline.areas).is_valid
        assert outline.region.area == pytest.approx(straight.region.area, rel=0.001)
