"""Head heights worth trying: none that helps is left out, none more than needed, every range is served."""

from __future__ import annotations

from itertools import combinations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from layout.loading.focus_heights import Range, best_heights, fewest_heights, heights_to_try

#: Whole numbers, so that ends meet often.
RANGES = st.lists(
    st.tuples(st.integers(0, 12), st.integers(0, 4)).map(lambda at: (float(at[0]), float(at[0] + at[1]))),
    max_size=9,
)
#: Every height at which the set of ranges in focus can differ: ends, and between them.
EVERYWHERE = [half / 2 for half in range(-1, 35)]


def served(ranges: list[Range], height: float) -> frozenset[Range]:
    return frozenset((low, high) for low, high in ranges if low <= height <= high)


@given(ranges=RANGES)
def test_whatever_any_height_serves_a_height_to_try_serves_as_well(ranges: list[Range]) -> None:
    tried = heights_to_try(ranges, most=100)

    for height in EVERYWHERE:
        assert any(served(ranges, height) <= served(ranges, other) for other in tried) or not served(
            ranges, height
        )


@given(ranges=RANGES)
def test_no_height_to_try_serves_less_than_another(ranges: list[Range]) -> None:
    sets = [served(ranges, height) for height in best_heights(ranges)]

    assert not any(one <= other or other <= one for one, other in combinations(sets, 2))


@given(ranges=RANGES)
def test_the_fewest_heights_serve_every_range_and_fewer_do_not(ranges: list[Range]) -> None:
    chosen = fewest_heights(ranges)

    assert all(any(served([one], height) for height in chosen) for one in ranges)
    # Proved by as many ranges, of which no two have a height in common.
    apart = [
        some
        for some in combinations(set(ranges), len(chosen))
        if all(a[1] < b[0] or b[1] < a[0] for a, b in combinations(some, 2))
    ]
    assert apart or not chosen


@given(ranges=RANGES, most=st.integers(1, 4))
def test_with_few_heights_allowed_every_range_is_served_all_the_same(ranges: list[Range], most: int) -> None:
    tried = heights_to_try(ranges, most=most)

    assert all(any(served([one], height) for height in tried) for one in ranges)
    assert len(tried) <= max(most, len(fewest_heights(ranges)))


@given(ranges=RANGES.filter(bool), most=st.integers(1, 9), data=st.data())
def test_every_height_serves_a_range_that_must_be_and_the_best_for_it_is_among_them(
    ranges: list[Range], most: int, data: st.DataObject
) -> None:
    must = data.draw(st.lists(st.sampled_from(ranges), min_size=1, max_size=3))

    tried = heights_to_try(ranges, must_serve=must, most=most)

    assert tried and all(served(must, height) for height in tried)
    most_served = max(len(served(ranges, height)) for height in EVERYWHERE if served(must, height))
    needed = len(fewest_heights(ranges, among=heights_to_try(ranges, must_serve=must, most=100)))
    if most > needed:
        assert max(len(served(ranges, height)) for height in tried) == most_served


def test_ranges_that_are_never_in_focus_ask_for_no_height() -> None:
    assert heights_to_try([(3.0, 2.0)]) == []
    assert heights_to_try([(3.0, 2.0), (5.0, 6.0)]) == [5.0]


@pytest.mark.parametrize("count", [8, 9, 60])
def test_a_high_surface_is_served_however_many_low_ones_differ(count: int) -> None:
    flat = [(1.0 + 0.01 * n, 3.0 + 0.01 * n) for n in range(count)]

    assert heights_to_try([*flat, (21.0, 25.0)]) == [1.0 + 0.01 * (count - 1), 21.0]
