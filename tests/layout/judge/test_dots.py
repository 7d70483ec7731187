"""The judge's dots and segments against what shapely says of the same shapes."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from shapely.geometry import Point
from shapely.geometry.polygon import orient

from layout.judge.dots import Grid
from layout.judge.written_paths import segments


def dots_of(grid: Grid) -> list[tuple[int, int, Point]]:
    return [
        (row, column, Point(grid.x_mm + column * grid.step_mm, grid.y_mm + row * grid.step_mm))
        for row in range(grid.rows)
        for column in range(grid.columns)
    ]


@pytest.mark.parametrize("seed", range(5))
def test_dots_are_inside_where_shapely_says_so(seed: int) -> None:
    chance = np.random.default_rng(seed)
    ring = Point(0, 0).buffer(3, quad_segs=int(chance.integers(1, 9)))
    hole = Point(*chance.uniform(-0.5, 0.5, 2)).buffer(1.03)
    area = orient(ring.difference(hole))
    grid = Grid.over((-3.2, -3.1, 3.3, 3.4), 0.37)

    inside = grid.inside([np.asarray(each.coords) for each in (area.exterior, *area.interiors)])

    assert inside.shape == (grid.rows, grid.columns)
    assert [bool(inside[row, column]) for row, column, _ in dots_of(grid)] == [
        area.contains(dot) for _, _, dot in dots_of(grid)
    ]


@pytest.mark.parametrize("seed", range(5))
def test_dots_are_reached_within_a_chord_of_what_shapely_says(seed: int) -> None:
    lines = np.random.default_rng(seed).uniform(-3, 3, (7, 2, 2))
    grid = Grid.over((-4.0, -4.0, 4.0, 4.0), 0.23)
    near = shapely.multilinestrings(shapely.linestrings(lines))

    reached = grid.reached(lines, 0.5)

    for row, column, dot in dots_of(grid):
        away = near.distance(dot)
        if away < 0.48 or away > 0.5:  # between them lie the chords at a line's ends
            assert reached[row, column] == (away < 0.49), (dot, away)


def test_segments_go_on_within_a_line_and_never_from_one_to_the_next() -> None:
    lines = (
        np.array([[0.0, 0.0], [1.0, 0.0], [1.0, 1.0]]),
        np.array([[5.0, 5.0]]),
        np.empty((0, 2)),
        np.array([[2.0, 2.0], [3.0, 2.0]]),
    )

    assert segments(lines).tolist() == [
        [[0.0, 0.0], [1.0, 0.0]],
        [[1.0, 0.0], [1.0, 1.0]],
        [[2.0, 2.0], [3.0, 2.0]],
    ]
    assert segments(()).shape == segments(lines[1:3]).shape == (0, 2, 2)
