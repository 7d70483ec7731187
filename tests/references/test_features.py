"""Thinnest stroke and narrowest counter against raster morphology (SciPy's exact distance transform).

The definition is the same, the method shares nothing: pixels and distances instead of polygon buffers.
"""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from scipy import ndimage
from shapely.geometry import MultiPolygon, Point, box

from layout.features import LOST_WIDTHS, narrowest_counter, thinnest_stroke
from layout.fonts import open_font
from layout.typeset import compose, glyph_areas
from service import catalogue

#: Pixels to the capital height.
RESOLUTION = 900
AGREEMENT = 0.02


def _raster(region: MultiPolygon) -> np.ndarray:
    x0, y0, x1, y1 = region.bounds
    step, margin = 1 / RESOLUTION, 0.03
    xs = np.arange(x0 - margin, x1 + margin, step)
    ys = np.arange(y0 - margin, y1 + margin, step)
    shapely.prepare(region)
    grid_x, grid_y = np.meshgrid(xs, ys)
    return np.asarray(shapely.contains_xy(region, grid_x, grid_y))


def _raster_lost(inside_distance: np.ndarray, inside: np.ndarray, w: float) -> float:
    """Farthest inside pixel from the opening with a disc of diameter w, in capital heights."""
    radius = w / 2 * RESOLUTION
    eroded = inside_distance - 0.5 >= radius
    if not eroded.any():
        return np.inf
    to_eroded = ndimage.distance_transform_edt(~eroded)
    opened = to_eroded <= radius
    return float((ndimage.distance_transform_edt(~opened) * inside).max() / RESOLUTION)


def raster_thinnest_stroke(region: MultiPolygon) -> float:
    """The smallest w that loses more than LOST_WIDTHS w: scanned upward finely, then bisected."""
    inside = _raster(region)
    distance = ndimage.distance_transform_edt(inside)
    low = w = 0.008
    while _raster_lost(distance, inside, w) <= LOST_WIDTHS * w:
        low, w = w, w * 1.06
    high = w
    while high - low > 0.004 * low:
        middle = (low + high) / 2
        if _raster_lost(distance, inside, middle) > LOST_WIDTHS * middle:
            high = middle
        else:
            low = middle
    return (low + high) / 2


def _letter(font_name: str, char: str) -> MultiPolygon:
    font = open_font(catalogue.load(catalogue.default_folder()).fonts[font_name])
    composition = compose([char], font)
    areas = [a for c in composition.clusters for g in c.glyphs for a in glyph_areas(font, g.gid, 10.0)]
    return shapely.transform(MultiPolygon(areas), lambda points: points / font.capital_height)


@pytest.mark.parametrize(
    ("font", "char"),
    [
        ("lato-bold", "e"),
        ("lato-bold", "R"),
        ("garamond-bold", "a"),
        ("barlow-condensed", "g"),
        ("great-vibes", "o"),
    ],
)
def test_the_thinnest_stroke_of_letters_agrees_with_raster_morphology(font: str, char: str) -> None:
    region = _letter(font, char)

    ours = thinnest_stroke(region, least=0.004, most=0.6)

    assert ours == pytest.approx(raster_thinnest_stroke(region), rel=AGREEMENT, abs=1.5 / RESOLUTION)


@pytest.mark.parametrize(("font", "char"), [("lato-bold", "e"), ("garamond-bold", "B"), ("plex-mono", "8")])
def test_the_narrowest_counter_agrees_with_the_distance_transform(font: str, char: str) -> None:
    region = _letter(font, char)
    labels, count = ndimage.label(~_raster(region))
    holes = [labels == number for number in range(1, count + 1) if number != labels[0, 0]]
    widest = [2 * (ndimage.distance_transform_edt(hole).max() - 0.5) / RESOLUTION for hole in holes]

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
