"""Features by name: which letter, how wide, measured once and kept."""

from __future__ import annotations

import pytest
import shapely
from shapely import affinity
from shapely.geometry import Point, Polygon, box

from layout.lettering.fonts import open_font
from layout.lettering.typeset import compose
from layout.marks.features import Features, GlyphFeatures, features_of, narrowest_counter, thinnest_stroke
from layout.shop.shop import Shop
from service.shop.catalogue.loader import default_folder, load


@pytest.fixture(scope="module")
def shop() -> Shop:
    return load(default_folder())


class Shelf:
    """Keeps features in memory and counts what was asked of it."""

    def __init__(self) -> None:
        self.kept: dict[tuple[str, int], GlyphFeatures] = {}
        self.found = 0

    def get(self, font: str, glyph: int) -> GlyphFeatures | None:
        self.found += (font, glyph) in self.kept
        return self.kept.get((font, glyph))

    def put(self, font: str, glyph: int, features: GlyphFeatures) -> None:
        self.kept[font, glyph] = features


def features(shop: Shop, font: str, *lines: str, leading: float = 1.6) -> Features:
    return features_of(compose(lines, open_font(shop.fonts[font]), leading=leading))


def test_a_neck_that_opens_again_is_found_however_short_of_the_widest_part() -> None:
    # The loss falls again for wider discs, so a search that only halves steps over a neck like this one.
    parts = [box(0, 0, 4, 4), box(4, 1.9, 5.2, 2.1), box(5.2, 0, 9.2, 4)]

    assert thinnest_stroke(shapely.union_all(parts), least=0.02, most=6.0) == pytest.approx(0.2, rel=0.005)


def test_corners_of_thirty_degrees_are_forgiven_and_those_of_twenty_five_are_not() -> None:
    # The tip of a corner of angle a stands w/2 (1/sin(a/2) - 1) off the disc: 1.5 w at 28.96 degrees.
    for degrees, forgiven in ((31.0, True), (27.0, False)):
        tip = shapely.intersection(
            Polygon([(0, 0), (8, 0), affinity.rotate(Point(8, 0), degrees, origin=(0, 0)).coords[0]]),
            Point(0, 0).buffer(7.0, quad_segs=64),
        )

        thin = thinnest_stroke(tip, least=0.1, most=1.2)

        assert (thin == 1.2) is forgiven, degrees


def test_a_shape_all_too_thin_has_the_least_width_and_one_without_any_has_the_most() -> None:
    assert thinnest_stroke(box(0, 0, 5, 0.01), least=0.05, most=1.0) == 0.05
    assert thinnest_stroke(box(0, 0, 5, 5), least=0.05, most=1.0) == 1.0


def test_the_smallest_of_several_holes_counts_each_alone() -> None:
    plate = box(0, 0, 10, 10).difference(Point(3, 3).buffer(1.0, 64)).difference(box(6, 6, 7, 9))

    assert narrowest_counter(plate) == pytest.approx(1.0, rel=0.01)


def test_the_narrowest_of_each_kind_names_its_letters(shop: Shop) -> None:
    found = features(shop, "garamond-bold", "HHH&OB")

    assert found.stroke is not None
    assert found.counter is not None
    assert found.gap is not None
    assert found.stroke.span == (3, 4)
    assert found.counter.span in {(3, 4), (5, 6)}
    assert found.gap.span[1] - found.gap.span[0] == 2


def test_features_scale_with_nothing_but_the_font(shop: Shop) -> None:
    once, twice = features(shop, "lato-bold", "n"), features(shop, "lato-bold", "nn")

    assert once.stroke is not None
    assert twice.stroke is not None
    assert once.stroke.width == twice.stroke.width
    assert once.gap is None
    assert twice.gap is not None


def test_lines_set_close_are_neighbours_too(shop: Shop) -> None:
    wide = features(shop, "lato-bold", "g", "b", leading=2.0)
    close = features(shop, "lato-bold", "g", "b", leading=1.5)

    assert wide.gap is not None
    assert close.gap is not None
    assert wide.gap.width - close.gap.width == pytest.approx(0.5, abs=0.2)
    assert close.gap.span == (0, 3)  # the line feed between them stands in the text as well


def test_words_far_apart_don_t_hide_the_gap_inside_them(shop: Shop) -> None:
    together, apart = features(shop, "lato-bold", "nn"), features(shop, "lato-bold", "nn nn")

    assert together.gap is not None
    assert apart.gap is not None
    assert apart.gap.width == together.gap.width


def test_single_line_fonts_have_gaps_but_neither_strokes_nor_counters(shop: Shop) -> None:
    found = features(shop, "line-sans", "OH")

    assert found.stroke is None
    assert found.counter is None
    assert found.gap is not None


def test_text_without_ink_has_no_features(shop: Shop) -> None:
    assert features(shop, "lato-bold", " ") == Features(None, None, None)


def test_what_was_measured_is_kept_and_found_again(shop: Shop) -> None:
    shelf, font = Shelf(), open_font(shop.fonts["oswald-medium"])
    font.__dict__.pop("_features", None)
    composition = compose(("Kept",), font)

    measured = features_of(composition, store=shelf)
    font.__dict__.pop("_features", None)
    remembered = features_of(composition, store=shelf)

    assert len(shelf.kept) == 4
    assert shelf.found == 4
    assert remembered == measured
