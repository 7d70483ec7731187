"""Lines joined to shapes: what meets within the tolerance is closed, everything else is refused with its
place."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely.geometry import Polygon

from layout.drawing.rings import closed_rings, open_line
from layout.drawing.strokes import DrawingRefused, Stroke

SQUARE = [(0, 0), (40, 0), (40, 20), (0, 20)]


def line(*points, closed=False, name="outline"):
    return Stroke(np.array(points, dtype=float), closed, (name,), "a line")


def sides(corners, gap=0.0):
    """The sides of a polygon as lines of their own, each short of its end by a gap."""
    made = []
    for a, b in zip(corners, [*corners[1:], corners[0]], strict=True):
        back = gap / math.dist(a, b)
        made.append(line(a, (b[0] + (a[0] - b[0]) * back, b[1] + (a[1] - b[1]) * back)))
    return made


def test_lines_in_any_order_and_direction_make_one_shape():
    a, b, c, d = sides(SQUARE)
    turned = Stroke(c.points[::-1], False, c.names, c.entity)

    (ring,), notes = closed_rings([turned, a, d, b], "outline", 0.05)

    assert ring.polygon.equals(Polygon(SQUARE))
    assert ring.polygon.exterior.is_ccw
    assert notes == []


def test_ends_within_the_tolerance_are_joined_and_that_is_said():
    (ring,), notes = closed_rings(sides(SQUARE, gap=0.03), "outline", 0.05)

    assert ring.polygon.area == pytest.approx(800, rel=0.001)
    assert notes == ["outline: ends up to 0.03 mm apart were joined"]


def test_an_open_outline_is_refused_with_both_ends():
    with pytest.raises(
        DrawingRefused, match=r"two ends are 1.3 mm apart, at \(0, 20\) and \(0, 18.7\)"
    ) as caught:
        closed_rings([line((0, 0), (40, 0), (40, 20), (0, 20)), line((0, 18.7), (0, 0))], "outline", 0.05)

    assert set(caught.value.places) == {(0, 20), (0, 18.7)}
    assert len(caught.value.strokes) == 2


def test_one_open_line_is_closed_where_its_ends_meet():
    (ring,), _ = closed_rings([line(*SQUARE, (0, 0.02))], "outline", 0.05)

    assert ring.polygon.area == pytest.approx(800, rel=0.001)


def test_lines_shorter_than_the_tolerance_are_followed_one_by_one():
    turns = np.linspace(0, 2 * np.pi, 3000)[:-1]
    corners = [(5 * math.cos(t), 5 * math.sin(t)) for t in turns]

    (ring,), _ = closed_rings(sides(corners), "hole", 0.05)

    assert len(ring.polygon.exterior.coords) == 3000
    assert ring.polygon.area == pytest.approx(25 * math.pi, rel=1e-4)


def test_a_line_drawn_twice_counts_once():
    a, *others = sides(SQUARE)
    again = Stroke(a.points[::-1], False, a.names, "another line")

    rings, notes = closed_rings([a, again, *others], "outline", 0.05)

    assert len(rings) == 1
    assert notes == ["outline: 1 lines are drawn twice; one of each was taken"]


def test_a_shape_drawn_twice_counts_once():
    rings, notes = closed_rings(
        [line(*SQUARE, closed=True), line(*SQUARE[::-1], closed=True)], "outline", 0.05
    )

    assert len(rings) == 1
    assert notes == ["outline: a line is drawn twice; one was taken"]


def test_where_three_lines_meet_the_way_on_can_not_be_known():
    with pytest.raises(DrawingRefused, match=r"branches: more than two lines meet at") as caught:
        closed_rings([*sides(SQUARE), line((0, 0), (40, 20))], "outline", 0.05)

    assert (0, 0) in caught.value.places


def test_a_shape_that_crosses_itself_is_refused_with_the_place():
    with pytest.raises(DrawingRefused, match=r"crosses itself at \(20, 10\)") as caught:
        closed_rings([line((0, 0), (40, 20), (40, 0), (0, 20), closed=True)], "outline", 0.05)

    assert caught.value.places == ((20, 10),)


def test_a_loop_narrower_than_the_tolerance_is_dropped_and_that_is_said():
    corners = [(0, 0), (40, 0), (40, 20), (20.01, 20), (19.99, 20.02), (20.0, 20.02), (19.98, 20), (0, 20)]

    (ring,), notes = closed_rings([line(*corners, closed=True)], "outline", 0.05)

    assert ring.polygon.is_valid
    assert ring.polygon.area == pytest.approx(800, rel=1e-3)
    assert notes == ["outline: 1 loops narrower than 0.05 mm were dropped"]


def test_what_encloses_nothing_is_no_shape():
    with pytest.raises(DrawingRefused, match="encloses nothing"):
        closed_rings([line((0, 0), (40, 0), (20, 0), closed=True)], "zone", 0.05)


def test_a_baseline_of_several_lines_is_one_line():
    joined = open_line(
        [line((0, 0), (10, 0)), line((30, 5), (20, 0)), line((10, 0), (20, 0))], "baseline", 0.05
    )

    assert sorted(map(tuple, joined.tolist())) == [(0, 0), (10, 0), (20, 0), (30, 5)]
    assert {tuple(joined[0]), tuple(joined[-1])} == {(0, 0), (30, 5)}


@pytest.mark.parametrize(
    ("lines", "said"),
    [
        ([line((0, 0), (10, 0)), line((20, 0), (30, 0))], "2 lines that don't meet"),
        ([line(*SQUARE, closed=True)], "closed shape; a line with two ends is wanted"),
    ],
)
def test_a_baseline_in_pieces_or_without_ends_is_refused(lines, said):
    with pytest.raises(DrawingRefused, match=said):
        open_line(lines, "baseline", 0.05)


@settings(deadline=None, max_examples=40)
@given(
    radii=st.lists(st.floats(5, 60), min_size=4, max_size=24),
    order=st.randoms(use_true_random=False),
    gap=st.floats(0, 0.04),
)
def test_any_star_cut_into_lines_shuffled_and_turned_comes_together_again(radii, order, gap):
    turns = np.linspace(0, 2 * np.pi, len(radii) + 1)[:-1]
    corners = [(r * math.cos(t), r * math.sin(t)) for r, t in zip(radii, turns, strict=True)]
    lines = [
        Stroke(s.points[::-1].copy() if order.random() < 0.5 else s.points, False, s.names, s.entity)
        for s in sides(corners, gap)
    ]
    order.shuffle(lines)

    (ring,), _ = closed_rings(lines, "outline", 0.05)

    assert ring.polygon.symmetric_difference(Polygon(corners)).area <= gap * Polygon(corners).length + 1e-6
