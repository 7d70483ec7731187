"""Thinnest stroke and narrowest counter against raster morphology (SciPy's exact distance transform).

The definition is the same, the method shares nothing: pixels and distances instead of polygon buffers.
"""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from scipy import ndimage
from shapely.geometry import MultiPolygon, Point, box

from layout.lettering.fonts import open_font
from layout.lettering.typeset import compose
from layout.marks.features import LOST_WIDTHS, narrowest_counter, narrowest_gap, thinnest_stroke
from service.shop import catalogue

#: Pixels to the width that is measured. Rasters err by a pixel or so, at sharp tips by a few.
RESOLUTION = 80
AGREEMENT = 0.02


def _raster(region: MultiPolygon, step: float, margin: float) -> np.ndarray:
    x0, y0, x1, y1 = region.bounds
    xs = np.arange(x0 - margin, x1 + margin, step)
    ys = np.arange(y0 - margin, y1 + margin, step)
    shapely.prepare(region)
    grid_x, grid_y = np.meshgrid(xs, ys)
    return np.asarray(shapely.contains_xy(region, grid_x, grid_y))


def raster_lost_widths(inside: np.ndarray, inside_distance: np.ndarray, w: float) -> float:
    """How many times w (pixels) the farthest inside pixel is from the opening with a disc of diameter w."""
    eroded = inside_distance - 0.5 >= w / 2
    if not eroded.any():
        return np.inf
    opened = ndimage.distance_transform_edt(~eroded) <= w / 2 + 0.5
    return float(ndimage.distance_transform_edt(~opened)[inside].max() / w)


def _letter(font_name: str, char: str) -> MultiPolygon:
    font = open_font(catalogue.load(catalogue.default_folder()).fonts[font_name])
    composition = compose([char], font)
    areas = [a for c in composition.clusters for g in c.glyphs for a in font.areas(g.gid, 10.0)]
    return shapely.transform(MultiPolygon(areas), lambda points: points / font.capital_height)


@pytest.mark.parametrize(
    ("font", "chars"),
    [
        ("lato-bold", "a&"),
        ("garamond-bold", "R8"),
        ("barlow-condensed", "gS"),
        ("pacifico", "e"),
        pytest.param("lato-bold", "eR8", marks=pytest.mark.long),
        pytest.param("garamond-bold", "ae", marks=pytest.mark.long),
        pytest.param("serif-semibold", "aR8", marks=pytest.mark.long),
        pytest.param("pacifico", "aR", marks=pytest.mark.long),
        pytest.param("great-vibes", "e", marks=pytest.mark.long),
    ],
)
def test_the_thinnest_stroke_of_letters_agrees_with_raster_morphology(font: str, chars: str) -> None:
    for char in chars:
        region = _letter(font, char)

        ours = thinnest_stroke(region, least=0.004, most=0.6)

        inside = _raster(region, ours / RESOLUTION, ours)
        distance = ndimage.distance_transform_edt(inside)
        lost = [
            raster_lost_widths(inside, distance, RESOLUTION * share)
            for share in (0.55, 0.8, 1 - AGREEMENT, 1 + AGREEMENT)
        ]
        # Nothing is lost at any width tried below ours, and something just above it.
        assert max(lost[:3]) <= LOST_WIDTHS < lost[3], (char, ours, lost)


@pytest.mark.parametrize(
    ("font", "text"),
    [("lato-bold", "AV"), ("garamond-bold", "rn"), ("barlow-condensed", "To"), ("plex-mono", "MW")],
)
def test_the_narrowest_gap_agrees_with_the_distance_transform(font: str, text: str) -> None:
    opened = open_font(catalogue.load(catalogue.default_folder()).fonts[font])
    composition = compose([text], opened)
    letters = []
    for cluster in composition.clusters:
        for glyph in cluster.glyphs:
            move = np.array([glyph.x, glyph.y])
            areas = MultiPolygon(opened.areas(glyph.gid, 10.0))
            letters.append(shapely.transform(areas, lambda p, move=move: p / opened.capital_height + move))
    first, second = letters

    found = narrowest_gap(composition)

    assert found is not None
    step = found.width / RESOLUTION
    whole = shapely.union_all(letters).envelope
    to_first = ndimage.distance_transform_edt(~_raster_in(first, whole, step))
    theirs = (to_first[_raster_in(second, whole, step)].min() - 1) * step
    assert found.width == pytest.approx(theirs, rel=AGREEMENT)


def _raster_in(region: MultiPolygon, frame: object, step: float) -> np.ndarray:
    x0, y0, x1, y1 = frame.bounds  # type: ignore[attr-defined]
    grid_x, grid_y = np.meshgrid(np.arange(x0, x1, step), np.arange(y0, y1, step))
    shapely.prepare(region)
    return np.asarray(shapely.contains_xy(region, grid_x, grid_y))


@pytest.mark.parametrize(("font", "char"), [("lato-bold", "e"), ("garamond-bold", "B"), ("plex-mono", "8")])
def test_the_narrowest_counter_agrees_with_the_distance_transform(font: str, char: str) -> None:
    region = _letter(font, char)
    step = 1 / 900
    labels, count = ndimage.label(~_raster(region, step, 0.03))
    holes = [labels == number for number in range(1, count + 1) if number != labels[0, 0]]
    widest = [2 * (ndimage.distance_transform_edt(hole).max() - 0.5) * step for hole in holes]

    ours = narrowest_counter(region)

    assert ours == pytest.approx(min(widest), rel=AGREEMENT)


@pytest.mark.parametrize(
    ("name", "region", "width"),
    [
        ("a bar", box(0, 0, 5, 0.4), 0.4),
        (
            "a ring",
            Point(0, 0).buffer(2.0, quad_segs=64).difference(Point(0, 0).buffer(1.0, quad_segs=64)),
            1.0,
        ),
        ("a dumbbell", shapely.union_all([box(0, 0, 2, 2), box(2, 0.9, 4, 1.1), box(4, 0, 6, 2)]), 0.2),
    ],
)
def test_shapes_of_known_width_have_that_width(name: str, region: MultiPolygon, width: float) -> None:
    # Elementary geometry: the width is what the shape was drawn with.
    assert thinnest_stroke(region, least=0.01, most=3.0) == pytest.approx(width, rel=0.005), name


def test_a_shape_without_holes_has_no_counter() -> None:
    assert narrowest_counter(MultiPolygon([box(0, 0, 1, 1)])) is None
