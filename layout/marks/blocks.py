"""What is to be fitted, whatever its kind: a hull at unit size, how to draw it, and its narrowest features.

The unit is the capital height for text and monograms, the width for artwork, one module for codes.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cached_property, lru_cache
from types import MappingProxyType
from typing import Any

import numpy as np
import shapely
from shapely.geometry import LineString, MultiPolygon, Point, Polygon
from shapely.ops import nearest_points

from layout.lettering.baseline_curve import Strip
from layout.lettering.fonts import Font
from layout.lettering.prepared_text import Stamps
from layout.lettering.typeset import Composition, compose
from layout.marks.codes import QUIET_MODULES, dark_areas
from layout.marks.features import (
    Feature,
    Features,
    FeatureStore,
    features_of,
    narrowest_counter,
    narrowest_gap,
    thinnest_stroke,
)
from layout.shop.affine import Affine
from layout.shop.blades import Zone
from layout.shop.inscriptions import Align, CodeInscription
from layout.shop.measure import Floats
from layout.shop.outline import Outline, frozen
from layout.shop.shop import Artwork

#: Ink of a single straight stroke has no width; its hull is taken this much wider on every side.
_HAIR = 1e-6
#: So many blocks are remembered: the same words come again at another height, in a suggestion, in an order.
_MOST_BLOCKS = 128

Draw = Callable[[float, float, float, float], Outline]  # size, x, y (mm), turn (degrees)


@dataclass(frozen=True, eq=False)  # no slots: cached properties need a dictionary
class Block:
    """`hull` (n, 2) at unit size about the block's origin, empty without ink; `draw(size, x, y, turn)` gives
    the frozen outline; `measure()` the narrowest features per unit of size, `measure_gap()` the narrowest gap
    between letters. `lines` is the text as set."""

    hull: Floats
    draw: Draw
    measure: Callable[[], Features]
    lines: tuple[str, ...] = ()
    composition: Composition | None = None  # of text, which may also run along a curve
    measure_gap: Callable[[], Feature | None] = lambda: None

    @cached_property
    def features(self) -> Features:
        """Measured when first asked for: most of the ways to break a line are never looked at so closely."""
        return self.measure()

    @cached_property
    def gap(self) -> Feature | None:
        """The narrowest gap between two letters, looked for when first asked for."""
        return self.measure_gap()

    @cached_property
    def strip(self) -> Strip | None:
        """The one line of text, cut up for bending; None for what can follow no curve."""
        return Strip(self.composition) if self.composition and len(self.lines) == 1 else None

    @cached_property
    def extent(self) -> tuple[float, float]:
        """Length and height of the hull at unit size."""
        length, height = (self.hull.max(axis=0) - self.hull.min(axis=0)).tolist()
        return length, height

    @cached_property
    def reference(self) -> tuple[float, float]:
        """The block's own point that goes to a zone's anchor."""
        return own_point(self.hull)


def text_block(
    lines: tuple[str, ...],
    font: Font,
    zone: Zone,
    *,
    align: Align,
    text: str,
    store: FeatureStore | None,
    letter_spacing: float = 0.0,
) -> Block:
    """A block of typeset words (NFC); the same object for the same words while it is remembered.
    `letter_spacing` comes on top of the zone's own.

    Raises FontRefused.
    """
    features = tuple(sorted(zone.features.items()))
    spacing = (zone.leading, zone.letter_spacing + letter_spacing)
    return _text_block(lines, font, align, spacing, features, text, _Unasked(store))


class _Unasked:
    """Carries something past a cache's key: where features are kept says nothing about what they are."""

    def __init__(self, store: FeatureStore | None) -> None:
        self.store = store

    def __hash__(self) -> int:
        return 0

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _Unasked)


@lru_cache(maxsize=_MOST_BLOCKS)
def _text_block(
    lines: tuple[str, ...],
    font: Font,
    align: Align,
    spacing: tuple[float, float],
    features: tuple[tuple[str, bool], ...],
    text: str,
    past_key: _Unasked,
) -> Block:
    switched: Mapping[str, bool] = MappingProxyType(dict(features))
    composition = compose(
        lines, font, align=align, leading=spacing[0], letter_spacing=spacing[1], features=switched, text=text
    )
    return composed_block(composition, lines, store=past_key.store)


def composed_block(composition: Composition, lines: tuple[str, ...], *, store: FeatureStore | None) -> Block:
    """A block of a composition alone."""

    return Block(
        solid(composition.hull),
        Stamps(composition).draw,
        lambda: features_of(composition, store=store),
        lines,
        composition,
        lambda: narrowest_gap(composition),
    )


def artwork_block(artwork: Artwork) -> Block:
    """A mark of the library, its unit its width, its origin in the middle."""
    x0, y0, x1, y1 = artwork.outline.bounds_mm
    scale = 1 / (x1 - x0)
    centre = (-scale * (x0 + x1) / 2, -scale * (y0 + y1) / 2)

    def drawn(size: float, x: float, y: float, turn: float) -> Outline:
        return moved(artwork.outline, scale=scale * size, inner=centre, size=size, at=(x, y), turn_deg=turn)

    hull = outline_hull(artwork.outline) * scale + np.array(centre)
    return Block(hull, drawn, lambda: outline_features(artwork.outline, scale))


def code_block(inscription: CodeInscription) -> Block:
    """A two-dimensional code, its unit one module; the quiet zone belongs to the hull, not to the outline.

    Raises NotEncodable when the content doesn't go into the symbology.
    """
    dark, (rows, columns) = dark_areas(inscription)
    quiet = QUIET_MODULES[inscription.symbology]
    w, h = columns / 2 + quiet, rows / 2 + quiet
    hull = np.array([[-w, -h], [w, -h], [w, h], [-w, h]])

    def drawn(size: float, x: float, y: float, turn: float) -> Outline:
        return moved(dark, scale=size, inner=(0.0, 0.0), size=size, at=(x, y), turn_deg=turn)

    module = Feature(1.0, (0, 0))
    return Block(hull, drawn, lambda: Features(module, module))


def moved(
    outline: Outline,
    *,
    scale: float,
    inner: tuple[float, float],
    size: float,
    at: tuple[float, float],
    turn_deg: float,
) -> Outline:
    """An outline scaled, moved by `inner` (per unit of size), turned about the origin, moved to `at` (mm)."""
    there = Affine.turned(turn_deg, to=at)

    def move(points: Floats) -> Floats:
        return there(points * scale + np.array(inner) * size)

    return frozen(
        [shapely.transform(area, move) for area in outline.areas],
        [shapely.transform(stroke, move) for stroke in outline.strokes],
    )


def outline_hull(outline: Outline) -> Floats:
    """Convex hull (n, 2) of everything in an outline, in its own units."""
    pieces: list[Polygon | LineString] = [*outline.areas, *outline.strokes]
    return convex(shapely.get_coordinates(shapely.geometrycollections(pieces)))


def convex(points: Floats) -> Floats:
    """Corners (n, 2) of the convex hull of points, which must not lie in one line."""
    return np.asarray(shapely.get_coordinates(shapely.convex_hull(shapely.multipoints(points)))[:-1])


def solid(hull: Floats) -> Floats:
    """A hull with an inside: a lone stroke or dot is widened by a hair; no ink stays no ink."""
    if len(hull) == 0 or len(hull) > 2:
        return hull
    grown: Any = shapely.multipoints(hull).buffer(_HAIR, quad_segs=1)
    return convex(shapely.get_coordinates(grown))


@lru_cache(maxsize=_MOST_BLOCKS)
def _outline_features(_digest: str, carried: _Carried) -> Features:
    region = MultiPolygon(carried.outline.areas)
    x0, _, x1, _ = region.bounds
    stroke = thinnest_stroke(region, least=(x1 - x0) / 500, most=(x1 - x0) / 2)
    counter = narrowest_counter(region)
    return Features(Feature(stroke, (0, 0)), None if counter is None else Feature(counter, (0, 0)))


class _Carried:
    """An outline behind its digest, which alone is the cache's key."""

    def __init__(self, outline: Outline) -> None:
        self.outline = outline

    def __hash__(self) -> int:
        return 0

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _Carried)


def outline_features(outline: Outline, scale: float) -> Features:
    """Thinnest stroke and narrowest counter of a library mark (mm at natural size) times `scale`."""
    if not outline.areas:
        return Features(None, None)
    at_unit = _outline_features(outline.digest, _Carried(outline))

    def scaled(feature: Feature | None) -> Feature | None:
        return None if feature is None else Feature(feature.width * scale, feature.span)

    return Features(scaled(at_unit.stroke), scaled(at_unit.counter))


def own_point(hull: Floats) -> tuple[float, float]:
    """The block's own point that goes to the anchor: on its aligned edge, in the middle of its height.

    Where that point lies outside the hull, the hull's nearest: shrinking about a point of the hull keeps the
    block inside itself, which is what makes a fit at one height a fit at every smaller one.
    """
    y0, y1 = hull[:, 1].min(), hull[:, 1].max()
    middle = float((y0 + y1) / 2)
    if _is_well_inside(hull, middle):
        return 0.0, middle
    wanted = Point(0.0, middle)
    body = shapely.convex_hull(shapely.multipoints(hull))
    point = nearest_points(body, wanted)[0]
    return float(point.x), float(point.y)


def _is_well_inside(hull: Floats, y: float) -> bool:
    """Whether the point (0, y) lies inside an anticlockwise convex ring (n, 2), and not on its edge."""
    if len(hull) < 3:
        return False
    along = np.concatenate([hull[1:], hull[:1]]) - hull
    left = along[:, 0] * (y - hull[:, 1]) + along[:, 1] * hull[:, 0]
    return bool((left > _HAIR).all())
