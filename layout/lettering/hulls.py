"""Convex hulls of glyphs with few corners, which hold the glyph whatever chords its curves are cut into."""

from __future__ import annotations

import numpy as np
import shapely

from layout.shop.measure import Floats

#: How far (capital heights) a hull may stand off the curve: what chords at 8 mm capitals may cut off.
STAND_OFF = 0.00025
_NO_POINTS: Floats = np.empty((0, 2))


def hull_of(points: Floats) -> Floats:
    """Convex hull (n, 2) of points (m, 2), counter-clockwise and open; (0, 2) where there are none."""
    if len(points) == 0:
        return _NO_POINTS
    # Of a line string GEOS takes the hull of its points; it is the quickest way to hand them over.
    hull = shapely.convex_hull(shapely.linestrings(np.concatenate([points, points[:1]])))
    corners: Floats = shapely.get_coordinates(hull)
    return corners[-2::-1] if hull.geom_type == "Polygon" else corners  # GEOS gives shells clockwise


def hull_around(points: Floats, stand_off: float = STAND_OFF) -> Floats:
    """A convex polygon (n, 2) that holds all the points and stands off their hull by at most `stand_off`.

    Lines are laid against the hull, first along the axes, then along the chord between two touching points
    wherever the corner that their lines form stands off too far.
    """
    hull = hull_of(points)
    if len(hull) < 6:
        return hull
    sides = [_laid(hull, normal) for normal in _AXES]
    corners: list[Floats] = []
    for side, following in zip(sides, [*sides[1:], sides[0]], strict=True):
        corners += _corners(hull, side, following, stand_off)
    polygon = np.array(corners)
    return polygon[np.any(polygon != np.roll(polygon, 1, axis=0), axis=1)]


#: A line laid against a hull: its outward normal, and the corner that it touches.
_Side = tuple[Floats, Floats]
_AXES = tuple(np.array(normal) for normal in ((1.0, 0.0), (0.0, 1.0), (-1.0, 0.0), (0.0, -1.0)))


def _laid(hull: Floats, normal: Floats) -> _Side:
    return normal, hull[int(np.argmax(hull @ normal))]


def _corners(hull: Floats, side: _Side, following: _Side, stand_off: float) -> list[Floats]:
    """Corners from one line to the next, counter-clockwise."""
    (_, touched), (_, next_touched) = side, following
    if np.array_equal(touched, next_touched):
        return [touched]
    corner = _crossing(side, following)
    chord = next_touched - touched
    outward = np.array([chord[1], -chord[0]]) / np.hypot(*chord)
    if float((corner - touched) @ outward) <= stand_off:
        return [corner]
    between = _laid(hull, outward)
    if float((between[1] - touched) @ outward) <= _ON_CHORD:
        return [touched, next_touched]  # the chord is an edge of the hull itself
    return _corners(hull, side, between, stand_off) + _corners(hull, between, following, stand_off)


#: Capital heights; a point no further out than this lies on the chord.
_ON_CHORD = 1e-9


def _crossing(side: _Side, following: _Side) -> Floats:
    (n, p), (m, q) = side, following
    return np.asarray(np.linalg.solve(np.array([n, m]), np.array([n @ p, m @ q])))
