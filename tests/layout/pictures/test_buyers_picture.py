"""The buyer's picture: what is on it, how large, in which colours, and what is not on it."""

from __future__ import annotations

import io
from dataclasses import replace
from functools import cache
from typing import Any
from xml.etree import ElementTree

import numpy as np
import pytest
import resvg_py
from PIL import Image
from shapely.geometry import box

from layout.check.feasibility import check
from layout.pictures.buyers_picture import WIDTH_MM, Captions, Engraved, Scene, buyers_svg, scene
from layout.pictures.shading import close_up
from layout.pictures.surfaces import look_of
from layout.shop.blades import Baseline, Photo, Surface
from layout.shop.inscriptions import TextInscription
from layout.shop.shop import Shop
from service.shop import catalogue

_SAID = Captions(shop="Alder & Quay", close_up="As it will be engraved, enlarged")
_SVG = "{http://www.w3.org/2000/svg}"
CHEF = ("AQ-CHEF-20", TextInscription("heel", "For Rosa", "lato-bold"))
HANDLE = ("AQ-SANT-17", TextInscription("handle_flat", "Ada", "dancing-bold"))
DARK = ("AQ-HORI-18", TextInscription("ricasso", "Ada", "lato-bold"))


@cache
def the_shop() -> Shop:
    return catalogue.load(catalogue.default_folder())


@cache
def seen(sku: str, asked: TextInscription) -> Scene:
    shop = the_shop()
    (checked,) = check(shop, sku, [asked]).inscriptions
    assert checked.mark is not None and checked.face is not None
    return scene(
        shop, sku, checked.face, [Engraved(checked.mark, checked.lines, shop.fonts[asked.font].name)]
    )


def test_shop_product_words_and_font_are_on_it_and_nothing_else() -> None:
    picture = ElementTree.fromstring(buyers_svg(seen(*CHEF), _SAID))

    said = [element.text for element in picture.iter(f"{_SVG}text")]
    assert said == [
        "Alder & Quay",
        "Harbour chef's knife, 20 cm,",
        "satin",
        "For Rosa",
        "Lato Bold",
        "As it will be engraved, enlarged",
    ]
    assert not any("stroke-dasharray" in element.attrib for element in picture.iter())


def test_without_captions_no_word_is_on_it() -> None:
    picture = ElementTree.fromstring(buyers_svg(seen(*CHEF), None))

    assert list(picture.iter(f"{_SVG}text")) == []


def test_words_can_be_read_on_a_phone() -> None:
    """On 390 px: no letters below 12 px, and the mark is more than half as wide as the page."""
    view = seen(*CHEF).near(0, 92.0, 24.0, 42.0)
    picture = ElementTree.fromstring(buyers_svg(seen(*CHEF), _SAID))

    x0, _, x1, _ = seen(*CHEF).burned[0][0].bounds
    assert (x1 - x0) * view.scale > WIDTH_MM / 2
    assert min(float(text.attrib["font-size"]) for text in picture.iter(f"{_SVG}text")) * 3.9 > 12


@pytest.mark.parametrize("asked", [CHEF, HANDLE, DARK], ids=["steel", "handle", "dark"])
def test_the_mark_is_shown_as_large_as_it_is_burned(asked: tuple[str, TextInscription]) -> None:
    """Seen by a renderer that we did not write: https://github.com/linebender/resvg."""
    here = seen(*asked)
    pixels = _pixels(buyers_svg(here, None))

    shape, surface = here.burned[0]
    look = look_of(surface)
    from_mark, from_rest = (_distance(pixels, colour) for colour in (look.mark, look.shades[1][1]))
    is_mark = from_mark < from_rest
    pixels_per_mm = pixels.shape[1] / WIDTH_MM
    near = here.near(0, 92.0, 24.0, 42.0)
    foot, side = 8.0, 4.0  # of the page below the close-up and beside it, mm
    rows = [-round((foot + part) * pixels_per_mm) for part in (near.height_mm - 0.5, 0.5)]
    columns = [round((side + part) * pixels_per_mm) for part in (0.5, near.width_mm - 0.5)]
    below = is_mark[rows[0] : rows[1], columns[0] : columns[1]]

    area = below.sum() / pixels_per_mm**2
    assert area == pytest.approx(shape.area * near.scale**2, rel=0.03)


def _distance(pixels: np.ndarray[tuple[int, ...], np.dtype[np.uint8]], colour: str) -> Any:
    other = np.array([int(colour[at : at + 2], 16) for at in (1, 3, 5)])
    return np.abs(pixels - other).sum(axis=2)


def _pixels(svg: str) -> np.ndarray[tuple[int, ...], np.dtype[np.int16]]:
    png = bytes(resvg_py.svg_to_bytes(svg_string=svg, dpi=200))
    return np.asarray(Image.open(io.BytesIO(png)).convert("RGB"), dtype=np.int16)


def test_a_mark_stands_out_from_what_it_is_burned_into() -> None:
    """At least 3 to 1 where the light falls, as W3C WCAG 2.2, 1.4.11, asks of graphics (from memory)."""
    shop = the_shop()
    surfaces = {process.surface for process in shop.processes.values()}
    surfaces |= {Surface("stainless_4116", finish) for finish in ("mirror", "bead_blasted", "black_dlc")}
    surfaces |= {Surface(wood, "oiled") for wood in ("oak", "olive", "maple")} | {Surface("pom_black", "")}

    contrasts = {
        surface: min(_contrast(look_of(surface).mark, shade) for _, shade in look_of(surface).shades[:1])
        for surface in surfaces
    }

    assert {surface: ratio for surface, ratio in contrasts.items() if ratio < 3} == {}


def _contrast(one: str, other: str) -> float:
    def luminance(colour: str) -> float:
        channels = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
        linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


def test_a_coating_comes_off_light_and_wood_chars_dark() -> None:
    dark, wood = look_of(Surface("carbon_c60", "grey_phosphate")), look_of(Surface("walnut", "oiled"))

    assert dark.is_dark and _contrast(dark.mark, "#ffffff") < _contrast(dark.mark, "#000000")
    assert _contrast(wood.mark, "#000000") < _contrast(wood.mark, "#ffffff")


def test_a_mark_that_runs_up_the_face_is_shown_level() -> None:
    shop = the_shop()
    face = shop.blades["chef-20"].face("mark_side")
    upwards = replace(face.zone("heel"), baseline=Baseline(((20.0, 0.0), (20.0, 15.0))))

    view = close_up(replace(face, zones=(upwards,)), "heel", box(15, 0, 20, 15), 92.0, 24.0, 42.0)

    (left, low), (right, high) = view.on_page([(20, 0), (20, 15)], 0.0, 0.0)
    assert right - left == pytest.approx(15 * view.scale)
    assert high == pytest.approx(low)


def test_a_photo_lies_under_the_mark_as_its_two_points_say() -> None:
    photo = Photo(b"", "png", (200, 100), ((20.0, 50.0), (180.0, 50.0)), ((-100.0, 5.0), (60.0, 5.0)))
    turned = replace(photo, points_mm=((0.0, 0.0), (0.0, 320.0)))

    assert photo.to_face([(20, 50), (180, 50)]) == [(-100, 5), (60, 5)]
    assert photo.to_face([(20, 40)]) == [pytest.approx((-100, 15))]  # up in the photo is up on the face
    assert turned.to_face([(20, 40)]) == [pytest.approx((-20, 0))]  # twice as large, turned to the left


def test_with_a_photo_nothing_of_the_unit_is_drawn() -> None:
    here = seen(*CHEF)
    data = io.BytesIO()
    Image.new("RGB", (330, 60), (200, 60, 60)).save(data, "PNG")
    photo = Photo(
        data.getvalue(), "png", (330, 60), ((0.0, 30.0), (330.0, 30.0)), ((-129.0, 0.0), (201.0, 0.0))
    )
    product = replace(here.shop.products["AQ-CHEF-20"], photos={"mark_side": photo})
    shop = replace(here.shop, products={**here.shop.products, "AQ-CHEF-20": product})

    pixels = _pixels(buyers_svg(replace(here, shop=shop), None))

    reds = (np.abs(pixels - (200, 60, 60)).max(axis=2) < 8).mean()
    marks = (np.abs(pixels - (0x31, 0x29, 0x2D)).max(axis=2) < 12).mean()
    assert reds > 0.4
    assert marks > 0.02
