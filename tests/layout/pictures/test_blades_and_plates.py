"""Pictures of faces and plates: complete, in millimetres, nothing cut off."""

from __future__ import annotations

import io
from dataclasses import replace
from xml.etree import ElementTree

import numpy as np
import pytest
import resvg_py
import shapely
from PIL import Image

from layout.pictures.blades_and_plates import HATCHES, PAPER, REASON_WORDS, draw_face, draw_plate, new_sheet
from layout.shop.blades import Blade, Face, KeepOut, KeepOutReason
from tests.made_up import the_made_up_shop

SHOP = the_made_up_shop()
SVG = "{http://www.w3.org/2000/svg}"
FACES = [(blade.blade, face.face) for blade in SHOP.blades.values() for face in blade.faces]


def face_picture(blade: str, face: str) -> str:
    return draw_face(SHOP.blades[blade], SHOP.blades[blade].face(face))


def words_of(svg: str) -> list[str]:
    return [text.text or "" for text in ElementTree.fromstring(svg).iter(f"{SVG}text")]


def pixels_of(svg: str, *, per_mm: float = 4.0) -> np.ndarray:
    """Grey levels as resvg, a renderer independent of this project, draws them."""
    png = resvg_py.svg_to_bytes(svg_string=svg, dpi=96, zoom=per_mm * 25.4 / 96, background=PAPER)
    return np.asarray(Image.open(io.BytesIO(bytes(png))).convert("L"))


def assert_whole(svg: str) -> None:
    """Nothing is drawn into the outermost millimetre: words and shapes lie on the page."""
    pixels = pixels_of(svg)
    rim = np.concatenate(
        [pixels[:4].ravel(), pixels[-4:].ravel(), pixels[:, :4].ravel(), pixels[:, -4:].ravel()]
    )
    assert rim.min() == rim.max()
    assert pixels.min() < 100


@pytest.mark.parametrize(("blade", "face"), FACES)
def test_a_face_is_drawn_whole_and_in_millimetres(blade, face):
    svg = face_picture(blade, face)

    root = ElementTree.fromstring(svg)
    width, height = (float(root.attrib[name].removesuffix("mm")) for name in ("width", "height"))
    x0, _, x1, _ = (SHOP.blades[blade].face(face).body or SHOP.blades[blade].face(face).silhouette).bounds
    assert root.attrib["viewBox"].split() == [
        "0",
        "0",
        *(root.attrib[n].removesuffix("mm") for n in ("width", "height")),
    ]
    assert width > x1 - x0
    assert height > 20
    assert_whole(svg)


@pytest.mark.parametrize(("blade", "face"), FACES)
def test_the_legend_names_every_zone_and_every_kind_of_keep_out(blade, face):
    drawn = SHOP.blades[blade].face(face)

    said = "\n".join(words_of(face_picture(blade, face)))

    assert all(f"zone {zone.zone}:" in said for zone in drawn.zones)
    assert all(f"keep-out: {k.keep_out.rstrip(' 0123456789')}" in said for k in drawn.keep_outs)
    assert "handle" in said
    assert "50 mm" in said


def test_a_row_of_hollows_has_one_line_in_the_legend_and_one_number_each():
    words = words_of(face_picture("santoku-17", "mark_side"))

    assert "keep-out: hollow, 9 of them" in words
    assert words.count("2") == 9 + 1


def test_every_reason_has_a_word_and_a_hatch_of_its_own():
    reasons = set(KeepOutReason.__args__)

    assert set(REASON_WORDS) == reasons == set(HATCHES)
    assert len(set(HATCHES.values())) == len(reasons)


def test_the_face_lies_in_the_picture_at_its_own_size():
    svg = face_picture("paring-9-bare", "mark_side")
    silhouette = SHOP.blades["paring-9-bare"].face("mark_side").silhouette

    shapes = [p for p in ElementTree.fromstring(svg).iter(f"{SVG}path") if p.attrib.get("fill") == "#dde3e4"]
    points = np.array(
        [pair.split() for pair in shapes[0].attrib["d"].strip("MZ").replace("L", " ").split()], float
    )
    points = points.reshape(-1, 2)

    assert len(shapes) == 1
    x0, y0, x1, y1 = silhouette.bounds
    assert np.ptp(points, axis=0) == pytest.approx((x1 - x0, y1 - y0), abs=0.001)
    assert shapely.Polygon(points).area == pytest.approx(silhouette.area, abs=0.05)


def test_the_same_face_gives_the_same_picture():
    assert face_picture("chef-20", "pile_side") == face_picture("chef-20", "pile_side")


def test_a_handle_is_drawn_in_wood_and_its_blade_in_metal():
    svg = face_picture("santoku-17", "handle")

    fills = [p.attrib["fill"] for p in ElementTree.fromstring(svg).iter(f"{SVG}path") if "fill" in p.attrib]

    assert fills[:2] == ["#dde3e4", "#d9c6a5"]


@pytest.mark.parametrize("plate", sorted(SHOP.plates))
def test_a_plate_is_drawn_whole_with_every_slot_and_what_it_takes(plate):
    svg = draw_plate(SHOP.plates[plate], SHOP.blades)

    words = words_of(svg)
    assert_whole(svg)
    assert {slot.slot for slot in SHOP.plates[plate].slots} <= set(words)
    for seat in SHOP.plates[plate].slots[0].seats:
        assert any(w.startswith(f"takes {seat.blade}, {seat.face.replace('_', ' ')} up") for w in words)


def test_a_plate_with_its_jobs_shows_their_words_and_only_the_units_seated():
    plate = SHOP.plates["long"]
    seated = {"2": ("chef-20", "pile_side"), "5": ("santoku-17", "handle")}

    svg = draw_plate(
        plate, SHOP.blades, seated=seated, words={"2": ["J7", "O3"], "5": ["J8"]}, title="Load L5, turn 1"
    )

    words = words_of(svg)
    assert {"J7", "O3", "J8", "Load L5, turn 1"} <= set(words)
    assert not any(word.startswith("takes") for word in words)
    assert svg.count('fill="#d9c6a5"') == len(seated)
    assert_whole(svg)


def test_an_empty_plate_of_a_load_shows_no_unit():
    svg = draw_plate(SHOP.plates["small"], SHOP.blades, seated={})

    assert 'fill="#d9c6a5"' not in svg


@pytest.mark.parametrize(
    "seated", [{"99": ("chef-20", "mark_side")}, {"1": ("hori-18", "mark_side")}, {"1": ("chef-20", "spine")}]
)
def test_a_seat_that_is_not_there_is_an_error(seated):
    with pytest.raises(KeyError):
        draw_plate(SHOP.plates["long"], SHOP.blades, seated=seated)


def test_a_keep_out_beside_the_blade_is_left_out_of_the_picture():
    blade = SHOP.blades["oyster-8"]
    face = blade.face("mark_side")
    beside = KeepOut("beside", "other", shapely.box(200, 200, 210, 210))

    svg = draw_face(blade, replace(face, keep_outs=(beside,)))

    assert_whole(svg)


def test_an_area_without_polygons_leaves_the_page_as_it_was():
    sheet = new_sheet((0.0, 0.0, 10.0, 10.0), 2.0)
    before = sheet.svg()

    sheet.area(shapely.LineString([(0, 0), (1, 1)]))

    assert sheet.svg() == before


def test_the_paper_is_the_pages_background():
    assert f'fill="{PAPER}"' in face_picture("oyster-8", "mark_side")


@pytest.mark.parametrize("y", [0.3, 0.9, 1.2])
def test_a_hole_smaller_than_the_distance_of_the_hatch_is_drawn(y):
    hole = KeepOut("pin", "hole", shapely.Point(20, y).buffer(0.2))
    face = Face("mark_side", shapely.box(0, -9, 90, 9), (), (hole,), 180)

    svg = draw_face(Blade("pin", "Pinned", (face,)), face)

    assert svg.count('stroke-opacity="0.75"') >= 2
