"""Rows against Shapely's own intersection, by area and by containment."""

from __future__ import annotations

import math
from functools import reduce

import numpy as np
import pytest
import shapely
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from shapely.geometry import LineString, MultiLineString, MultiPolygon, Point, Polygon, box

from layout.burn.rows import filled, rows, scan, shrink
from layout.shop.outline import frozen
from layout.shop.stations import Rows
from tests.golden.turns import a_process, strokes, words


def lattice_lines(region: shapely.Geometry, spacing_mm: float, angle_deg: float) -> MultiLineString:
    """The lattice's lines over a region, built one by one in plain Python."""
    turn = math.radians(angle_deg)
    along, across = (math.cos(turn), math.sin(turn)), (-math.sin(turn), math.cos(turn))
    points = shapely.get_coordinates(region)
    reach = float(np.abs(points).max()) * 2 + 1
    v = points @ np.array(across)
    lines: list[list[tuple[float, float]]] = []
    for k in range(math.floor(v.min() / spacing_mm) - 1, math.ceil(v.max() / spacing_mm) + 1):
        x, y = ((k + 0.5) * spacing_mm * c for c in across)
        lines.append(
            [(x - reach * along[0], y - reach * along[1]), (x + reach * along[0], y + reach * along[1])]
        )
    return MultiLineString(lines)


def length(segments: np.ndarray) -> float:
    return float(np.hypot(*(segments[:, 1] - segments[:, 0]).T).sum())


@pytest.mark.parametrize("angle_deg", [0.0, 30.0, 45.0, 90.0, 137.5, -20.0])
@pytest.mark.parametrize("text", ["Rå 3", "&8@", "Ǿ"])
def test_rows_are_those_of_one_shapely_intersection(text, angle_deg):
    region = words(text).region

    found = scan(region, 0.05, angle_deg)

    expected = shapely.intersection(lattice_lines(region, 0.05, angle_deg), region)
    assert length(found) == pytest.approx(expected.length, rel=1e-6)
    assert shapely.hausdorff_distance(MultiLineString(list(found)), expected) < 0.001


@pytest.mark.parametrize("text", ["Happy Birthday", "Ångström & Søn", "iIl1.,:;"])
@pytest.mark.parametrize("height_mm", [3.0, 5.0])
def test_length_times_spacing_is_the_area_inside_the_edge_allowance_within_one_percent(text, height_mm):
    outline, process = words(text, height_mm=height_mm), a_process(rows=Rows(0.03, 45.0, crossed=False))

    found = rows(outline, process)

    assert length(found) * 0.03 == pytest.approx(shrink(outline, process).area, rel=0.01)


def test_no_row_leaves_the_area_inside_the_edge_allowance():
    outline, process = words("Ångström"), a_process(rows=Rows(0.03, 20.0, crossed=True))

    found = rows(outline, process)

    inside = outline.region.buffer(-process.edge_allowance_mm + 0.0002)
    assert shapely.covers(inside, shapely.linestrings(found)).all()


def test_crossed_rows_stand_at_right_angles_to_the_rows():
    outline = frozen([box(0, 0, 4, 4)])
    process = a_process(rows=Rows(0.1, 0.0, crossed=True), edge_allowance_mm=0.0)

    (area,) = filled(outline, process)

    assert (len(area.rows), len(area.crossed)) == (40, 40)
    assert np.ptp(area.rows[:, :, 1], axis=1).max() == 0
    assert np.ptp(area.crossed[:, :, 0], axis=1).max() == 0
    assert len(rows(outline, process)) == 80


def test_glyphs_of_different_heights_share_one_lattice():
    outline = frozen([box(0, 0, 1, 1.013), box(2, 0.37, 3, 2.0)])

    found = rows(outline, a_process(rows=Rows(0.07, 0.0, crossed=False), edge_allowance_mm=0.0))

    lattice = found[:, 0, 1] / 0.07 - 0.5
    assert np.abs(lattice - np.rint(lattice)).max() < 1e-9


def test_a_row_through_vertices_and_along_an_edge_is_whole():
    # Rows lie at y = 0.5, 1.5, ...: one runs through both tips of the diamond, one along an edge of the L.
    diamond = Polygon([(0, 0.5), (2, -1.2), (4, 0.5), (2, 2.2)])
    corner = Polygon([(10, 0), (14, 0), (14, 1.5), (12, 1.5), (12, 3), (10, 3)])

    found = scan(MultiPolygon([diamond, corner]), 1.0, 0.0)

    assert [(a, b) for a, b in found.tolist() if a[1] == 0.5] == [
        ([0.0, 0.5], [4.0, 0.5]),
        ([10.0, 0.5], [14.0, 0.5]),
    ]
    assert [(a, b) for a, b in found.tolist() if a[1] == 1.5 and a[0] >= 10] == [([10.0, 1.5], [12.0, 1.5])]


def test_single_line_strokes_are_never_filled():
    assert rows(strokes(), a_process()).shape == (0, 2, 2)
    assert filled(strokes(), a_process()) == ()


def test_the_edge_line_runs_along_the_area_inside_the_edge_allowance():
    outline = frozen([box(0, 0, 4, 4) - box(1, 1, 3, 3)])

    (area,) = filled(outline, a_process(edge_allowance_mm=0.1))

    lengths = sorted(LineString(ring).length for ring in area.edge)
    assert lengths[1] == pytest.approx(4 * 3.8)
    # The hole grows with rounded corners: four sides of 2 mm and a full circle of 0.1 mm.
    assert lengths[0] == pytest.approx(8 + 2 * math.pi * 0.1, rel=1e-3)


def test_without_an_edge_line_there_are_rows_only():
    (area,) = filled(frozen([box(0, 0, 4, 4)]), a_process(edge_line=False))

    assert area.edge == ()
    assert area.burns


def test_an_area_narrower_than_twice_the_allowance_burns_nothing():
    assert filled(frozen([box(0, 0, 4, 0.04)]), a_process(edge_allowance_mm=0.025)) == ()


def test_an_area_between_two_rows_has_none():
    (area,) = filled(
        frozen([box(0, 0.02, 1, 0.07)]),
        a_process(rows=Rows(0.2, 0.0, crossed=False), edge_allowance_mm=0.0, edge_line=False),
    )

    assert not area.burns


def test_a_letter_that_falls_apart_is_taken_from_left_to_right():
    dumbbell = shapely.union_all([box(5, 0, 6, 1), box(0, 0, 1, 1), box(1, 0.48, 5, 0.52)])

    areas = filled(frozen([dumbbell]), a_process())

    assert [round(area.area.bounds[0], 1) for area in areas] == [0.0, 5.0]


@pytest.mark.parametrize("spacing_mm", [0.0, -0.1, math.nan])
def test_a_spacing_that_is_not_positive_is_an_error(spacing_mm):
    with pytest.raises(ValueError, match="spacing"):
        scan(box(0, 0, 1, 1), spacing_mm, 0.0)


def test_nothing_has_no_rows():
    assert scan(Polygon(), 0.1, 0.0).shape == (0, 2, 2)


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.tuples(st.floats(-8, 8), st.floats(-8, 8), st.floats(0.3, 3)), min_size=1, max_size=5),
    st.floats(0.05, 0.5),
    st.floats(-180, 180),
)
def test_rows_of_any_region_are_those_of_shapely(circles, spacing_mm, angle_deg):
    discs = [Point(x + 0.0137, y + 0.0137).buffer(r, 6) for x, y, r in circles]
    # On the grid of frozen outlines: what is thinner is dust that no outline has.
    region = shapely.set_precision(reduce(shapely.symmetric_difference, discs), 1e-4)
    assume(not region.is_empty)

    found = scan(region, spacing_mm, angle_deg)

    expected = shapely.intersection(lattice_lines(region, spacing_mm, angle_deg), region).length
    # A row that grazes a side along its length may count on either side of rounding: one row's worth at most.
    assert length(found) == pytest.approx(expected, abs=1e-3 + expected * 1e-6)
