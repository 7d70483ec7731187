"""Builders of fonts for tests of typesetting: the shipped ones, and small ones made on the spot."""

from __future__ import annotations

import hashlib
import io
import json
from collections.abc import Callable, Sequence
from typing import Any

from fontTools.fontBuilder import FontBuilder
from fontTools.pens.t2CharStringPen import T2CharStringPen
from fontTools.pens.ttGlyphPen import TTGlyphPen
from fontTools.ttLib import TTFont

from layout.lettering.fonts import Font, open_font
from layout.shop.shop import FontSpec
from tests.made_up import the_made_up_shop

SHOP = the_made_up_shop()
#: Words that every shipped font can draw, or words of the script that it is made for.
WORDS = {"amiri-bold": "محمد العربي", "frank-ruhl": "שלום לכם", "devanagari-medium": "नमस्ते क्षत्रिय"}

Contour = Sequence[tuple[float, float]]
#: A square of 400 units, counter-clockwise; a smaller one inside it, the same way round.
SQUARE: Contour = ((100, 0), (500, 0), (500, 400), (100, 400))
INNER: Contour = ((200, 100), (400, 100), (400, 300), (200, 300))


def a_shipped_font(name: str = "lato-bold") -> Font:
    return open_font(SHOP.fonts[name])


def words_for(name: str) -> str:
    return WORDS.get(name, "For Rosa, AVTo 1961")


def a_spec(data: bytes, kind: Any = "outline", **changes: Any) -> FontSpec:
    digest = hashlib.sha256(data).hexdigest()
    return FontSpec("made", "Made here", kind, "sans", "none", data, digest, **changes)


def a_font_file(
    glyphs: dict[str, Sequence[Contour]], *, cff: bool = False, change: Callable[[TTFont], None] | None = None
) -> bytes:
    """A font with one glyph per character, of straight contours; `change` has the last word."""
    names = {f"g{ord(char):x}": contours for char, contours in glyphs.items()}
    order = [".notdef", *names]
    builder = FontBuilder(1000, isTTF=not cff)
    builder.setupGlyphOrder(order)
    builder.setupCharacterMap({ord(char): f"g{ord(char):x}" for char in glyphs})
    drawn = {name: _drawn(names.get(name, ()), cff=cff) for name in order}
    if cff:
        builder.setupCFF("Made", {}, drawn, {})
    else:
        builder.setupGlyf(drawn)
    builder.setupHorizontalMetrics(dict.fromkeys(order, (600, 0)))
    builder.setupHorizontalHeader(ascent=800, descent=-200)
    builder.setupNameTable({"familyName": "Made", "styleName": "Regular"})
    builder.setupOS2()
    builder.setupPost()
    if change:
        change(builder.font)
    buffer = io.BytesIO()
    builder.save(buffer)
    return buffer.getvalue()


def a_single_line_file(glyphs: dict[str, Any] | None = None, **changes: Any) -> bytes:
    letters = glyphs or {"H": {"advance": 10, "strokes": [[[0, 0], [0, 10]], [[8, 0], [8, 10]]]}}
    return json.dumps({"capital_height": 10, "glyphs": letters, **changes}).encode()


def _drawn(contours: Sequence[Contour], *, cff: bool) -> Any:
    pen = T2CharStringPen(600, None) if cff else TTGlyphPen(None)
    for contour in contours:
        pen.moveTo(contour[0])
        for point in contour[1:]:
            pen.lineTo(point)
        pen.closePath()
    return pen.getCharString() if cff else pen.glyph()
