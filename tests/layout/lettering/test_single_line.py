"""Single-line fonts: their bytes, and strokes joined where they meet."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from layout.lettering.fonts import FontRefused, open_font
from layout.lettering.single_line import MOST_POINTS, joined
from layout.lettering.typeset import compose, draw
from tests.layout.faces import a_shipped_font, a_single_line_file, a_spec


def strokes(*lines):
    return [np.array(line, dtype=float) for line in lines]


def as_lists(lines):
    return [line.tolist() for line in lines]


@pytest.mark.parametrize(
    ("data", "why"),
    [
        (b"{", "not a single-line font"),
        (b"[]", "not a single-line font"),
        (b"{}", "capital_height"),
        (a_single_line_file(capital_height=0), "nothing to draw"),
        (a_single_line_file(capital_height=True), "not a length"),
        (b'{"capital_height": 10, "glyphs": {"H": {"advance": NaN, "strokes": []}}}', "not a length"),
        (a_single_line_file({"H": {"advance": 9, "strokes": [[[0, 0]]]}}), "fewer than two points"),
        (a_single_line_file({"H": {"advance": 9, "strokes": [[[0, "1"], [1, 1]]]}}), "not a length"),
        (a_single_line_file({"H": {"advance": 9, "strokes": []}}), "nothing to draw"),
        (a_single_line_file({"H": {"advance": 9, "strokes": [[[0, 1]] * (MOST_POINTS + 1)]}}), "more than"),
    ],
)
def test_bytes_in_any_other_form_are_refused_with_the_reason(data, why):
    with pytest.raises(FontRefused, match=why):
        open_font(a_spec(data, "single_line"))


def test_strokes_that_meet_end_to_end_become_one_in_the_first_ones_direction():
    lines = strokes([[0, 0], [1, 0]], [[5, 5], [6, 6]], [[2, 1], [1, 0]], [[0, 0], [0, 3]])

    found = joined(lines)

    assert as_lists(found) == [[[0, 3], [0, 0], [1, 0], [2, 1]], [[5, 5], [6, 6]]]


def test_where_three_ends_meet_no_stroke_is_joined():
    lines = strokes([[0, 0], [1, 0]], [[1, 0], [2, 0]], [[1, 0], [1, 5]])

    assert as_lists(joined(lines)) == as_lists(lines)


def test_a_closed_stroke_stays_as_it_is_and_two_halves_become_closed():
    ring = strokes([[0, 0], [1, 0], [1, 1], [0, 0]])
    halves = strokes([[0, 0], [1, 0], [1, 1]], [[1, 1], [0, 1], [0, 0]])

    assert as_lists(joined(ring)) == as_lists(ring)
    assert as_lists(joined(halves)) == [[[0, 0], [1, 0], [1, 1], [0, 1], [0, 0]]]


@given(
    st.lists(
        st.lists(st.tuples(st.integers(0, 3), st.integers(0, 3)), min_size=2, max_size=4, unique=True),
        max_size=8,
    )
)
def test_joining_loses_no_length_and_leaves_no_two_ends_alone_together(lines):
    before = strokes(*lines)

    after = joined(before)

    assert sum(shapely.length(shapely.linestrings(a)) for a in after) == pytest.approx(
        sum(shapely.length(shapely.linestrings(b)) for b in before)
    )
    ends: dict[tuple[float, float], list[int]] = {}
    for number, line in enumerate(after):
        for end in (tuple(line[0]), tuple(line[-1])):
            ends.setdefault(end, []).append(number)
    assert all(len(set(numbers)) != 2 or len(numbers) > 2 for numbers in ends.values())


def test_letters_of_a_connected_single_line_script_are_burned_in_one_stroke():
    composition = compose(["nnn"], a_shipped_font("line-script"))

    outline = draw(composition, height_mm=4.0, x_mm=0.3, y_mm=0.1)
    alone = draw(compose(["n"], a_shipped_font("line-script")), height_mm=4.0, x_mm=0.0, y_mm=0.0)

    assert outline.areas == ()
    # Every n begins where the one before it ends: the joints between letters are joints of one line.
    assert len(outline.strokes) == 3 * len(alone.strokes) - 2
    assert sum(s.length for s in outline.strokes) == pytest.approx(
        3 * sum(s.length for s in alone.strokes), rel=1e-3
    )


def test_a_blank_of_a_single_line_font_is_as_wide_as_its_space():
    font = a_shipped_font("line-sans")

    plain, hard = compose(["a b"], font), compose(["a\u00a0b"], font)

    assert plain.hull == pytest.approx(hard.hull)
    assert font.missing("a\u00a0é") == ((2, 3),)
