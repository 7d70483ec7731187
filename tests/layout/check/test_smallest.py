"""From which height a font is offered."""

from __future__ import annotations

from dataclasses import replace

import pytest

from layout.check import smallest
from layout.check.smallest import smallest_mm
from layout.lettering.fonts import open_font
from tests.layout.made_up import the_shop


@pytest.fixture(autouse=True)
def few_letters(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(smallest, "LETTERS", "Be&8")


def smallest_by_lines(times: float) -> float | None:
    """Where the line, and what it goes beyond an edge, are so many times as wide as the shop's."""
    shop = the_shop()
    usual = shop.processes["satin-north"]
    line, beyond = times * usual.line_width_mm, times * usual.edge_allowance_mm
    process = replace(usual, line_width_mm=line, edge_allowance_mm=beyond)
    return smallest_mm(open_font(shop.fonts["lato-bold"]), process, shop.policy)


def test_a_line_twice_as_wide_needs_letters_twice_as_large() -> None:
    four, eight, sixteen = (smallest_by_lines(times) for times in (4, 8, 16))

    assert four and eight and sixteen
    # Heights are tried in steps of 12 %, and the finest details count by the line's width alone.
    assert eight == pytest.approx(2 * four, rel=0.13) and sixteen == pytest.approx(2 * eight, rel=0.13)


def test_a_line_far_too_wide_for_any_letter_burns_none() -> None:
    assert smallest_by_lines(100) is None, "not the smallest, whose openings are too fine to be seen"


def test_a_font_with_none_of_the_letters_is_offered_from_no_height(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(smallest, "LETTERS", "\N{HEBREW LETTER SHIN}")

    assert smallest_by_lines(1) is None
