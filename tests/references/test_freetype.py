"""Outlines, advances and areas of every shipped font against FreeType (freetype-py), which shares no code
with HarfBuzz's drawing, our flattening or our merging."""

from __future__ import annotations

import io

import freetype
import numpy as np
import pytest
import shapely
from fontTools.ttLib import TTFont
from shapely.geometry import LinearRing, MultiPolygon

from layout.lettering.fonts import OutlineFont, open_font
from layout.lettering.glyphs import CurvePen
from layout.lettering.typeset import compose
from layout.shop.shop import FontSpec
from tests.made_up import the_made_up_shop

SHOP = the_made_up_shop()
OUTLINE_FONTS = sorted(name for name, spec in SHOP.fonts.items() if spec.kind == "outline")
LETTERS = "ABGQRSWXagegkmsy&@%238ÅÇçęŠØßþŒΩφЖщאשم कबह"
#: Thousandths of an em. Variable fonts: FreeType rounds the points that an axis moves to whole font units.
UNITS_STATIC, UNITS_VARIABLE = 0.05, 0.6
TOLERANCE_UNITS = 0.02


def a_freetype_face(spec: FontSpec) -> freetype.Face:
    face = freetype.Face(io.BytesIO(spec.data), spec.face_index)
    wanted = dict(spec.axes)
    if wanted:
        axes = TTFont(io.BytesIO(spec.data), lazy=True)["fvar"].axes
        face.set_var_design_coords([wanted.get(axis.axisTag, axis.defaultValue) for axis in axes])
    return face


def glyphs_of(font: OutlineFont) -> list[tuple[str, int]]:
    found = [(char, font.hb_font.get_nominal_glyph(ord(char))) for char in LETTERS if not char.isspace()]
    return [(char, glyph) for char, glyph in found if glyph]


def freetype_points(face: freetype.Face, glyph: int) -> np.ndarray:
    """Points on the glyph's curves, by FreeType's own decomposition, in font units."""
    # One pixel to the unit: FreeType then keeps 64ths; unscaled outlines it rounds to whole units.
    face.set_pixel_sizes(0, face.units_per_EM)
    face.load_glyph(glyph, freetype.FT_LOAD_NO_HINTING | freetype.FT_LOAD_NO_BITMAP)
    points: list[tuple[float, float]] = []

    def sampled(*controls: freetype.Vector) -> None:
        corners = np.array([points[-1], *((c.x, c.y) for c in controls)], dtype=float)
        corners[1:] /= 64
        for t in np.linspace(0, 1, 9)[1:]:
            level = corners
            while len(level) > 1:  # de Casteljau's construction
                level = level[:-1] * (1 - t) + level[1:] * t
            points.append(tuple(level[0]))

    face.glyph.outline.decompose(
        None,
        move_to=lambda a, _: points.append((a.x / 64, a.y / 64)),
        line_to=lambda a, _: points.append((a.x / 64, a.y / 64)),
        conic_to=lambda a, b, _: sampled(a, b),
        cubic_to=lambda a, b, c, _: sampled(a, b, c),
    )
    return np.array(points)


@pytest.mark.parametrize("name", OUTLINE_FONTS)
def test_every_point_of_freetypes_outline_lies_on_ours(name):
    spec = SHOP.fonts[name]
    font = open_font(spec)
    assert isinstance(font, OutlineFont)
    face = a_freetype_face(spec)
    allowed = (UNITS_VARIABLE if spec.axes else UNITS_STATIC) * font.upem / 1000
    compared = 0

    for char, glyph in glyphs_of(font):
        pen = CurvePen()
        font.hb_font.draw_glyph_with_pen(glyph, pen)
        rings = pen.curves.rings(TOLERANCE_UNITS * font.upem / 1000)
        ours = shapely.multilinestrings([LinearRing(ring) for ring in rings])
        theirs = freetype_points(face, glyph)
        off = shapely.distance(ours, shapely.points(theirs)).max()
        assert off <= allowed, (char, off)
        compared += 1

    assert compared >= 15


@pytest.mark.parametrize("name", OUTLINE_FONTS)
def test_letters_take_the_room_that_freetype_gives_them(name):
    spec = SHOP.fonts[name]
    font = open_font(spec)
    assert isinstance(font, OutlineFont)
    face = a_freetype_face(spec)

    for char in "AHMagx8&":
        (cluster,) = compose([char], font, features={"calt": False, "ss01": False}).clusters
        (glyph,) = cluster.glyphs
        face.load_glyph(glyph.gid, freetype.FT_LOAD_NO_SCALE)
        assert cluster.advance * font.capital_height == pytest.approx(face.glyph.advance.x, abs=1.01), char


@pytest.mark.parametrize("name", OUTLINE_FONTS)
def test_merged_areas_are_what_freetypes_rasteriser_covers(name):
    # FreeType's smooth rasteriser sums exact pixel coverage by the non-zero rule; 300 pixels to the em.
    spec = SHOP.fonts[name]
    font = open_font(spec)
    assert isinstance(font, OutlineFont)
    face = a_freetype_face(spec)
    pixels = 300
    face.set_pixel_sizes(0, pixels)

    for char, glyph in glyphs_of(font):
        face.load_glyph(glyph, freetype.FT_LOAD_NO_HINTING | freetype.FT_LOAD_NO_BITMAP)
        face.glyph.render(freetype.FT_RENDER_MODE_NORMAL)
        covered = sum(face.glyph.bitmap.buffer) / 255
        region = MultiPolygon(font.areas(glyph, 8.0))
        ours = region.area * (pixels / font.upem) ** 2
        # Outlines are rounded to 1/64 pixel, coverage to 1/256 (coarser at overlaps), all along the edge.
        allowed = 0.025 * region.length * pixels / font.upem
        assert region.is_valid
        assert abs(ours - covered) <= allowed, (char, ours, covered)
