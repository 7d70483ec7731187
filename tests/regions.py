"""Builders of regions, hulls and zones for tests of fitting."""

from __future__ import annotations

from typing import Any

import numpy as np
import shapely
from shapely import affinity
from shapely.geometry import Point, Polygon

from layout.fit.region import Region, Source
from layout.shop.blades import Baseline, Slide, Zone
from layout.shop.measure import Floats

#: An axe's head: nothing about it is the same when it is turned.
AXE_HEAD = Polygon(
    [
        (0, 20),
        (0, -20),
        (40, -18),
        (85, -26),
        (128, -45),
        (137, -18),
        (137, 12),
        (128, 36),
        (80, 22),
        (40, 19),
    ]
)


def a_zone(polygon: Polygon, *, max_height_mm: float = 60.0, slide: Slide = "both", **changes: Any) -> Zone:
    """A zone that takes text on a level baseline."""
    x0, y0, x1, _ = polygon.bounds
    given: dict[str, Any] = {
        "zone": "z",
        "polygon": polygon,
        "baseline": Baseline(((x0, y0), (x1, y0))),
        "kinds": frozenset({"text"}),
        "fonts": (),
        "max_lines": 1,
        "min_height_mm": 0.1,
        "max_height_mm": max_height_mm,
        "slide": slide,
        **changes,
    }
    return Zone(**given)


def a_region(polygon: Any) -> Region:
    """A region as it is, without margins."""
    return Region(polygon, 0.0, 0.0, (Source("zone", "z", polygon.boundary),))


def a_hull(rng: np.random.Generator) -> Floats:
    """A convex hull like a line of text's: longer than high, ink above and a little below the baseline."""
    length = rng.uniform(1.0, 9.0)
    points = rng.uniform([-length / 2, -0.35], [length / 2, 1.15], size=(14, 2))
    hull = shapely.convex_hull(shapely.multipoints(points))
    return np.asarray(shapely.get_coordinates(shapely.geometry.polygon.orient(hull))[:-1])


def a_convex_polygon(rng: np.random.Generator) -> Polygon:
    """A convex polygon of 3 to 10 corners within 60 by 25 mm."""
    while True:
        points = rng.uniform([0, 0], [60, 25], size=(int(rng.integers(4, 12)), 2))
        hull = shapely.convex_hull(shapely.multipoints(points))
        if hull.area > 100:
            return hull


def a_hollow_polygon(rng: np.random.Generator) -> Any:
    """A region with one to four round or square keep-outs and, half of the time, a bay cut into its edge."""
    while True:
        region = a_convex_polygon(rng)
        for _ in range(int(rng.integers(1, 5))):
            region = region.difference(_a_keep_out(rng, region))
        if rng.random() < 0.5:
            x = rng.uniform(region.bounds[0], region.bounds[2])
            region = region.difference(Point(x, region.bounds[3]).buffer(rng.uniform(2, 7), quad_segs=6))
        if region.area > 60:
            return region


def _a_keep_out(rng: np.random.Generator, region: Any) -> Polygon:
    x0, y0, x1, y1 = region.bounds
    at = Point(rng.uniform(x0, x1), rng.uniform(y0, y1))
    if rng.random() < 0.5:
        return at.buffer(rng.uniform(0.8, 3.5), quad_segs=6)
    return affinity.rotate(at.buffer(rng.uniform(0.8, 3.0), cap_style="square"), rng.uniform(0, 90))
