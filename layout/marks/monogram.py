"""Monograms: one to three initials, alone or composed in a frame of the shop's library."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from layout.lettering.fonts import Font
from layout.lettering.typeset import Composition, compose, draw
from layout.marks.blocks import Block, composed_block, convex, moved, outline_features, outline_hull, solid
from layout.marks.features import Feature, Features, FeatureStore, features_of, narrowest_gap
from layout.shop.outline import Outline, frozen
from layout.shop.shop import Artwork

FEWEST_INITIALS, MOST_INITIALS = 1, 3
#: Gap between the initials, in capital heights, beside what the font itself gives.
SPACING = 0.12


def monogram_block(initials: str, font: Font, frame: Artwork | None, *, store: FeatureStore | None) -> Block:
    """Initials (NFC) whose unit is their capital height; with a frame, they fill its box as far as they can.

    Raises FontRefused.
    """
    composition = compose((initials,), font, align="centre", letter_spacing=SPACING)
    if frame is None or len(composition.hull) == 0:
        block = composed_block(composition, (initials,), store=store)
        return replace(block, composition=None)  # a monogram follows no curve
    return _framed(composition, initials, frame, store)


def _framed(composition: Composition, initials: str, frame: Artwork, store: FeatureStore | None) -> Block:
    ink = solid(composition.hull)
    (x0, y0), (x1, y1) = ink.min(axis=0).tolist(), ink.max(axis=0).tolist()
    bx0, by0, bx1, by1 = frame.initials_box_mm or frame.outline.bounds_mm
    # Capital heights to a millimetre of the frame, so that the box just holds the letters.
    scale = max((x1 - x0) / (bx1 - bx0), (y1 - y0) / (by1 - by0))
    centre = ((x0 + x1) / 2 - scale * (bx0 + bx1) / 2, (y0 + y1) / 2 - scale * (by0 + by1) / 2)
    hull = np.vstack([ink, outline_hull(frame.outline) * scale + np.array(centre)])

    def drawn(size: float, x: float, y: float, turn: float) -> Outline:
        letters = draw(composition, height_mm=size, x_mm=x, y_mm=y, turn_deg=turn)
        around = moved(frame.outline, scale=scale * size, inner=centre, size=size, at=(x, y), turn_deg=turn)
        return frozen([*letters.areas, *around.areas], [*letters.strokes, *around.strokes])

    def measured() -> Features:
        return _narrower(features_of(composition, store=store), outline_features(frame.outline, scale))

    return Block(convex(hull), drawn, measured, (initials,), measure_gap=lambda: narrowest_gap(composition))


def _narrower(a: Features, b: Features) -> Features:
    def least(x: Feature | None, y: Feature | None) -> Feature | None:
        return min((f for f in (x, y) if f is not None), key=lambda f: f.width, default=None)

    return Features(least(a.stroke, b.stroke), least(a.counter, b.counter))
