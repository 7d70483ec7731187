"""Stamps draw what typesetting draws, to the last bit."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from layout.lettering.fonts import open_font
from layout.lettering.prepared_text import Stamps, stamp_of
from layout.lettering.typeset import Composition, compose, draw
from tests.layout.made_up import the_shop

FONTS = ["lato-bold", "serif-semibold", "dancing-bold", "inter-semibold", "line-sans", "cinzel-semibold"]


def composed(text: str, font: str = "lato-bold") -> Composition:
    return compose(tuple(text.split("\n")), open_font(the_shop().fonts[font]))


@settings(max_examples=25, deadline=None)
@given(
    text=st.sampled_from(["Anna & Ben", "Å i j ; % @ ®", "minimum", "AVAVA\nTo. fjord", "1961", "-", " "]),
    font=st.sampled_from(FONTS),
    height=st.floats(0.02, 40) | st.sampled_from([2.0, 4.0, 200.0]),
    x=st.floats(-300, 300),
    y=st.floats(-300, 300),
    turn=st.sampled_from([0.0, 0.0, 90.0, 180.0, -7.3]),
)
def test_a_stamp_draws_exactly_what_typesetting_draws(text, font, height, x, y, turn) -> None:
    composition = composed(text, font)

    stamped = Stamps(composition).draw(height, x, y, turn)

    plain = draw(composition, height_mm=height, x_mm=x, y_mm=y, turn_deg=turn)
    assert stamped.to_record() == plain.to_record()
    assert stamped.digest == plain.digest


@pytest.mark.parametrize(
    ("text", "font", "stamped"),
    [
        ("Anna", "lato-bold", True),
        ("A", "lato-bold", True),
        ("Anna", "line-sans", False),  # strokes are joined, not moved
        ("minimum", "dancing-bold", False),  # connected letters are merged
        (" ", "lato-bold", False),
    ],
)
def test_only_areas_that_keep_apart_are_stamped(text, font, stamped) -> None:
    assert (stamp_of(composed(text, font), 4.0) is not None) is stamped


def test_a_stamp_knows_from_which_height_rounding_can_break_nothing() -> None:
    stamp = stamp_of(composed("Anna"), 2.0)

    assert stamp is not None
    assert 0 < stamp.least_mm < 1
