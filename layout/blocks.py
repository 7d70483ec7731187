"""What is to be fitted, whatever its kind: a hull at unit size, how to draw it, and its narrowest features.

The unit is the capital height for text and monograms, the width for artwork, one module for codes.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import ppf.datamatrix
import segno
import shapely
from shapely.geometry import LineString, MultiPolygon, Polygon, box

from layout.features import (
    Feature,
    Features,
    FeatureStore,
    features_of,
    narrowest_counter,
    thinnest_stroke,
)
from layout.fonts import Font
from layout.measure import Floats
from layout.outline import Outline, frozen
from layout.parts import Align, Artwork, CodeInscription, Zone
from layout.typeset import Composition, compose, draw

#: Modules of quiet zone on every side: QR four (ISO/IEC 18004), Data Matrix one (ISO/IEC 16022); from memory.
QUIET_MODULES = {"qr": 4, "datamatrix": 1}
#: Gap between the initials of a monogram, in capital heights.
MONOGRAM_SPACING = 0.12


class NotEncodable(ValueError):
    """The content doesn't go into the code asked for."""


Draw = Callable[[float, float, float, float], Outline]  # size, x, y (mm), turn (degrees)


@dataclass(frozen=True, slots=True)
class Block:
    """`hull` (n, 2) at unit size about the block's origin; `draw(size, x, y, turn)` gives the frozen outline.
    `features` are per unit of size; `lines` is the text as set, for text and monograms."""

    hull: Floats
    draw: Draw
    features: Features
    lines: tuple[str, ...] = ()
    composition: Composition | None = None  # of text, which may also run along a curve


def text_block(
    lines: tuple[str, ...], font: Font, zone: Zone, *, align: Align, text: str, store: FeatureStore | None
) -> Block:
    """A block of typeset words."""
    composition = compose(
        lines,
        font,
        align=align,
        leading=zone.leading,
        letter_spacing=zone.letter_spacing,
        features=zone.features,
        text=text,
    )

    def drawn(size: float, x: float, y: float, turn: float) -> Outline:
        return draw(composition, height_mm=size, x_mm=x, y_mm=y, turn_deg=turn)

    return Block(composition.hull, drawn, features_of(composition, store=store), lines, composition)


def monogram_block(initials: str, font: Font, frame: Artwork | None, *, store: FeatureStore | None) -> Block:
    """One to three initials, in the box of a frame if there is one."""
    composition = compose((initials,), font, align="centre", letter_spacing=MONOGRAM_SPACING)
    features = features_of(composition, store=store)
    if frame is None or len(composition.hull) == 0:

        def bare(size: float, x: float, y: float, turn: float) -> Outline:
            return draw(composition, height_mm=size, x_mm=x, y_mm=y, turn_deg=turn)

        return Block(composition.hull, bare, features, (initials,))

    x0, y0, x1, y1 = composition.bounds
    bx0, by0, bx1, by1 = frame.initials_box_mm or frame.outline.bounds_mm
    scale = max((x1 - x0) / (bx1 - bx0), (y1 - y0) / (by1 - by0))
    to_initials = (
        (x0 + x1) / 2 - scale * (bx0 + bx1) / 2,
        (y0 + y1) / 2 - scale * (by0 + by1) / 2,
    )
    hull = np.vstack([composition.hull, _artwork_hull(frame.outline) * scale + np.array(to_initials)])

    def framed(size: float, x: float, y: float, turn: float) -> Outline:
        letters = draw(composition, height_mm=size, x_mm=x, y_mm=y, turn_deg=turn)
        around = _moved(
            frame.outline, scale=scale * size, inner=to_initials, size=size, at=(x, y), turn_deg=turn
        )
        return frozen([*letters.areas, *around.areas], [*letters.strokes, *around.strokes])

    return Block(
        _convex(hull), framed, _narrower(features, _artwork_features(frame.outline, scale)), (initials,)
    )


def artwork_block(artwork: Artwork) -> Block:
    """A mark of the library, its unit its width, its origin in the middle."""
    x0, y0, x1, y1 = artwork.outline.bounds_mm
    scale = 1 / (x1 - x0)
    centre = (-scale * (x0 + x1) / 2, -scale * (y0 + y1) / 2)

    def drawn(size: float, x: float, y: float, turn: float) -> Outline:
        return _moved(artwork.outline, scale=scale * size, inner=centre, size=size, at=(x, y), turn_deg=turn)

    hull = _artwork_hull(artwork.outline) * scale + np.array(centre)
    return Block(hull, drawn, _artwork_features(artwork.outline, scale))


def code_block(inscription: CodeInscription) -> Block:
    """A two-dimensional code, its unit one module; the quiet zone belongs to the hull, not to the outline.

    Raises NotEncodable when the content doesn't go into the symbology.
    """
    cells = code_cells(inscription)
    rows, columns = cells.shape
    quiet = QUIET_MODULES[inscription.symbology]
    half = np.array([columns / 2, rows / 2])
    region = shapely.union_all(
        [
            box(c - half[0], half[1] - r - 1, c + 1 - half[0], half[1] - r)
            for r, c in zip(*np.nonzero(cells), strict=True)
        ]
    )
    dark = Outline(areas=tuple(shapely.get_parts(region)))
    w, h = half + quiet
    hull = np.array([[-w, -h], [w, -h], [w, h], [-w, h]])

    def drawn(size: float, x: float, y: float, turn: float) -> Outline:
        return _moved(dark, scale=size, inner=(0.0, 0.0), size=size, at=(x, y), turn_deg=turn)

    one = Feature(1.0, (0, 0))
    return Block(hull, drawn, Features(one, one, None))


def code_cells(inscription: CodeInscription) -> np.ndarray[tuple[int, int], np.dtype[np.bool_]]:
    """Dark modules, top row first, without quiet zone. Raises NotEncodable."""
    if not inscription.content:
        raise NotEncodable("the code has no content")
    if inscription.symbology == "qr":
        try:
            code = segno.make(inscription.content, error="m", boost_error=False, micro=False)
        except segno.DataOverflowError as error:
            raise NotEncodable("too much content for one code") from error
        return np.array([list(row) for row in code.matrix], dtype=bool)
    try:
        matrix = ppf.datamatrix.DataMatrix(inscription.content).matrix
    except (ValueError, IndexError, UnicodeEncodeError) as error:
        raise NotEncodable("the content doesn't go into a Data Matrix") from error
    return np.array(matrix, dtype=bool)


def _moved(
    outline: Outline,
    *,
    scale: float,
    inner: tuple[float, float],
    size: float,
    at: tuple[float, float],
    turn_deg: float,
) -> Outline:
    cos, sin = math.cos(math.radians(turn_deg)), math.sin(math.radians(turn_deg))

    def move(points: Floats) -> Floats:
        local = points * scale + np.array(inner) * size
        turned = np.column_stack(
            [local[:, 0] * cos - local[:, 1] * sin, local[:, 0] * sin + local[:, 1] * cos]
        )
        return np.asarray(turned + np.array(at))

    return frozen(
        [shapely.transform(area, move) for area in outline.areas],
        [shapely.transform(stroke, move) for stroke in outline.strokes],
    )


def _artwork_hull(outline: Outline) -> Floats:
    pieces: list[Polygon | LineString] = [*outline.areas, *outline.strokes]
    return _convex(shapely.get_coordinates(shapely.geometrycollections(pieces)))


def _convex(points: Floats) -> Floats:
    return np.asarray(shapely.get_coordinates(shapely.convex_hull(shapely.multipoints(points)))[:-1])


def _artwork_features(outline: Outline, scale: float) -> Features:
    if not outline.areas:
        return Features(None, None, None)
    region = MultiPolygon(outline.areas)
    x0, _, x1, _ = region.bounds
    stroke = thinnest_stroke(region, least=(x1 - x0) / 500, most=(x1 - x0) / 2) * scale
    counter = narrowest_counter(region)
    return Features(
        Feature(stroke, (0, 0)), None if counter is None else Feature(counter * scale, (0, 0)), None
    )


def _narrower(a: Features, b: Features) -> Features:
    def least(x: Feature | None, y: Feature | None) -> Feature | None:
        return min((f for f in (x, y) if f is not None), key=lambda f: f.width, default=None)

    return Features(least(a.stroke, b.stroke), least(a.counter, b.counter), least(a.gap, b.gap))
