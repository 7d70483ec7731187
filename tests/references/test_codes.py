"""Codes read back from the rendered burn file by readers that this project did not write.

resvg draws the SVG, ZXing (zxing-cpp) decodes the picture. The finder patterns are those of ISO/IEC 18004 and
ISO/IEC 16022 (from memory).
"""

from __future__ import annotations

import io
from dataclasses import replace

import numpy as np
import pytest
import resvg_py
import zxingcpp
from PIL import Image, ImageOps

from layout.burn.svg import burn_svg
from layout.burn.turn import burn_of
from layout.check.feasibility import check
from layout.marks.codes import QUIET_MODULES, cells_of
from layout.seating.registration import nominal
from layout.shop.inscriptions import CodeInscription
from layout.shop.loads import LoadLayout, Place, SlotFill, Turn
from layout.shop.shop import Shop
from tests.layout.made_up import CHEF, the_shop

FORMATS = {"qr": zxingcpp.BarcodeFormat.QRCode, "datamatrix": zxingcpp.BarcodeFormat.DataMatrix}
DOTS_PER_MM = 12


def burned_picture(shop: Shop, asked: CodeInscription, place: Place) -> Image.Image:
    """The burn file of one slot as resvg draws it, dark on white, cut to the mark and its quiet zone."""
    result = check(shop, CHEF, [asked])
    assert result.findings == ()
    plate, station = shop.plates[place.plate], shop.stations[place.station]
    fill = SlotFill(place.slot, CHEF, "chef-20", place.face, result.marks, result.eligible, job="j")
    copy = plate.copies[0]
    load = LoadLayout(place.station, place.plate, copy, nominal(station, plate, copy), (Turn(1, (fill,)),))
    svg = burn_svg(burn_of(shop, load, 1), station)
    png = resvg_py.svg_to_bytes(svg_string=svg.decode(), zoom=1, dpi=DOTS_PER_MM * 25.4)
    ink = Image.open(io.BytesIO(bytes(png))).convert("RGBA").getchannel("A")
    module = result.inscriptions[0].size_mm
    assert module is not None
    quiet = round(QUIET_MODULES[asked.symbology] * module * DOTS_PER_MM)
    cut = ink.crop(ink.getbbox())
    return ImageOps.expand(ImageOps.invert(cut), border=quiet, fill=255)


def first_places(shop: Shop) -> dict[str, Place]:
    """One eligible place at each station that takes the chef's knife."""
    result = check(shop, CHEF, [CodeInscription("heel", "qr", "A", 0.4)])
    return {place.station: place for place in sorted(result.eligible, key=repr, reverse=True)}


@pytest.mark.parametrize(
    ("symbology", "content", "cell_mm", "fill"),
    [
        ("qr", "https://example.org/r/7F3A-0092", 0.4, "rows"),
        ("qr", "Ålesund 1961 – №7", 0.3, "outline"),
        ("datamatrix", "RM-000172", 0.4, "rows"),
        ("datamatrix", "https://example.org/r/7F3A-0092", 0.3, "outline"),
        ("datamatrix", "0123456789", 0.5, "outline"),
    ],
)
def test_an_independent_reader_decodes_the_burn_file(symbology, content, cell_mm, fill) -> None:
    shop = the_shop()
    name, place = next(iter(first_places(shop).items()))
    station = replace(shop.stations[name], fill=fill)
    drawn = replace(shop, stations={**shop.stations, name: station})

    picture = burned_picture(drawn, CodeInscription("heel", symbology, content, cell_mm), place)

    (read,) = zxingcpp.read_barcodes(picture, formats=FORMATS[symbology])
    assert read.text == content
    assert read.format == FORMATS[symbology]


def test_a_code_with_its_modules_swapped_is_not_read_as_the_same() -> None:
    """The control: a reader that read anything at all would prove nothing."""
    shop = the_shop()
    place = next(iter(first_places(shop).values()))
    picture = burned_picture(shop, CodeInscription("heel", "qr", "RM-000172", 0.4), place)
    pixels = np.asarray(picture).copy()
    middle = pixels.shape[0] // 2
    pixels[middle - 30 : middle + 30, middle - 30 : middle + 30] = 255

    read = zxingcpp.read_barcodes(Image.fromarray(pixels), formats=FORMATS["qr"])

    assert [one.text for one in read] != ["RM-000172"]


def test_the_finder_patterns_stand_where_the_standards_put_them() -> None:
    qr = cells_of(CodeInscription("z", "qr", "RM-1")).astype(int)
    matrix = cells_of(CodeInscription("z", "datamatrix", "RM-1")).astype(int)

    eye = np.ones((7, 7), dtype=int)
    eye[1:6, 1:6] = 0
    eye[2:5, 2:5] = 1
    assert all((corner == eye).all() for corner in (qr[:7, :7], qr[:7, -7:], qr[-7:, :7]))
    # Data Matrix: solid left and bottom edges, alternating top and right ones.
    assert matrix[:, 0].all() and matrix[-1, :].all()
    assert (matrix[0, ::2] == 1).all() and (matrix[0, 1::2] == 0).all()
    assert (matrix[1::2, -1] == 1).all() and (matrix[::2, -1] == 0).all()
