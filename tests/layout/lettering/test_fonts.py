"""Opening fonts: what is refused and why, what they cover, how high their capitals are."""

from __future__ import annotations

import io
import math
import random
from dataclasses import replace

import numpy as np
import pytest
import shapely
from fontTools.ttLib import TTFont

from layout.lettering import glyphs
from layout.lettering.fonts import (
    SIZE_CLASSES_MM,
    FontRefused,
    OutlineFont,
    SingleLineFont,
    open_font,
    suggest,
)
from layout.shop.measure import FLATTEN_MM
from tests.layout.faces import INNER, SHOP, SQUARE, a_font_file, a_shipped_font, a_single_line_file, a_spec

PLAIN = {"H": [SQUARE], "x": [INNER]}
ALL_FONTS = sorted(SHOP.fonts)


def refusal_of(spec):
    with pytest.raises(FontRefused) as raised:
        open_font(spec)
    return str(raised.value)


@pytest.mark.parametrize("begin", [b"wOFF", b"wOF2"])
def test_a_font_packed_for_the_web_is_refused_whether_it_could_be_unpacked_or_not(begin):
    assert "packed for the web" in refusal_of(a_spec(begin + bytes(200)))


@pytest.mark.parametrize("upem", [15, 16_385])
def test_units_to_the_em_beyond_opentypes_range_are_refused(upem):
    file = TTFont(io.BytesIO(a_font_file(PLAIN)))
    file["head"].unitsPerEm = upem
    changed = io.BytesIO()
    file.save(changed)

    assert f"{upem} units to the em" in refusal_of(a_spec(changed.getvalue()))


def test_a_glyph_whose_contours_cross_without_end_is_refused_in_bounded_work():
    turn = 2 * np.pi * 499 / 1000
    star = [(500 + 450 * np.cos(turn * n), 450 + 440 * np.sin(turn * n)) for n in range(1000)]
    font = open_font(a_spec(a_font_file({**PLAIN, "W": [star, SQUARE]})))

    with pytest.raises(FontRefused, match="too complex"):
        font.areas(font.hb_font.get_nominal_glyph(ord("W")), 8.0)


def test_a_font_is_opened_once():
    spec = a_spec(a_font_file(PLAIN))

    assert open_font(spec) is open_font(spec)
    assert open_font(spec) is not open_font(replace(spec, font="other"))


def test_the_capital_height_is_measured_on_the_h():
    font = open_font(a_spec(a_font_file(PLAIN)))

    assert font.capital_height == 400


def test_a_font_without_capitals_is_measured_on_its_x():
    font = open_font(a_spec(a_font_file({"x": [INNER]})))

    assert font.capital_height == 300


def test_a_font_with_neither_is_measured_on_the_letter_that_its_shop_names():
    data = a_font_file({"\u0b95": [INNER], "8": [SQUARE]})  # the Tamil letter ka

    assert open_font(a_spec(data, height_letter="\u0b95")).capital_height == 300
    assert open_font(a_spec(data, height_letter="8")).capital_height == 400
    assert "no \u0b9a to measure" in refusal_of(a_spec(data, height_letter="\u0b9a"))


def test_a_font_with_neither_is_refused():
    assert "neither a capital H nor a small x" in refusal_of(a_spec(a_font_file({"8": [SQUARE]})))


def test_what_is_no_font_is_refused():
    assert "not a readable font" in refusal_of(a_spec(b"not a font at all"))
    assert "not a readable font" in refusal_of(a_spec(b""))


def test_a_font_without_a_unicode_map_is_refused():
    def only_mac(font):
        del font["cmap"].tables[1:]
        font["cmap"].tables[0].platformID, font["cmap"].tables[0].platEncID = 1, 35  # Mac Turkish

    assert "no Unicode character map" in refusal_of(a_spec(a_font_file(PLAIN, change=only_mac)))


def test_a_font_with_two_sets_of_outlines_is_refused():
    import io

    from fontTools.ttLib import TTFont

    other = TTFont(io.BytesIO(a_font_file(PLAIN, cff=True)))

    def with_cff(font):
        font["CFF "] = other["CFF "]

    assert "two different sets of outlines" in refusal_of(a_spec(a_font_file(PLAIN, change=with_cff)))


def test_a_font_without_outlines_is_refused():
    def without(font):
        del font["glyf"], font["loca"]

    assert "no outlines" in refusal_of(a_spec(a_font_file(PLAIN, change=without)))


@pytest.mark.parametrize("bits", [0x0002, 0x0200])
def test_a_font_that_may_not_be_embedded_is_refused(bits):
    def restricted(font):
        font["OS/2"].fsType = bits

    assert "licence bits" in refusal_of(a_spec(a_font_file(PLAIN, change=restricted)))


def test_an_axis_that_the_font_lacks_or_that_is_out_of_range_is_refused():
    variable = SHOP.fonts["oswald-medium"]

    assert "no axis 'slnt'" in refusal_of(a_spec(variable.data, axes=(("slnt", 0.0),)))
    assert "1e+06 is outside" in refusal_of(a_spec(variable.data, axes=(("wght", 1e6),)))
    assert "no axis 'wght'" in refusal_of(a_spec(a_font_file(PLAIN), axes=(("wght", 400.0),)))


def test_a_static_cff_font_is_refused_where_its_fill_rules_differ():
    overlapping = {**PLAIN, "A": [SQUARE, INNER]}  # the same way round: a hole by the even-odd rule alone

    assert "even-odd" in refusal_of(a_spec(a_font_file(overlapping, cff=True)))


def test_a_static_cff_font_whose_rules_agree_is_taken():
    ring = {**PLAIN, "O": [SQUARE, INNER[::-1]]}
    font = open_font(a_spec(a_font_file(ring, cff=True)))
    (area,) = font.areas(font.hb_font.get_nominal_glyph(ord("O")), 8.0)

    assert area.area == 400 * 400 - 200 * 200


def test_overlapping_contours_of_a_truetype_font_are_filled_by_the_non_zero_rule():
    font = open_font(a_spec(a_font_file({**PLAIN, "A": [SQUARE, INNER]})))
    (area,) = font.areas(font.hb_font.get_nominal_glyph(ord("A")), 8.0)

    assert area.area == 400 * 400


def test_a_glyph_too_complex_to_be_a_letter_is_refused():
    saw = [(float(x % 1000), float((x * 7) % 900)) for x in range(21_000)]
    font = open_font(a_spec(a_font_file({**PLAIN, "W": [saw]})))

    with pytest.raises(FontRefused, match="too complex"):
        font.areas(font.hb_font.get_nominal_glyph(ord("W")), 8.0)


def test_bytes_changed_anywhere_never_raise_anything_but_a_refusal():
    data = a_font_file({**PLAIN, "O": [SQUARE, INNER[::-1]]})
    seed = 20261125
    print("seed", seed)
    rng = random.Random(seed)

    for _ in range(300):
        spoilt = bytearray(data)
        for _ in range(rng.choice([1, 3, 30])):
            spoilt[rng.randrange(len(spoilt))] = rng.randrange(256)
        spec = a_spec(bytes(spoilt[: rng.choice([len(spoilt), rng.randrange(1, len(spoilt))])]))
        try:
            font = open_font(spec)
            font.missing("HxO8")
            for glyph in range(5):
                font.areas(glyph, 4.0)
        except FontRefused as refused:
            assert str(refused).startswith("made: ")


def test_a_character_without_a_glyph_is_missing_by_its_grapheme():
    font = a_shipped_font()

    assert font.missing("e\u0301 ש x👩\u200d🔧") == ((2, 3), (5, 6))
    assert not font.covers("ש")
    assert font.covers("Ångström\nno. 8")


def test_a_letter_that_would_leave_no_ink_is_missing():
    font = open_font(a_spec(a_font_file({**PLAIN, "o": []})))

    assert font.missing("Hox") == ((1, 2),)


def test_a_mark_for_which_the_shaper_would_draw_a_circle_is_missing():
    font = a_shipped_font("devanagari-medium")

    assert font.covers("कि")
    assert font.missing("क \u093f") == ((1, 2),) or font.missing("\u093f") == ((0, 1),)


def test_a_character_at_which_the_shaper_gives_up_is_missing(monkeypatch):
    import uharfbuzz as hb

    def out_of_memory(*_):
        raise MemoryError

    font = open_font(a_spec(a_font_file(PLAIN)))
    monkeypatch.setattr(hb, "shape", out_of_memory)

    assert font.missing("H") == ((0, 1),)


def test_a_glyph_at_which_the_drawing_gives_up_is_a_refusal(monkeypatch):
    class Exhausted:
        def draw_glyph_with_pen(self, *_):
            raise MemoryError

    font = open_font(a_spec(a_font_file(PLAIN)))
    monkeypatch.setattr(font, "hb_font", Exhausted())

    with pytest.raises(FontRefused, match="too complex"):
        font.areas(1, 4.0)


def test_contours_with_points_that_are_no_numbers_are_refused(monkeypatch):
    class Spoilt:
        def draw_glyph_with_pen(self, _, pen):
            pen.moveTo((0.0, 0.0))
            pen.lineTo((math.nan, 1.0))
            pen.lineTo((1.0, 1.0))
            pen.closePath()

    font = open_font(a_spec(a_font_file(PLAIN)))
    monkeypatch.setattr(font, "hb_font", Spoilt())

    with pytest.raises(FontRefused, match="no numbers"):
        font.areas(2, 4.0)


def test_fonts_say_which_scripts_they_are_made_for():
    found = {name: a_shipped_font(name).scripts for name in ALL_FONTS}

    assert {"Latn", "Grek", "Cyrl"} <= found["noto-sans-semibold"]
    assert "Arab" in found["amiri-bold"]
    assert "Hebr" in found["frank-ruhl"]
    assert "Deva" in found["devanagari-medium"]
    assert all("Latn" in scripts for scripts in found.values())
    assert found["line-sans"] == {"Latn"}
    assert a_shipped_font("amiri-bold").scripts is a_shipped_font("amiri-bold").scripts


def test_features_that_a_font_lacks_are_named():
    font = a_shipped_font("garamond-bold")

    assert font.lacks({"smcp": True, "zzzz": True, "yyyy": False}) == ("zzzz",)
    assert a_shipped_font("line-sans").lacks({"smcp": True}) == ("smcp",)


def test_suggested_fonts_can_draw_every_character_and_keep_the_order_given():
    broken = a_spec(b"nothing")
    fonts = {**SHOP.fonts, "broken": broken}
    allowed = ("pacifico", "broken", "no-such-font", "noto-sans-semibold", "amiri-bold", "frank-ruhl")

    assert suggest("Ελένη", fonts, allowed) == ("noto-sans-semibold",)
    assert suggest("שרה", fonts, allowed) == ("frank-ruhl",)
    assert suggest("Rosa", fonts, allowed) == ("pacifico", "noto-sans-semibold", "amiri-bold", "frank-ruhl")
    assert suggest("漢字", fonts, allowed) == ()


@pytest.mark.parametrize("name", ["lato-bold", "garamond-bold", "great-vibes"])
@pytest.mark.parametrize("height_mm", [1.0, 2.0, 7.3, 16.0, 150.0])
def test_flattening_keeps_within_its_tolerance_at_the_size_that_is_burned(name, height_mm):
    font = a_shipped_font(name)
    assert isinstance(font, OutlineFont)
    glyph = font.hb_font.get_nominal_glyph(ord("S"))
    scale = height_mm / font.capital_height
    fine = np.concatenate(font._rings(glyph, FLATTEN_MM / scale / 100))

    edge = shapely.union_all([area.boundary for area in font.areas(glyph, height_mm)])

    assert shapely.distance(edge, shapely.points(fine)).max() * scale <= FLATTEN_MM * 1.01


@pytest.mark.parametrize("name", ["lato-bold", "great-vibes", "amiri-bold", "line-sans"])
def test_letters_drawn_together_are_those_drawn_one_by_one(name):
    spec = SHOP.fonts[name]
    kind = SingleLineFont if spec.kind == "single_line" else OutlineFont
    together, alone = kind(spec), kind(spec)
    numbers = list(alone.glyphs)[1:60]

    drawn = together.shapes_each(numbers, 3.0)

    for glyph, shapes in zip(numbers, drawn, strict=True):
        assert [shape.area.wkb for shape in shapes] == [shape.area.wkb for shape in alone.shapes(glyph, 3.0)]


def test_of_letters_drawn_together_the_one_that_is_too_complex_is_named():
    star = [(500 + 450 * math.cos(math.tau * 499 / 1000 * n), 450 + 440 * math.sin(n)) for n in range(1000)]
    font = open_font(a_spec(a_font_file({**PLAIN, "W": [star, SQUARE]})))
    numbers = [font.hb_font.get_nominal_glyph(ord(char)) for char in "HWx"]

    with pytest.raises(FontRefused, match=f"glyph {numbers[1]} is too complex"):
        font.shapes_each(numbers, 8.0)


def square(x: float, y: float, half: float, *, turned: bool = False) -> np.ndarray:
    ring = np.array([(x - half, y - half), (x + half, y - half), (x + half, y + half), (x - half, y + half)])
    return ring[::-1] if turned else ring


@pytest.mark.parametrize("seed", range(20))
def test_rings_that_never_meet_enclose_what_their_faces_say(seed, monkeypatch):
    chance = random.Random(seed)
    rings = [
        square(x, 0, half, turned=chance.random() < 0.5)
        for x in (0, 25)
        for half in chance.sample(range(1, 12), k=chance.randrange(1, 5))
    ]
    chance.shuffle(rings)

    quick = glyphs.merged(rings)
    monkeypatch.setattr(glyphs, "_PAIRS_AT_ONCE", 0)  # too many for that: by a point in each face

    assert [area.wkb for area in quick] == [area.wkb for area in glyphs.merged(rings)]


@pytest.mark.parametrize("name", ALL_FONTS)
def test_a_glyphs_hull_holds_its_shape_at_every_size_and_hardly_more(name):
    font = a_shipped_font(name)
    glyph = ord("g") if font.kind == "single_line" else font.hb_font.get_nominal_glyph(ord("g"))
    hull = shapely.convex_hull(shapely.multipoints(font.hull(glyph)))

    for size in SIZE_CLASSES_MM:
        ink = [*font.areas(glyph, size), *font.strokes_of(glyph)]
        points = shapely.get_coordinates(ink) / font.capital_height
        tight = shapely.convex_hull(shapely.multipoints(points))
        allowed = 0.00025 + FLATTEN_MM / size
        assert shapely.distance(hull, shapely.points(points)).max() < 1e-9
        assert shapely.hausdorff_distance(hull, tight) <= allowed * 1.5 + 0.02 * math.sqrt(allowed)
        assert tight.buffer(allowed * 1.05).covers(hull)


def test_single_line_fonts_have_no_areas_and_outline_fonts_no_strokes():
    single = open_font(a_spec(a_single_line_file(), "single_line"))
    font = a_shipped_font()

    assert single.areas(ord("H"), 4.0) == ()
    assert len(single.strokes_of(ord("H"))) == 2
    assert single.strokes_of(ord("?")) == ()
    assert font.strokes_of(1) == ()
