"""One affine value, held against another implementation of the same transforms (`shapely.affinity`)."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from shapely import affinity
from shapely.geometry import Point

from layout.shop.affine import Affine

lengths = st.floats(-400, 400)
turns = st.floats(-720, 720)
scales = st.sampled_from([1.0, -1.0, 0.001, -1000.0])


@given(lengths, lengths, turns, lengths, lengths, scales, scales)
def test_turned_moved_and_scaled_as_shapely_does_it(
    x: float, y: float, turn: float, tx: float, ty: float, across: float, up: float
) -> None:
    turned = affinity.rotate(Point(x, y), turn, origin=(0, 0))
    moved = affinity.translate(turned, tx, ty)
    wanted = affinity.scale(moved, across, up, origin=(0, 0))

    there = Affine.turned(turn, to=(tx, ty)).scaled(across, up).point((x, y))

    assert there == pytest.approx((wanted.x, wanted.y), abs=1e-9 * max(abs(across), abs(up), 1))


@given(turns, lengths, lengths)
def test_many_points_come_to_lie_where_each_alone_does_to_the_last_bit(
    turn: float, tx: float, ty: float
) -> None:
    given_points = np.array([[0.0, 0.0], [1.0, 2.0], [-3.3, 0.1], [100.0, -250.0]])
    there = Affine.turned(turn, to=(tx, ty))

    together = there(given_points)

    assert together.tolist() == [list(there.point((x, y))) for x, y in given_points.tolist()]
