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
    wherever the corner that their lines form stands off too far; all that are to be laid at a time together.
    """
    hull = hull_of(points)
    if len(hull) < 6:
        return hull
    # What lies between two lines, counter-clockwise: outward normals and touching points of both, and from
    # where to where it goes on the way round (g, 2 or 2, 2).
    following = [1, 2, 3, 0]
    normals = np.stack([_AXES, _AXES[following]], axis=1)
    touching = _reached(hull, _AXES)
    touching = np.stack([touching, touching[following]], axis=1)
    way = np.stack([np.arange(4.0), np.arange(1.0, 5.0)], axis=1)
    found: list[tuple[Floats, Floats]] = []  # corners (n, 2), and where each lies on the way round (n,)
    while len(way):
        first, second = touching[:, 0], touching[:, 1]
        crossing = np.linalg.solve(normals, (normals[:, :, None] @ touching[..., None])[..., 0])[..., 0]
        along, up = (second - first).T
        chord = np.hypot(along, up)
        outward = np.stack([up, -along], axis=1) / np.where(chord > 0, chord, 1.0)[:, None]
        between = _reached(hull, outward)
        is_near = (chord > 0) & (_beyond(crossing, first, outward) <= stand_off)
        # Else the two touch one point, or the chord is an edge of the hull itself.
        is_open = (chord > 0) & ~is_near & (_beyond(between, first, outward) > _ON_CHORD)
        is_edge = (chord > 0) & ~is_near & ~is_open
        middle = way.mean(axis=1)
        found += [
            (np.where(is_near[:, None], crossing, first)[~is_open], way[~is_open, 0]),
            (second[is_edge], middle[is_edge]),
        ]
        normals, touching, way = (
            np.concatenate([np.stack([old[:, 0], new], axis=1), np.stack([new, old[:, 1]], axis=1)])[
                np.tile(is_open, 2)
            ]
            for old, new in ((normals, outward), (touching, between), (way, middle))
        )
    corners, places = (np.concatenate(parts) for parts in zip(*found, strict=True))
    polygon = corners[np.argsort(places, kind="stable")]
    return polygon[np.any(polygon != np.roll(polygon, 1, axis=0), axis=1)]


_AXES = np.array([(1.0, 0.0), (0.0, 1.0), (-1.0, 0.0), (0.0, -1.0)])
#: Capital heights; a point no further out than this lies on the chord.
_ON_CHORD = 1e-9


def _beyond(points: Floats, chords: Floats, outward: Floats) -> Floats:
    """How far beyond lines through points of theirs others lie (n,)."""
    return np.asarray(((points - chords)[:, None] @ outward[..., None])[:, 0, 0])


def _reached(hull: Floats, normals: Floats) -> Floats:
    """The corners (n, 2) that lines with those normals (n, 2) touch."""
    return np.asarray(hull[(hull @ normals[..., None])[..., 0].argmax(axis=1)])
