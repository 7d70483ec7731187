"""Two brains on focus: the claim's (`layout.seating.focus`) and the judge's (`layout.judge.focus`) agree.

They are written apart, in different frames, so that a slip in one shows here and not on the metal.
"""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely.geometry import LineString, box

from layout.judge.focus import Surface, out_of_focus, surface_under
from layout.seating.focus import Heights, heights_of, middle_mm
from layout.shop.outline import Outline, frozen
from layout.shop.plates import Pose

#: Heights are sums of a few products of numbers below 1,000: double precision is far better than that.
AGREES_MM = 1e-9

positions = st.floats(-200, 200)
sizes = st.floats(0.5, 60)
poses = st.builds(
    Pose,
    x_mm=positions,
    y_mm=positions,
    turn_deg=st.floats(-360, 360),
    height_mm=st.floats(-5, 40),
    tilt_deg=st.floats(0, 30),
    tilt_towards_deg=st.floats(-360, 360),
)


@st.composite
def outlines(draw: st.DrawFn) -> Outline:
    """A box, an open stroke, or both, anywhere on the face."""
    x, y, width, height = draw(positions), draw(positions), draw(sizes), draw(sizes)
    area, stroke = box(x, y, x + width, y + height), LineString([(x, y), (x - width, y + height)])
    areas, strokes = draw(st.sampled_from([([area], []), ([], [stroke]), ([area], [stroke])]))
    return frozen(areas, strokes)


marks = st.tuples(outlines(), poses, st.floats(0.01, 2))


@given(outlines(), poses)
def test_both_find_the_same_lowest_and_highest_metal_under_a_mark(outline: Outline, pose: Pose) -> None:
    low, high = heights_of(outline, pose)

    judged = surface_under(outline, pose, tolerance_mm=0.5)

    assert (judged.lowest_mm, judged.highest_mm) == pytest.approx((low, high), abs=AGREES_MM)


@settings(max_examples=40)
@given(st.lists(marks, min_size=1, max_size=5))
def test_both_set_the_head_to_the_same_height_of_a_turn(turn: list[tuple[Outline, Pose, float]]) -> None:
    """The judge says how far each mark lies from the head at the worst; from the claim's it is as far."""
    seen = [Heights(*heights_of(outline, pose), tolerance) for outline, pose, tolerance in turn]
    head = middle_mm(seen)
    surfaces = [
        (str(number), surface_under(outline, pose, tolerance_mm=tolerance))
        for number, (outline, pose, tolerance) in enumerate(turn)
    ]

    judged = list(out_of_focus(surfaces))

    expected = [
        (str(number), max(abs(head - h.low_mm), abs(head - h.high_mm)), h.tolerance_mm)
        for number, h in enumerate(seen)
    ]
    assert [(who, tolerance) for who, _, tolerance in judged] == [(who, t) for who, _, t in expected]
    assert [off for _, off, _ in judged] == pytest.approx([off for _, off, _ in expected], abs=AGREES_MM)


def test_on_a_ramp_worked_out_by_hand_both_find_its_height() -> None:
    """A slot that rises by 1 in 10 along the plate's +y, the unit turned by 90°: its +x lies along it."""
    pose = Pose(7.0, 9.0, 90.0, 3.0, math.degrees(math.atan(0.1)), 90.0)
    outline = frozen([box(10, 0, 30, 5)])

    assert heights_of(outline, pose) == pytest.approx((4.0, 6.0))
    assert surface_under(outline, pose, tolerance_mm=0.5) == Surface(
        pytest.approx(4.0), pytest.approx(6.0), 0.5
    )


def test_two_marks_of_different_tolerance_get_the_head_half_way_between_their_limits() -> None:
    """The ramp asks for 4.0 to 6.0 mm, the flat for 6.5 to 7.5: 6.25 misses both by as much."""
    surfaces = [("ramp", Surface(4.0, 6.0, 2.0)), ("flat", Surface(7.0, 7.0, 0.5))]

    assert middle_mm([Heights(4.0, 6.0, 2.0), Heights(7.0, 7.0, 0.5)]) == 6.25
    assert list(out_of_focus(surfaces)) == [("ramp", 2.25, 2.0), ("flat", 0.75, 0.5)]


def test_a_turn_without_marks_is_at_no_height() -> None:
    assert list(out_of_focus([])) == []
    with pytest.raises(ValueError, match="empty"):
        middle_mm([])
