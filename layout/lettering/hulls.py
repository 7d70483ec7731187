"""Convex hulls of glyphs with few corners, which hold the glyph whatever chords its curves are cut into."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

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


def hulls_around(points: Sequence[Floats], stand_off: float = STAND_OFF) -> list[Floats]:
    """For each of some sets of points (m, 2) a convex polygon (n, 2) that holds all of them and stands off
    their hull by at most `stand_off` (capital heights); all at once.

    Lines are laid against each hull, first along the axes, then along the chord between two touching points
    wherever the corner that their lines form stands off too far; all that are to be laid at a time together.
    """
    hulls = [hull_of(each) for each in points]
    round_ones = [number for number, hull in enumerate(hulls) if len(hull) >= 6]
    if not round_ones:
        return hulls
    laid = [hulls[number] for number in round_ones]
    # What lies between two lines, counter-clockwise: on whose hull it does (g,), outward normals and touching
    # points of both, and from where to where it goes on the way round (g, 2 or 2, 2).
    following = [1, 2, 3, 0]
    whose = np.repeat(np.arange(len(round_ones)), 4)
    normals = np.tile(np.stack([_AXES, _AXES[following]], axis=1), (len(round_ones), 1, 1))
    touching = _reached(laid, whose, normals[:, 0]).reshape(-1, 4, 2)
    touching = np.stack([touching, touching[:, following]], axis=2).reshape(-1, 2, 2)
    way = np.tile(np.stack([np.arange(4.0), np.arange(1.0, 5.0)], axis=1), (len(round_ones), 1))
    found: list[tuple[Floats, Floats, Any]] = []  # corners (n, 2), where each lies on the way (n,), and whose
    while len(way):
        first, second = touching[:, 0], touching[:, 1]
        crossing = np.linalg.solve(normals, (normals[:, :, None] @ touching[..., None])[..., 0])[..., 0]
        along, up = (second - first).T
        chord = np.hypot(along, up)
        outward = np.stack([up, -along], axis=1) / np.where(chord > 0, chord, 1.0)[:, None]
        between = _reached(laid, whose, outward)
        is_near = (chord > 0) & (_beyond(crossing, first, outward) <= stand_off)
        # Else the two touch one point, or the chord is an edge of the hull itself.
        is_open = (chord > 0) & ~is_near & (_beyond(between, first, outward) > _ON_CHORD)
        is_edge = (chord > 0) & ~is_near & ~is_open
        middle = way.mean(axis=1)
        found += [
            (np.where(is_near[:, None], crossing, first)[~is_open], way[~is_open, 0], whose[~is_open]),
            (second[is_edge], middle[is_edge], whose[is_edge]),
        ]
        normals, touching, way = (
            np.concatenate([np.stack([old[:, 0], new], axis=1), np.stack([new, old[:, 1]], axis=1)])[
                np.tile(is_open, 2)
            ]
            for old, new in ((normals, outward), (touching, between), (way, middle))
        )
        whose = np.tile(whose[is_open], 2)
    placed, places, whose = (np.concatenate(parts) for parts in zip(*found, strict=True))
    order = np.lexsort((places, whose))
    ends = np.cumsum(np.bincount(whose))
    for number, polygon in zip(round_ones, np.split(placed[order], ends[:-1]), strict=True):
        hulls[number] = polygon[np.any(polygon != np.roll(polygon, 1, axis=0), axis=1)]
    return hulls


_AXES = np.array([(1.0, 0.0), (0.0, 1.0), (-1.0, 0.0), (0.0, -1.0)])
#: Capital heights; a point no further out than this lies on the chord.
_ON_CHORD = 1e-9


def _beyond(points: Floats, chords: Floats, outward: Floats) -> Floats:
    """How far beyond lines through points of theirs others lie (n,)."""
    return np.asarray(((points - chords)[:, None] @ outward[..., None])[:, 0, 0])


def _reached(hulls: Sequence[Floats], whose: Any, normals: Floats) -> Floats:
    """The corners (g, 2) of their hulls that lines with those normals (g, 2) touch."""
    reached = np.empty_like(normals)
    for number, hull in enumerate(hulls):
        own = np.flatnonzero(whose == number)
        if len(own):
            reached[own] = hull[(hull @ normals[own, :, None])[..., 0].argmax(axis=1)]
    return reached
