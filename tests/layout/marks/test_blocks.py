"""Blocks of every kind: hull, drawing and features at unit size; monograms in frames; artwork; codes."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from shapely.geometry import LineString, Point, Polygon, box

from layout.lettering.fonts import open_font
from layout.marks import codes
from layout.marks.blocks import artwork_block, code_block, moved, outline_features, solid, text_block
from layout.marks.monogram import monogram_block
from layout.shop.inscriptions import CodeInscription
from layout.shop.measure import CONTAINMENT_MM
from layout.shop.outline import Outline, frozen
from layout.shop.shop import Artwork
from tests.layout.made_up import CHEF, the_shop

RING = frozen([Point(10, 10).buffer(10).difference(Point(10, 10).buffer(9))])


def a_font(name: str = "lato-bold"):
    return open_font(the_shop().fonts[name])


def a_block(*lines: str, font: str = "lato-bold", align="centre"):
    shop = the_shop()
    zone = shop.blades[shop.products[CHEF].blade].face("mark_side").zone("heel")
    return text_block(lines, a_font(font), zone, align=align, text=" ".join(lines), store=None)


def a_frame(outline: Outline = RING, box_mm=(4.0, 4.0, 16.0, 16.0)) -> Artwork:
    return Artwork("ring", "Ring", "frame", outline, box_mm)


def hull_at(block, size: float, x: float, y: float):
    return Polygon(block.hull * size + [x, y]).buffer(CONTAINMENT_MM)


ALL_KINDS = [
    lambda: a_block("Ågot & Bjørn"),
    lambda: a_block("Ågot", "gjør det", align="start"),
    lambda: a_block("I", font="line-sans"),
    lambda: monogram_block("RM", a_font(), None, store=None),
    lambda: monogram_block("RGM", a_font(), a_frame(), store=None),
    lambda: artwork_block(the_shop().artworks["leaf"]),
    lambda: code_block(CodeInscription("heel", "qr", "RM-1")),
]


@pytest.mark.parametrize("make", ALL_KINDS)
def test_what_is_drawn_lies_in_the_hull_that_was_fitted(make) -> None:
    block = make()

    outline = block.draw(5.0, 12.0, -3.0, 0.0)
    turned = block.draw(5.0, 12.0, -3.0, 90.0)

    assert hull_at(block, 5.0, 12.0, -3.0).covers(
        shapely.geometrycollections([*outline.areas, *outline.strokes])
    )
    x0, y0, x1, y1 = outline.bounds_mm
    # A quarter turn about the origin (12, -3) carries (dx, dy) to (-dy, dx).
    assert turned.bounds_mm == pytest.approx(
        (12 - (y1 + 3), -3 + (x0 - 12), 12 - (y0 + 3), -3 + (x1 - 12)), abs=0.0003
    )


@pytest.mark.parametrize("make", ALL_KINDS)
def test_a_block_knows_its_extent_and_its_own_point(make) -> None:
    block = make()

    assert block.extent == pytest.approx(tuple(np.ptp(block.hull, axis=0)))
    assert Polygon(block.hull).buffer(1e-9).covers(Point(block.reference))


def test_the_same_words_are_the_same_block_while_they_are_remembered() -> None:
    assert a_block("Anna") is a_block("Anna")
    assert a_block("Anna") is not a_block("Anna", align="start")


def test_words_without_ink_have_an_empty_hull() -> None:
    assert len(a_block(" ").hull) == 0
    assert len(solid(np.empty((0, 2)))) == 0


def test_a_lone_stroke_gets_a_hull_with_an_inside() -> None:
    dot, line = solid(np.array([[1.0, 2.0]])), solid(np.array([[0.0, 0.0], [0.0, 1.0]]))

    assert 0 < Polygon(dot).area < 1e-10
    assert 0 < Polygon(line).area < 1e-4


# --- monograms --------------------------------------------------------------------------------------


def test_initials_fill_the_box_of_their_frame_and_stay_in_it() -> None:
    block = monogram_block("RGM", a_font(), a_frame(), store=None)

    outline = block.draw(4.0, 0.0, 0.0, 0.0)

    ring = max(outline.areas, key=lambda area: area.envelope.area)
    letters = [area for area in outline.areas if area is not ring]
    x0, y0, x1, _ = ring.bounds
    per_mm = (x1 - x0) / 20.0
    bound = box(x0 + 4 * per_mm, y0 + 4 * per_mm, x0 + 16 * per_mm, y0 + 16 * per_mm)
    lx0, ly0, lx1, ly1 = shapely.total_bounds(letters)
    assert bound.buffer(0.01).covers(box(lx0, ly0, lx1, ly1))
    assert max(lx1 - lx0, ly1 - ly0) == pytest.approx(12 * per_mm, abs=0.05)
    assert (lx0 + lx1) / 2 == pytest.approx((x0 + x1) / 2, abs=0.01)


def test_initials_keep_their_capital_height_as_their_size() -> None:
    block = monogram_block("H", a_font(), None, store=None)

    _, y0, _, y1 = block.draw(6.0, 0.0, 0.0, 0.0).bounds_mm

    assert y1 - y0 == pytest.approx(6.0, abs=0.001)


def test_a_frame_without_a_box_takes_the_letters_as_far_as_it_reaches() -> None:
    open_frame = Artwork("bars", "Bars", "frame", frozen([box(0, 0, 30, 1), box(0, 19, 30, 20)]))

    block = monogram_block("R", a_font(), open_frame, store=None)

    x0, y0, x1, y1 = block.draw(5.0, 0.0, 0.0, 0.0).bounds_mm
    assert (x1 - x0) / (y1 - y0) == pytest.approx(1.5, abs=0.001)


def test_the_finer_of_letters_and_frame_counts() -> None:
    thin = frozen([Point(10, 10).buffer(10).difference(Point(10, 10).buffer(9.9))])

    framed = monogram_block("R", a_font(), a_frame(thin), store=None).features
    alone = monogram_block("R", a_font(), None, store=None).features

    assert framed.stroke is not None and alone.stroke is not None
    assert framed.stroke.width < alone.stroke.width / 4
    assert framed.counter == alone.counter  # the letter's own hole is narrower than the ring's


def test_blank_initials_leave_no_mark_even_in_a_frame() -> None:
    assert len(monogram_block(" ", a_font(), a_frame(), store=None).hull) == 0


# --- artwork ----------------------------------------------------------------------------------------


def test_artwork_is_as_wide_as_asked_for_and_centred() -> None:
    for artwork in the_shop().artworks.values():
        x0, y0, x1, y1 = artwork_block(artwork).draw(8.0, 1.0, 2.0, 0.0).bounds_mm

        assert x1 - x0 == pytest.approx(8.0, abs=0.0002)
        assert ((x0 + x1) / 2, (y0 + y1) / 2) == pytest.approx((1.0, 2.0), abs=0.0002)


def test_features_of_artwork_scale_with_it() -> None:
    bar = frozen([box(0, 0, 20, 2).difference(box(5, 0.5, 8, 1.5))])

    features, doubled = outline_features(bar, 1.0), outline_features(bar, 2.0)

    assert features.stroke is not None and features.counter is not None
    assert features.stroke.width == pytest.approx(0.5, rel=0.02)
    assert features.counter.width == pytest.approx(1.0, rel=0.02)
    assert doubled.stroke is not None and doubled.stroke.width == 2 * features.stroke.width


def test_line_artwork_has_no_features_and_moves_with_its_strokes() -> None:
    lines = Outline(strokes=(LineString([(0, 0), (4, 2)]),))

    shifted = moved(lines, scale=2.0, inner=(1.0, 0.0), size=3.0, at=(10.0, 0.0), turn_deg=0.0)

    assert outline_features(lines, 1.0).stroke is None
    assert shapely.get_coordinates(shifted.strokes).tolist() == [[13.0, 0.0], [21.0, 4.0]]


# --- codes ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("symbology", "quiet"), [("qr", 4), ("datamatrix", 1)])
def test_the_quiet_zone_belongs_to_the_hull_and_nothing_burns_in_it(symbology, quiet) -> None:
    block = code_block(CodeInscription("heel", symbology, "RM-1"))

    x0, y0, x1, y1 = block.draw(1.0, 0.0, 0.0, 0.0).bounds_mm

    (hx0, hy0), (hx1, hy1) = block.hull.min(axis=0), block.hull.max(axis=0)
    assert (x0 - hx0, y0 - hy0, hx1 - x1, hy1 - y1) == pytest.approx((quiet,) * 4, abs=0.0002)


def test_dark_modules_burn_once_and_whole() -> None:
    inscription = CodeInscription("heel", "qr", "RM-1")

    outline = code_block(inscription).draw(0.5, 0.0, 0.0, 0.0)

    dark = int(codes.cells_of(inscription).sum())
    assert outline.region.area == pytest.approx(dark * 0.25, rel=1e-6)
    assert sum(area.area for area in outline.areas) == pytest.approx(outline.region.area)


@pytest.mark.parametrize(
    ("symbology", "content"),
    [("qr", ""), ("datamatrix", ""), ("qr", "\ud800"), ("qr", "x" * 3000), ("datamatrix", "é")],
)
def test_what_does_not_go_into_a_code_says_so(symbology, content) -> None:
    with pytest.raises(codes.NotEncodable):
        codes.cells_of(CodeInscription("heel", symbology, content))
