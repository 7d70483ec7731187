"""Real photos, of print on paper: found where they are, and told from other words.

From scikit-image (BSD-3-Clause), `skimage.data.page` and `skimage.data.text`: photos of printed text in
uneven light. Its transforms make them aslant, by a camera written down here, and its contours stand for the
approved outline. What is said of single letters is not tried on them: ink on paper varies more than what is
burned.
"""

from __future__ import annotations

from functools import reduce
from typing import Any

import numpy as np
import pytest
import shapely
from shapely.geometry import Polygon
from skimage import data, filters, measure, transform

from layout.look.look import LEAST_LIKENESS, look

PX_PER_MM = 12.0
#: Rows and columns of some lines in each.
PAGE, OTHER_LINES, TEXT = (40, 60, 130, 370), (135, 10, 190, 300), (0, 0, 172, 448)


def printed(photo: Any, part: tuple[int, int, int, int]) -> list[Any]:
    """What is printed in a part of a photo, as polygons (mm, y up)."""
    top, left, bottom, right = part
    dark = photo < filters.threshold_local(photo, 51, offset=0.06)
    labels = measure.label(dark)
    kept = np.zeros_like(dark)
    for region in measure.regionprops(labels):
        r0, c0, r1, c1 = region.bbox
        if region.area >= 12 and r0 >= top and c0 >= left and r1 <= bottom and c1 <= right:
            kept[labels == region.label] = True
    contours = measure.find_contours(np.pad(kept, 1), 0.5)
    rings = [Polygon([(x - 0.5, 0.5 - y) for y, x in contour]).buffer(0) for contour in contours]
    shape = reduce(shapely.symmetric_difference, sorted(rings, key=lambda ring: -ring.area))
    scaled = shapely.transform(shape, lambda points: points / PX_PER_MM)
    return [part for part in shapely.get_parts(scaled) if part.area > 0]


def aslant(photo: Any, *, tilt_deg: float, turn_deg: float) -> tuple[Any, Any]:
    """The photo photographed from the side, half as large again; (3, 3) from old pixels to new."""
    height, width = photo.shape
    focal, bigger = 1200.0, 1.5
    t, a = np.radians([tilt_deg, turn_deg])
    lean = np.array([[np.cos(t), 0, np.sin(t)], [0, 1, 0], [-np.sin(t), 0, np.cos(t)]])
    turn = np.array([[np.cos(a), -np.sin(a), 0], [np.sin(a), np.cos(a), 0], [0, 0, 1]])
    seen = turn @ lean
    camera = np.array([[focal, 0, width * bigger / 2], [0, focal, height * bigger / 2], [0, 0, 1]])
    way = camera @ np.column_stack([seen[:, 0], seen[:, 1], [0, 0, focal / bigger]])
    way = way @ np.array([[1, 0, -width / 2], [0, 1, -height / 2], [0, 0, 1]])
    size = round(height * bigger), round(width * bigger)
    shown = transform.warp(photo, np.linalg.inv(way), output_shape=size, order=3, mode="edge")
    return shown.astype(np.float32), way / way[2, 2]


@pytest.mark.parametrize(("name", "part"), [("page", PAGE), ("text", TEXT)])
def test_print_is_found_where_the_camera_saw_it(name: str, part: tuple[int, int, int, int]) -> None:
    photo = getattr(data, name)() / 255.0
    parts = printed(photo, part)
    shown, way = aslant(photo, tilt_deg=18, turn_deg=5)

    found = look(shown, parts)

    assert found.to_photo is not None
    points = np.array([[x, y, 1.0] for part in parts for x, y in part.exterior.coords[::5]])
    from_mm = np.diag([PX_PER_MM, -PX_PER_MM, 1.0])
    off = _at(points, found.to_photo) - _at(points, way @ from_mm)
    assert np.percentile(np.hypot(*off.T), 95) < 2.0  # pixels


def test_other_lines_of_the_same_page_do_not_look_like_these() -> None:
    photo = data.page() / 255.0
    shown, _ = aslant(photo[:130], tilt_deg=10, turn_deg=0)

    found = look(shown, printed(photo, OTHER_LINES))

    assert found.likeness < LEAST_LIKENESS


def _at(points: Any, way: Any) -> Any:
    at = points @ way.T
    return at[:, :2] / at[:, 2:]
