"""Columns of figures: as high as their values, on an axis that says its unit."""

from __future__ import annotations

import xml.etree.ElementTree as ET

import pytest

from layout.pictures.columns import ColumnWords, Period, draw_columns

_SVG = "{http://www.w3.org/2000/svg}"
WORDS = ColumnWords("Units", "units", ("released", "scrapped"), "Nothing.")


def drawn(periods: list[Period], most: float | None = None) -> ET.Element:
    return ET.fromstring(draw_columns("units", periods, words=WORDS, most=most))


def heights(root: ET.Element) -> list[float]:
    return [
        float(box.get("height", "0"))
        for group in root.findall(f"{_SVG}g")
        for box in group.iter(f"{_SVG}rect")
    ]


def texts(root: ET.Element) -> list[str]:
    return [text.text or "" for text in root.iter(f"{_SVG}text")]


def test_columns_are_as_high_as_their_values() -> None:
    found = heights(drawn([Period("Mon", (40, 10)), Period("Tue", (20, None))]))

    assert len(found) == 3
    assert found[0] == pytest.approx(4 * found[1]) and found[0] == pytest.approx(2 * found[2])


def test_the_axis_begins_at_nought_and_names_its_unit() -> None:
    said = texts(drawn([Period("Mon", (42, 3))]))

    assert {"units", "0", "10", "40", "Mon", "released", "scrapped"} <= set(said)


def test_units_are_counted_whole_and_tiny_figures_are_not_nought() -> None:
    few = texts(drawn([Period("Mon", (2, 0))]))
    tiny = texts(drawn([Period("Mon", (0.04, 0.3))]))

    assert {"0", "1", "2"} <= set(few) and not [text for text in few if "." in text]
    assert {"0.04", "0.3", "0.05", "0.10", "0.30"} <= set(tiny)


def test_a_share_fills_the_axis_at_a_hundred() -> None:
    half, whole = heights(drawn([Period("Mon", (50, 100))], most=100.0))

    assert whole == pytest.approx(2 * half)
    assert "100" in texts(drawn([Period("Mon", (50, None))], most=100.0))


def test_names_of_many_days_leave_some_out_and_nothing_is_said() -> None:
    many = drawn([Period(f"{day:02} Nov", (day, 1)) for day in range(1, 93)])
    named = [text for text in texts(many) if text.endswith("Nov")]

    assert 4 <= len(named) <= 20
    assert "Nothing." in texts(drawn([]))
    assert "Nothing." in texts(drawn([Period("Mon", (None, None))]))


def test_whoever_cannot_see_it_is_told_all() -> None:
    (said,) = {text.text for text in drawn([Period("Mon", (42, None))]).findall(f"{_SVG}desc")}

    assert said == "Mon: released 42, scrapped –."
