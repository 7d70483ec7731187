"""Features by name: which letter, how wide, measured once and kept."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
import shapely
from shapely import affinity
from shapely.geometry import MultiPolygon, Point, Polygon, box

from layout.lettering.fonts import open_font
from layout.lettering.typeset import compose
from layout.marks import margins
from layout.marks.features import (
    FIGURES,
    Feature,
    Features,
    MeasuredGlyph,
    _gap,
    _pairs_by_nearness,
    _reaches,
    features_of,
    measured_glyph,
    narrowest_counter,
    narrowest_gap,
    thinnest_stroke,
)
from layout.marks.margins import Margins
from layout.shop.measure import Floats
from layout.shop.shop import Shop
from service.shop.catalogue.loader import default_folder, load


@pytest.fixture(scope="module")
def shop() -> Shop:
    return load(default_folder())


class Shelf:
    """Keeps figures in memory and counts how many glyphs it was asked for."""

    def __init__(self) -> None:
        self.kept: dict[tuple[str, int], Floats] = {}
        self.asked = 0

    def figures(self, font: str, glyph: int) -> Floats:
        self.asked += 1
        return self.kept.setdefault((font, glyph), np.zeros(FIGURES))


def features(shop: Shop, font: str, *lines: str, leading: float = 1.6) -> Features:
    return features_of(compose(lines, open_font(shop.fonts[font]), leading=leading))


def gap(shop: Shop, font: str, *lines: str, leading: float = 1.6) -> Feature | None:
    return narrowest_gap(compose(lines, open_font(shop.fonts[font]), leading=leading))


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
    found, between = features(shop, "garamond-bold", "HHH&OB"), gap(shop, "garamond-bold", "HHH&OB")

    assert found.stroke is not None
    assert found.counter is not None
    assert found.stroke.span == (3, 4)
    assert found.counter.span in {(3, 4), (5, 6)}
    assert between is not None
    assert between.span[1] - between.span[0] == 2


def test_features_scale_with_nothing_but_the_font(shop: Shop) -> None:
    once, twice = features(shop, "lato-bold", "n"), features(shop, "lato-bold", "nn")

    assert once.stroke is not None
    assert twice.stroke is not None
    assert once.stroke.width == twice.stroke.width
    assert gap(shop, "lato-bold", "n") is None
    assert gap(shop, "lato-bold", "nn") is not None


def test_lines_set_close_are_neighbours_too(shop: Shop) -> None:
    wide = gap(shop, "lato-bold", "g", "b", leading=2.0)
    close = gap(shop, "lato-bold", "g", "b", leading=1.5)

    assert wide is not None
    assert close is not None
    assert wide.width - close.width == pytest.approx(0.5, abs=0.2)
    assert close.span == (0, 3)  # the line feed between them stands in the text as well


def test_words_far_apart_don_t_hide_the_gap_inside_them(shop: Shop) -> None:
    together, apart = gap(shop, "lato-bold", "nn"), gap(shop, "lato-bold", "nn nn")

    assert together is not None
    assert apart is not None
    assert apart.width == together.width


@pytest.mark.parametrize("name", ["lato-bold", "great-vibes", "amiri-bold", "line-script"])
def test_no_gap_is_narrower_than_its_bound(shop: Shop, name: str) -> None:
    font = open_font(shop.fonts[name])
    words = "محمد العربي" if name == "amiri-bold" else "AVATAR To, jay-Wolf"
    clusters = compose([words], font).clusters

    inked, reaches = _reaches(font, clusters)
    pairs = list(_pairs_by_nearness(reaches))

    assert inked == [c for c in clusters if any(len(font.hull(g.gid)) for g in c.glyphs)]
    assert len(pairs) == len(inked) * (len(inked) - 1) // 2
    assert all(bound <= _gap(font, inked[one], inked[other]) for one, other, bound in pairs)


def test_single_line_fonts_have_gaps_but_neither_strokes_nor_counters(shop: Shop) -> None:
    found = features(shop, "line-sans", "OH")

    assert found.stroke is None
    assert found.counter is None
    assert gap(shop, "line-sans", "OH") is not None


def test_text_without_ink_has_no_features(shop: Shop) -> None:
    assert features(shop, "lato-bold", " ") == Features(None, None)


def test_what_was_measured_is_kept_and_read_again(shop: Shop, monkeypatch: pytest.MonkeyPatch) -> None:
    shelf, font = Shelf(), open_font(shop.fonts["oswald-medium"])
    font.__dict__.pop("_measured", None)
    composition = compose(("Kept",), font)

    measured = features_of(composition, store=shelf)
    font.__dict__.pop("_measured", None)
    monkeypatch.setattr(MeasuredGlyph, "_measure_stroke", None)
    remembered = features_of(composition, store=shelf)

    assert len(shelf.kept) == 4
    assert shelf.asked == 8
    assert remembered == measured


def test_the_thinnest_of_several_letters_is_that_of_each_alone(shop: Shop) -> None:
    spec = shop.fonts["oswald-medium"]
    font, alone = (open_font(replace(spec, font=name)) for name in ("together", "alone"))
    clusters = compose(("Kept Odd",), alone).clusters

    together = features_of(compose(("Kept Odd",), font)).stroke

    each = [(measured_glyph(alone, g.gid).stroke, c.span) for c in clusters for g in c.glyphs]
    assert together is not None
    assert (together.width, together.span) == min(entry for entry in each if entry[0] is not None)


def test_a_letter_stays_within_reach_just_as_its_corners_say() -> None:
    square = alone(box(0, 0, 1, 1))

    assert square.stays_within(1.45 * 0.02, shrunk_by=0.0178)  # the root of 2 times what it is shrunk by
    assert not square.stays_within(1.3 * 0.02, shrunk_by=0.02)


def test_nothing_is_left_near_a_hairline() -> None:
    bar_and_hair = shapely.union_all([box(0, 0, 1, 0.2), box(1, 0.1, 1.5, 0.11)])

    assert not alone(bar_and_hair).stays_within(0.05, shrunk_by=0.02)


@pytest.mark.parametrize(("mouth", "is_open"), [(0.008, False), (0.05, True)])
def test_a_mouth_is_bridged_when_both_sides_grow_by_half_of_it(mouth: float, is_open: bool) -> None:
    bowl = box(0, 0, 1, 1) - box(0.1, 0.1, 0.9, 0.9) - box(0.8, 0.5 - mouth / 2, 1.1, 0.5 + mouth / 2)

    assert alone(bowl).stays_open(grown_by=0.0055, pocket=0.05) is is_open


def test_parts_that_nearly_touch_do_not_stay_apart() -> None:
    near = shapely.union_all([box(0, 0, 1, 1), box(1.005, 0, 2, 1)])

    assert not alone(near).stays_open(grown_by=0.003, pocket=0.05)


def alone(region: Any) -> Margins:
    """The margins of a region that belongs to no font."""
    parts = MultiPolygon(list(shapely.get_parts(region)))
    return Margins(lambda: parts, np.zeros(margins.FIGURES))
