"""Words become placed glyphs and frozen outlines."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest
import shapely
from hypothesis import example, given, settings
from hypothesis import strategies as st
from shapely import affinity
from shapely.geometry import MultiPolygon, Polygon

from layout.lettering.bidi import visual_runs
from layout.lettering.fonts import FontRefused
from layout.lettering.ink import merge_touching
from layout.lettering.text import graphemes, normalise
from layout.lettering.typeset import compose, draw
from layout.shop.outline import frozen
from tests.layout.faces import SHOP, a_shipped_font, words_for

ALL_FONTS = sorted(SHOP.fonts)


def drawn(text, font="lato-bold", *, height_mm=5.0, x_mm=0.0, y_mm=0.0, turn_deg=0.0, **settings_):
    composition = compose(text.split("\n"), a_shipped_font(font), **settings_)
    return draw(composition, height_mm=height_mm, x_mm=x_mm, y_mm=y_mm, turn_deg=turn_deg)


def spans_of(text, font="lato-bold", **settings_):
    return [c.span for c in compose(text.split("\n"), a_shipped_font(font), **settings_).clusters]


def ink_of(outline):
    return shapely.geometrycollections([*outline.areas, *outline.strokes])


# --- places -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("align", "left", "right"), [("start", 0.0, None), ("centre", None, None), ("end", None, 0.0)]
)
def test_the_aligned_edge_of_every_line_stands_at_the_origin(align, left, right):
    for line in ("Wide words", "i"):
        x0, _, x1, _ = compose([line], a_shipped_font(), align=align).bounds
        if left is not None:
            assert x0 == pytest.approx(left, abs=1e-9)
        elif right is not None:
            assert x1 == pytest.approx(right, abs=1e-9)
        else:
            assert x0 == pytest.approx(-x1, abs=1e-9)


def test_lines_stand_a_leading_apart_the_first_on_the_origin():
    composition = compose(["H", "H", "H"], a_shipped_font(), leading=1.4)

    assert [round(c.glyphs[0].y, 9) for c in composition.clusters] == [0.0, -1.4, -2.8]
    assert [c.line for c in composition.clusters] == [0, 1, 2]
    assert composition.bounds[3] == pytest.approx(1.0)


@pytest.mark.parametrize("name", ALL_FONTS)
def test_the_hull_is_that_of_the_outline_and_runs_counter_clockwise(name):
    composition = compose([words_for(name)], a_shipped_font(name))
    hull = shapely.Polygon(composition.hull)

    outline = draw(composition, height_mm=8.0, x_mm=0.0, y_mm=0.0)

    assert hull.exterior.is_ccw
    assert hull.equals(hull.convex_hull)
    at_size = affinity.scale(hull, 8.0, 8.0, origin=(0, 0))
    tight = shapely.convex_hull(ink_of(outline))
    assert at_size.buffer(0.0001).covers(tight)
    assert tight.buffer(0.006).covers(at_size)


def test_words_without_ink_have_no_hull_and_no_bounds():
    composition = compose([" "], a_shipped_font())

    assert composition.hull.shape == (0, 2)
    assert draw(composition, height_mm=5.0, x_mm=0.0, y_mm=0.0).is_empty
    with pytest.raises(ValueError, match="no ink"):
        _ = composition.bounds
    assert compose([], a_shipped_font()).clusters == ()


def test_lines_that_are_not_of_the_text_are_refused():
    with pytest.raises(ValueError, match="not those of the text"):
        compose(["Anna"], a_shipped_font(), text="Ben")


# --- spans --------------------------------------------------------------------------------------


def test_spans_are_graphemes_of_the_whole_text():
    text = "Anna\nBe\u0301b & Co"
    composition = compose(["Anna", "Béb", "& Co"], a_shipped_font(), text=normalise(text))

    letters = {
        graphemes(normalise(text))[c.span[0]]: c.line
        for c in composition.clusters
        if c.span[1] - c.span[0] == 1
    }

    assert letters["é"] == 1
    assert letters["C"] == 2
    assert composition.clusters[-1].span == (12, 13)


def test_a_ligature_is_one_cluster_of_its_letters():
    assert (1, 3) in spans_of("afib", "garamond-bold")
    assert (1, 3) not in spans_of("afib", "garamond-bold", features={"liga": False})


def test_an_indic_syllable_is_one_cluster():
    assert spans_of("नमस्ते", "devanagari-medium") == [(i, i + 1) for i in range(len(graphemes("नमस्ते")))]


def test_clusters_stand_from_left_to_right_whatever_the_reading_direction():
    hebrew = compose(["שלום"], a_shipped_font("frank-ruhl"))

    assert [c.span[0] for c in hebrew.clusters] == [3, 2, 1, 0]
    assert [c.origin for c in hebrew.clusters] == sorted(c.origin for c in hebrew.clusters)


@pytest.mark.parametrize("name", ALL_FONTS)
@settings(max_examples=15, deadline=None)
@given(data=st.data())
def test_the_clusters_of_a_text_cover_each_grapheme_once(name, data):
    letters = sorted(set(words_for(name)) | set("AbfiTo .1"))
    text = normalise(data.draw(st.text(alphabet=letters, min_size=1, max_size=12)))
    font = a_shipped_font(name)

    composition = compose([text], font)

    covered = sorted(i for c in composition.clusters for i in range(*c.span))
    assert covered == list(range(len(graphemes(text))))
    pens = [(c.origin, c.advance) for c in composition.clusters]
    for (origin, advance), (following, _) in pairwise(pens):
        assert following == pytest.approx(origin + advance, abs=1e-9)


# --- direction and scripts ----------------------------------------------------------------------


def test_mixed_directions_are_set_in_visual_order():
    text = "abc אבג 123 def"

    seen = [(text[run.start : run.end], run.rtl) for run in visual_runs(text)]

    assert seen == [("abc ", False), ("123", False), ("אבג ", True), (" def", False)]


def test_a_line_takes_its_direction_from_its_paragraph_not_from_its_own_first_letter():
    paragraph = "שלום Anna דוד"
    line, at = "Anna דוד", 5

    alone = [line[r.start : r.end].strip() for r in visual_runs(line)]
    within = [line[r.start : r.end].strip() for r in visual_runs(line, paragraph=paragraph, at=at)]

    assert alone == ["Anna", "דוד"]
    assert [piece for piece in within if piece] == ["דוד", "Anna"]


def test_direction_counts_utf16_where_icu_does_and_code_points_elsewhere():
    paragraph = "𝒜𝒷 שלום 𝒸 דוד"
    runs = visual_runs(paragraph)

    assert sorted(i for r in runs for i in range(r.start, r.end)) == list(range(len(paragraph)))
    within = visual_runs("𝒸 דוד", paragraph=paragraph, at=8)
    assert sorted(i for r in within for i in range(r.start, r.end)) == list(range(5))


def test_a_run_has_one_script_and_marks_stay_with_their_letter():
    text = "Annaδ\u0483ж 8"

    runs = [(text[r.start : r.end], r.script) for r in visual_runs(text)]

    assert runs == [("Anna", "Latn"), ("δ\u0483", "Grek"), ("ж 8", "Cyrl")]
    assert visual_runs("") == ()
    assert [r.script for r in visual_runs("12é")] == ["Latn"]


def test_arabic_letters_join():
    joined_up = drawn("محم", "amiri-bold")
    apart = [drawn(letter, "amiri-bold") for letter in "محم"]

    assert len(joined_up.areas) == 1
    assert sum(len(outline.areas) for outline in apart) == 3


# --- kerning, features, spacing -----------------------------------------------------------------


def test_kerning_brings_letters_together_and_can_be_switched_off():
    kerned = compose(["AVAVA"], a_shipped_font())
    plain = compose(["AVAVA"], a_shipped_font(), features={"kern": False})

    assert kerned.bounds[2] - kerned.bounds[0] < plain.bounds[2] - plain.bounds[0] - 0.05


@pytest.mark.parametrize(
    ("name", "feature", "text"),
    [
        ("garamond-bold", "smcp", "rosa"),
        ("garamond-bold", "swsh", "Q"),
        ("garamond-bold", "onum", "1961"),
    ],
)
def test_a_feature_that_the_font_has_changes_the_letters(name, feature, text):
    font = a_shipped_font(name)
    plain, switched = (compose([text], font, features={feature: on}) for on in (False, True))

    assert [c.glyphs[0].gid for c in plain.clusters] != [c.glyphs[0].gid for c in switched.clusters]


def test_letter_spacing_comes_between_letters_and_not_after_the_last():
    plain, wide = (compose(["HIHI"], a_shipped_font(), align="start", letter_spacing=s) for s in (0.0, 0.2))

    moved = [w.origin - p.origin for p, w in zip(plain.clusters, wide.clusters, strict=True)]

    assert moved == pytest.approx([0.0, 0.2, 0.4, 0.6])
    assert wide.bounds[2] - plain.bounds[2] == pytest.approx(0.6)


def test_letter_spacing_takes_ligatures_for_looks_apart():
    assert (1, 3) not in spans_of("afib", "garamond-bold", letter_spacing=0.1)


@pytest.mark.parametrize(("name", "text"), [("amiri-bold", "محمد دار"), ("devanagari-medium", "नमस्ते")])
def test_letter_spacing_leaves_joined_scripts_alone(name, text):
    plain, wide = (compose([text], a_shipped_font(name), letter_spacing=s) for s in (0.0, 0.3))

    assert [c.origin for c in wide.clusters] == pytest.approx([c.origin for c in plain.clusters])


@pytest.mark.parametrize(
    ("name", "text"), [("pacifico", "mommy"), ("great-vibes", "nomine"), ("line-script", "nomine")]
)
def test_letter_spacing_does_not_tear_connected_letters(name, text):
    plain, wide = (drawn(text, name, letter_spacing=s) for s in (0.0, 0.3))

    assert (len(wide.areas), len(wide.strokes)) == (len(plain.areas), len(plain.strokes))


def test_a_shaper_that_gives_up_is_a_refused_font(monkeypatch):
    import uharfbuzz as hb

    def out_of_memory(*_):
        raise MemoryError

    monkeypatch.setattr(hb, "shape", out_of_memory)

    with pytest.raises(FontRefused, match="gave up"):
        compose(["Rosa"], a_shipped_font())


# --- outlines -----------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ALL_FONTS)
@pytest.mark.parametrize("height_mm", [2.0, 9.0])
def test_areas_are_valid_disjoint_and_oriented(name, height_mm):
    outline = drawn(words_for(name), name, height_mm=height_mm, x_mm=3.21, y_mm=-1.0, turn_deg=7.0)

    assert not outline.is_empty
    assert all(area.is_valid and area.exterior.is_ccw for area in outline.areas)
    assert all(not hole.is_ccw for area in outline.areas for hole in area.interiors)
    pairs = [(a, b) for i, a in enumerate(outline.areas) for b in outline.areas[i + 1 :]]
    assert all(a.intersection(b).area == 0 for a, b in pairs)
    # Frozen already: freezing again changes nothing.
    assert frozen(outline.areas, outline.strokes).digest == outline.digest


@pytest.mark.parametrize("name", ["lato-bold", "great-vibes", "line-script", "amiri-bold"])
@settings(max_examples=4, deadline=None)
@given(factor=st.floats(1.05, 1.9), turn=st.floats(-180, 180), x=st.floats(-50, 50), y=st.floats(-50, 50))
@example(factor=1.5, turn=90.0, x=0.0, y=0.0)
def test_a_drawing_scales_turns_and_moves_as_a_whole(name, factor, turn, x, y):
    composition = compose([words_for(name)], a_shipped_font(name))
    plain = draw(composition, height_mm=4.1, x_mm=0.0, y_mm=0.0)

    other = draw(composition, height_mm=4.1 * factor, x_mm=x, y_mm=y, turn_deg=turn)

    expected = affinity.scale(ink_of(plain), factor, factor, origin=(0, 0))
    expected = affinity.translate(affinity.rotate(expected, turn, origin=(0, 0)), x, y)
    # Both lie in one size class (4 to 8 mm), so they have the same corners, to rounding.
    assert shapely.hausdorff_distance(ink_of(other), expected) < 0.0005
    assert len(other.areas) == len(plain.areas)


def test_marks_over_letters_and_overlapping_letters_become_one_area():
    connected = drawn("mommy", "pacifico")
    ogonek = drawn("ą", "inter-semibold")

    assert len(connected.areas) == 1
    assert len(ogonek.areas) == 1


def test_letters_that_do_not_meet_are_passed_on_in_the_order_in_which_they_are_read():
    outline = drawn("Hi Bob")

    starts = [area.bounds[0] for area in outline.areas]

    assert len(outline.areas) == 6
    assert starts[0] == min(starts)
    assert [round(s, 6) for s in sorted(starts)] != [] and starts.index(max(starts)) == 5


@pytest.mark.parametrize("name", ["lato-bold", "garamond-bold", "pacifico"])
def test_the_drawn_area_is_that_of_the_glyphs_merged_by_shapely(name):
    composition = compose([words_for(name)], a_shipped_font(name))
    font, height = composition.font, 6.0
    unit = height / font.capital_height
    pieces = [
        affinity.affine_transform(area, (unit, 0, 0, unit, glyph.x * height, glyph.y * height))
        for cluster in composition.clusters
        for glyph in cluster.glyphs
        for area in font.areas(glyph.gid, height)
    ]

    whole = shapely.union_all(pieces)

    region = MultiPolygon(draw(composition, height_mm=height, x_mm=0.0, y_mm=0.0).areas)
    assert region.symmetric_difference(whole).area < 0.0001 * whole.length


def test_areas_that_rounding_brings_together_are_merged_once_more():
    # The notch of the first two ends 0.06 µm below the tip of the third and is rounded up to it.
    step = 0.0001
    left, right = (Polygon([(x, 0), (x, 2), (x + d, 2), (x + d, 0)]) for x, d in ((0.0, 1.0), (2.0, 1.0)))
    notch = Polygon([(0.5, 0), (2.5, 0), (2.5, 1), (1.5, 1 - 3.2 * step), (0.5, 1)])
    bar = Polygon([(0.5, 0), (2.5, 0), (2.5, 1 - 3.4 * step), (0.5, 1 - 2.6 * step)])
    tip = Polygon([(1.5, 1 - 3 * step), (1.6, 1.5), (1.4, 1.5)])

    merged = merge_touching([left, right, notch, bar, tip])

    assert all(area.is_valid for area in merged)
    assert all(a.intersection(b).area == 0 for i, a in enumerate(merged) for b in merged[i + 1 :])
    assert sum(area.area for area in merged) == pytest.approx(
        shapely.union_all([left, right, notch, bar, tip]).area, abs=1e-3
    )


def test_a_blank_line_between_lines_keeps_its_room():
    composition = compose(["H", "", "H"], a_shipped_font(), leading=1.5)

    assert [c.span for c in composition.clusters] == [(0, 1), (3, 4)]
    assert composition.bounds[1] == pytest.approx(-3.0)


def test_the_same_words_give_the_same_digest():
    digests = {drawn("Rosa & Ben", name, turn_deg=3.0).digest for name in ("lato-bold",) for _ in range(3)}

    assert len(digests) == 1


def test_glyph_functions_give_font_units():
    font = a_shipped_font()
    glyph = compose(["H"], font).clusters[0].glyphs[0].gid
    (area,) = font.areas(glyph, 8.0)

    assert area.bounds[3] == font.capital_height
    assert font.strokes_of(glyph) == ()
    assert math.isfinite(np.sum(compose(["H"], font).hull))
