"""The build plan's rule: levels by hand and by the normal table, and what is built where hands are few."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from layout.plan.order_up_to import Forecast, Item, build_by_week, forecast, with_release


def test_a_level_worked_out_by_hand() -> None:
    sold = forecast([6, 18, 12, 2, 22])

    assert sold.mean == 12
    assert sold.spread == pytest.approx(math.sqrt(272 / 4))
    # 1.645: table of the normal distribution, as every handbook of statistics has it.
    assert sold.level(2, 0.95) == math.ceil(24 + 1.645 * 8.246 * 1.414) == 44
    assert sold.level(2, 0.5) == 24


def test_a_product_that_sells_little_is_as_chancy_as_a_count_by_chance() -> None:
    """Mean 4 in every week: the sample says that weeks never differ, a Poisson count's deviation is 2."""
    level = forecast([4, 4, 4, 4]).level(1, 0.9772)

    assert level == 8  # two deviations above the mean
    assert 1 - _poisson_up_to(4, level) < 1 - 0.9772  # by the sum of the Poisson probabilities themselves


def _poisson_up_to(mean: float, most: int) -> float:
    return sum(math.exp(-mean) * mean**count / math.factorial(count) for count in range(most + 1))


def test_nothing_sold_needs_nothing() -> None:
    assert forecast([]) == forecast([0, 0]) == Forecast(0, 0)
    assert forecast([]).level(2, 0.99) == 0


def test_a_release_adds_its_mean_and_its_variance() -> None:
    assert with_release(Forecast(10, 3), Forecast(20, 4)) == Forecast(30, 5)


def test_this_week_the_level_is_filled_and_later_what_sold() -> None:
    assert build_by_week({"A": Item(free=5, level=44, weekly=12)}, most=[None] * 3) == [
        {"A": 39},
        {"A": 12},
        {"A": 12},
    ]


def test_what_is_promised_comes_before_what_lasts_the_shortest() -> None:
    items = {
        "promised": Item(free=-2, level=3, weekly=0.5),
        "selling": Item(free=0, level=20, weekly=10),
        "slow": Item(free=0, level=20, weekly=1),
    }

    first, second = build_by_week(items, most=[6, 6])

    assert first["promised"] >= 2
    # Each lasts about as long as the others now: 3.6 units sell ten times as fast as 0.4.
    assert first["selling"] > first.get("slow", 0)
    assert sum(first.values()) == sum(second.values()) == 6


@given(
    st.dictionaries(
        st.sampled_from("ABCDE"),
        st.builds(Item, st.integers(-5, 30), st.integers(0, 40), st.floats(0, 15)),
    ),
    st.integers(0, 60) | st.none(),
)
def test_no_more_is_built_than_hands_allow_nor_than_is_wanted(
    items: dict[str, Item], most: int | None
) -> None:
    (first, *_) = build_by_week(items, most=[most] * 3)

    assert most is None or sum(first.values()) <= most
    wanted = {sku: max(0, item.level - item.free) for sku, item in items.items()}
    assert all(first.get(sku, 0) <= count for sku, count in wanted.items())
    assert sum(first.values()) == min(sum(wanted.values()), sum(wanted.values()) if most is None else most)
