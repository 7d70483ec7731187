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
    pieces: list[Floats | _Gap] = list(zip(sides, [*sides[1:], sides[0]], strict=True))
    while gaps := [piece for piece in pieces if isinstance(piece, tuple)]:
        crossings = iter(_crossings(gaps))
        closer = [
            _closed(hull, piece, next(crossings), stand_off) if isinstance(piece, tuple) else [piece]
            for piece in pieces
        ]
        pieces = [piece for some in closer for piece in some]
    polygon = np.array(pieces)
    return polygon[np.any(polygon != np.roll(polygon, 1, axis=0), axis=1)]


#: A line laid against a hull: its outward normal, and the corner that it touches.
_Side = tuple[Floats, Floats]
#: Two neighbouring lines, counter-clockwise, between which the corners are still to be found.
_Gap = tuple[_Side, _Side]
_AXES = tuple(np.array(normal) for normal in ((1.0, 0.0), (0.0, 1.0), (-1.0, 0.0), (0.0, -1.0)))


def _laid(hull: Floats, normal: Floats) -> _Side:
    return normal, hull[int((hull @ normal).argmax())]


def _closed(hull: Floats, gap: _Gap, corner: Floats, stand_off: float) -> list[Floats | _Gap]:
    """The corners that close a gap, whose lines cross at `corner`; or the two gaps beside a line between."""
    side, following = gap
    touched, next_touched = side[1], following[1]
    along, up = (next_touched - touched).tolist()
    if along == 0.0 and up == 0.0:
        return [touched]
    outward = np.array([up, -along]) / np.hypot(along, up)
    if float((corner - touched) @ outward) <= stand_off:
        return [corner]
    between = _laid(hull, outward)
    if float((between[1] - touched) @ outward) <= _ON_CHORD:
        return [touched, next_touched]  # the chord is an edge of the hull itself
    return [(side, between), (between, following)]


#: Capital heights; a point no further out than this lies on the chord.
_ON_CHORD = 1e-9


def _crossings(gaps: list[_Gap]) -> Floats:
    """Where the two lines of each gap cross (g, 2)."""
    normals = np.array([(side[0], following[0]) for side, following in gaps])
    reach = np.array([(n @ p, m @ q) for (n, p), (m, q) in gaps])
    return np.asarray(np.linalg.solve(normals, reach[..., None])[..., 0])
