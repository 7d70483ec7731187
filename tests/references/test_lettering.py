"""Lettering as typeset, against ISO 3098 type B, ADA 703.5 and published anatomy of the Hershey letters.

ISO 3098 type B (secondary: extracts of NF EN ISO 3098-0): heights 1.8 2.5 3.5 5 7 10 14 20 mm, small letters
0.7 h, line 0.1 h, gap between letters 0.2 h, baselines 1.9 h with accents, 1.5 h without, 1.3 h capitals.
Type A (secondary: DIN EN ISO 3098 sheet): line h/14, small letters 10/14 h.
ADA 703.5 (published, U.S. Access Board): stroke of the I 10-30 % of its height, baselines 135-170 %.
"""

from __future__ import annotations

import pytest
import shapely

from layout.lettering.fonts import open_font
from layout.lettering.typeset import compose, draw
from tests.made_up import the_made_up_shop

SHOP = the_made_up_shop()
ISO_HEIGHTS_MM = (1.8, 2.5, 3.5, 5.0, 7.0, 10.0, 14.0, 20.0)
WITH_CAPITALS = sorted(SHOP.fonts)
#: Fonts for plain lettering, as drawing offices use it.
PLAIN = (
    "lato-bold",
    "inter-semibold",
    "atkinson-bold",
    "noto-sans-semibold",
    "vietnam-semibold",
    "plex-mono",
)
LINE = 0.1  # of the height, type B


def ink(text, font, *, height_mm=10.0, leading=1.6):
    composition = compose(text.split("\n"), open_font(SHOP.fonts[font]), leading=leading)
    return draw(composition, height_mm=height_mm, x_mm=0.0, y_mm=0.0)


def height_of(text, font, height_mm=10.0):
    _, y0, _, y1 = ink(text, font, height_mm=height_mm).bounds_mm
    return y1 - y0


@pytest.mark.parametrize("font", PLAIN)
@pytest.mark.parametrize("height_mm", ISO_HEIGHTS_MM)
def test_a_capital_is_as_high_as_was_asked(font, height_mm):
    assert height_of("H", font, height_mm) == pytest.approx(height_mm, abs=0.0002)


@pytest.mark.parametrize("font", WITH_CAPITALS)
def test_the_top_of_the_capital_stands_one_height_above_the_baseline_in_every_font(font):
    _, _, _, top = ink("H", font).bounds_mm

    assert top == pytest.approx(10.0, abs=0.002)


@pytest.mark.parametrize("leading", [1.9, 1.5, 1.3])
def test_baselines_are_as_far_apart_as_the_standard_asks(leading):
    _, y0, _, y1 = ink("H\nH", "lato-bold", leading=leading).bounds_mm

    assert y1 - y0 == pytest.approx(10.0 * (1 + leading), abs=0.0003)


@pytest.mark.parametrize("font", PLAIN)
@pytest.mark.parametrize(
    ("text", "leading"), [("ghjpqy\nÅÉÑŠhkl", 1.9), ("ghjpqy\nAHThkl", 1.5), ("AHOT\nAHOT", 1.3)]
)
def test_lines_at_the_standards_distances_stay_a_line_width_apart(font, text, leading):
    # The standard's own letters keep more; what must hold for any font used at these distances is that
    # two lines never run together.
    upper, lower = text.split("\n")
    block = ink(text, font, leading=leading)
    areas = sorted(block.areas, key=lambda area: area.centroid.y)
    first = len(ink(lower, font).areas)
    gap = shapely.distance(shapely.union_all(areas[:first]), shapely.union_all(areas[first:]))

    assert len(areas) == first + len(ink(upper, font).areas)
    assert gap >= LINE * 10.0 * 0.5


@pytest.mark.parametrize("font", PLAIN)
def test_small_letters_are_near_seven_tenths_of_the_capitals(font):
    # Type B 0.7 h, type A 10/14 h = 0.714 h; text faces are drawn a little larger.
    assert 0.65 <= height_of("x", font) / 10.0 <= 0.78


def test_hershey_letters_have_their_published_anatomy():
    # N.B.S. Special Publication 424 (1976): the plain Roman has capitals of 21 and small letters of 14 units;
    # from memory. 14/21 lies within 5 % of the height of ISO 3098's 0.7 h and 10/14 h.
    small = height_of("x", "line-sans") / height_of("H", "line-sans")

    assert small == pytest.approx(14 / 21, abs=1e-4)
    assert abs(small - 0.7) < 0.05


def test_single_line_lettering_keeps_the_standards_gap_between_upright_letters():
    # Type B: a gap of 0.2 h between lines of 0.1 h, so 0.3 h from middle to middle; 0.1 h less is allowed
    # between letters that would look too far apart.
    first, second = sorted(
        {round(x, 3) for s in ink("II", "line-sans", height_mm=21.0).strokes for x, _ in s.coords}
    )

    assert (second - first) / 21.0 - LINE >= 0.2


@pytest.mark.parametrize("font", ["lato-bold", "oswald-medium", "barlow-condensed"])
def test_the_stroke_of_the_capital_i_is_that_of_legible_signs(font):
    # ADA 703.5.7 (published): 10 % at least and 30 % at most of the height of the I.
    x0, y0, x1, y1 = ink("I", font).bounds_mm

    assert 0.10 <= (x1 - x0) / (y1 - y0) <= 0.30


def test_the_usual_leading_lies_in_the_range_for_legible_signs():
    # ADA 703.5.9 (published): 135 to 170 % of the height from baseline to baseline.
    _, y0, _, y1 = ink("H\nH", "lato-bold").bounds_mm

    assert 1.35 <= (y1 - y0) / 10.0 - 1.0 <= 1.70
