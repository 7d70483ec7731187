"""Routes are short, keep what they were given, and never depend on chance."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise, permutations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from layout.burn.route import jump_mm, order_rows, tour
from layout.burn.rows import filled
from layout.shop.stations import Rows
from tests.golden.turns import a_process, words


def path_mm(points: np.ndarray, path: Sequence[int]) -> float:
    """Length (mm) of an open path through points (n, 2)."""
    return sum(float(np.hypot(*(points[b] - points[a]))) for a, b in pairwise(path))


def as_set(segments: np.ndarray) -> list[tuple[float, ...]]:
    return sorted(tuple(sorted(map(tuple, segment))) for segment in segments.tolist())


def test_rows_of_a_letter_are_all_there_and_jump_far_less_than_line_by_line():
    (area,) = filled(words("B"), a_process(rows=Rows(0.03, 0.0, crossed=False)))

    ordered = order_rows(area.rows)

    assert as_set(ordered) == as_set(area.rows)
    assert jump_mm(list(ordered)) < 0.2 * jump_mm(list(area.rows))


def test_the_next_row_is_the_one_with_the_nearest_end():
    rows = np.array([[[0, 0], [1, 0]], [[0, 2], [1, 2]], [[0, 1], [1, 1]]], dtype=float)

    ordered = order_rows(rows)

    assert ordered.tolist() == [[[0, 0], [1, 0]], [[1, 1], [0, 1]], [[0, 2], [1, 2]]]


def test_a_route_begins_nearest_to_where_the_beam_comes_from():
    rows = np.array([[[0, 0], [1, 0]], [[0, 2], [1, 2]]], dtype=float)

    ordered = order_rows(rows, np.array([1.0, 3.0]))

    assert ordered.tolist() == [[[1, 2], [0, 2]], [[0, 0], [1, 0]]]


def test_no_rows_and_no_points_have_empty_routes():
    assert len(order_rows(np.empty((0, 2, 2)))) == 0
    assert tour(np.empty((0, 2))) == ()
    assert jump_mm([]) == 0
    assert jump_mm([], np.array([0.0, 0.0])) == 0


def test_the_way_to_the_first_path_counts_when_it_is_given():
    path = [np.array([[3.0, 4.0], [9.0, 9.0]])]

    assert jump_mm(path, np.array([0.0, 0.0])) == 5.0


@pytest.mark.parametrize("seed", range(6))
def test_a_tour_of_seven_slots_is_the_best_of_all_orders(seed):
    # Brute force over all orders with the same beginning; the seed is in the test's name.
    points = np.random.default_rng(seed).uniform(0, 100, (7, 2))

    found = tour(points)

    best = min(path_mm(points, (found[0], *rest)) for rest in permutations(sorted(found[1:])))
    assert sorted(found) == list(range(7))
    assert path_mm(points, found) == pytest.approx(best, abs=0.01)


@settings(max_examples=40, deadline=None)
@given(st.lists(st.tuples(st.integers(0, 9), st.integers(0, 9)), min_size=1, max_size=24))
def test_a_tour_visits_every_point_once_even_where_points_coincide(points):
    array = np.array(points, dtype=float)

    found = tour(array)

    assert sorted(found) == list(range(len(points)))
    assert array[found[0]].tolist() == min(array.tolist(), key=lambda p: (p[1], p[0]))


@settings(max_examples=40, deadline=None)
@given(st.lists(st.tuples(st.integers(0, 300), st.integers(0, 200)), min_size=3, max_size=30, unique=True))
def test_a_tour_is_no_longer_than_always_going_to_the_nearest_slot(points):
    array = np.array(points, dtype=float)

    found = tour(array)

    nearest, left = [found[0]], set(found[1:])
    while left:
        nearest.append(min(left, key=lambda i: (np.hypot(*(array[i] - array[nearest[-1]])), i)))
        left.remove(nearest[-1])
    assert path_mm(array, found) <= path_mm(array, nearest) + 0.001


def test_a_row_of_slots_is_walked_from_end_to_end():
    points = np.array([[30, 0], [0, 0], [20, 0], [10, 0]], dtype=float)

    assert tour(points) == (1, 3, 2, 0)
