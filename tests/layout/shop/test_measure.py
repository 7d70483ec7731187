"""Lengths as text."""

from __future__ import annotations

import numpy as np
import pytest

from layout.shop.measure import format_each_mm, format_mm


@pytest.mark.parametrize("spread_mm", [0.001, 1.0, 300.0, 4096.0, 1e8])
def test_many_lengths_are_written_as_each_of_them_is(spread_mm: float) -> None:
    drawn = np.random.default_rng(7).uniform(-spread_mm, spread_mm, (500, 2))
    whole, ties = np.round(drawn), np.round(drawn) + 0.00005  # between two steps, as far as that can be said
    for values in (drawn, whole, np.round(drawn, 4), ties, np.array([[0.0, -0.0], [-0.00004, 12.5]])):
        assert format_each_mm(values) == list(map(format_mm, values.ravel().tolist()))


@pytest.mark.parametrize("value", [np.nan, np.inf])
def test_what_is_not_finite_is_not_written(value: float) -> None:
    with pytest.raises(ValueError, match="not a finite length"):
        format_each_mm(np.array([1.0, value]))
