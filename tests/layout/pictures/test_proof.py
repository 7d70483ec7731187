"""Proofs: the whole face with everything the check saw, for people. Read back as SVG and drawn by resvg."""

from __future__ import annotations

import io
import re
from collections.abc import Iterator
from dataclasses import replace
from xml.etree import ElementTree

import numpy as np
import pytest
import resvg_py
import shapely
from PIL import Image
from shapely.geometry import Polygon

from layout.pictures.proof import BURNED, Note, face_svg, proof_svg
from layout.pictures.sheet import METAL
from layout.shop.blades import KeepOut
from layout.shop.inscriptions import ArtworkInscription, TextInscription
from layout.shop.loads import Mark
from layout.shop.shop import Shop
from tests.layout.made_up import CHEF, checked, the_shop, with_zone, words

SVG = "{http://www.w3.org/2000/svg}"


def proof_of(
    *asked, sku: str = CHEF, face: str = "mark_side", shop: Shop | None = None
) -> ElementTree.Element:
    known = shop or the_shop()
    return ElementTree.fromstring(proof_svg(known, sku, face, checked(*asked, sku=sku, shop=known)))


def texts(picture: ElementTree.Element) -> list[str]:
    return [element.text or "" for element in picture.iter(f"{SVG}text")]


def paths(picture: ElementTree.Element, **style: str) -> Iterator[ElementTree.Element]:
    wanted = {name.replace("_", "-"): value for name, value in style.items()}
    for path in picture.iter(f"{SVG}path"):
        if all(path.get(name) == value for name, value in wanted.items()):
            yield path


def test_an_accepted_mark_is_drawn_with_its_dimensions_scale_bar_and_what_holds_it() -> None:
    asked = words("For Rosa, gardener", breaks="fitted")
    one = checked(asked).inscriptions[0]

    picture = proof_of(asked)

    said = texts(picture)
    x0, y0, x1, y1 = one.box_mm
    assert f"{x1 - x0:.2f} mm" in said and f"{y1 - y0:.2f}" in said
    assert "50 mm" in said
    assert "edge bevel" in said  # a keep-out with room for its name
    assert "edge of heel" in said and "maker's stamp" in said  # what holds the mark, at its place
    assert any(text.startswith(f"heel: capital height {one.size_mm:.2f} mm; bounded by") for text in said)
    assert len(list(paths(picture, fill=BURNED))) == 1


def test_the_picture_is_in_millimetres_and_shows_the_mark_as_large_as_it_is() -> None:
    asked = ArtworkInscription("heel", "star", 12.0)
    svg = proof_svg(the_shop(), CHEF, "mark_side", checked(asked))
    area = checked(asked).marks[0].outline.region.area

    png = bytes(resvg_py.svg_to_bytes(svg_string=svg, zoom=1, dpi=20 * 25.4))

    pixels = np.asarray(Image.open(io.BytesIO(png)).convert("RGB"))
    burned = (pixels == (0x15, 0x19, 0x1C)).all(axis=2).sum() / 20**2
    assert burned == pytest.approx(area, rel=0.03)
    assert pixels.shape[1] > 300 * 20  # the whole knife


def test_words_that_do_not_fit_are_drawn_dashed_where_they_would_run_over() -> None:
    picture = proof_of(words("For Rosa, gardener, 1961", height_mm=12.0, breaks="fitted"))

    dashed = [path for path in paths(picture, fill="none", stroke="#a8442a") if path.get("stroke-dasharray")]
    filled = list(paths(picture, fill="#a8442a", fill_opacity="0.55"))
    assert len(dashed) == 1 and len(filled) == 1
    assert not list(paths(picture, fill=BURNED))
    assert any("too tall" in text for text in texts(picture))
    assert any(text.startswith("Dashed: the size asked for") for text in texts(picture))


def test_far_too_large_words_do_not_make_the_picture_endless() -> None:
    small, large = (proof_of(words("Anna", height_mm=height)) for height in (4.0, 400.0))

    width = [float(picture.get("width", "0mm").removesuffix("mm")) for picture in (small, large)]

    assert width[0] <= width[1] <= 1.6 * width[0]


def test_single_line_strokes_are_as_wide_as_the_line_that_will_be_burned() -> None:
    asked = TextInscription("flat", "Quay Lane 7", "line-sans", 5.0)
    line = checked(asked, sku="AQ-SANT-17").inscriptions[0].line_width_mm

    strokes = list(paths(proof_of(asked, sku="AQ-SANT-17"), stroke=BURNED))

    assert strokes and {float(path.get("stroke-width", "0")) for path in strokes} == {line}


@pytest.mark.parametrize("font", ["lato-bold", "great-vibes", "cinzel-semibold"])
def test_a_counter_is_closed_in_the_picture_only_where_the_verdict_says_so(font: str) -> None:
    shop = with_zone("heel", lambda zone: replace(zone, min_height_mm=0.1))
    shop = replace(shop, processes={"satin-north": shop.processes["satin-north"]})  # one line to agree on
    closed: dict[float, tuple[bool, bool]] = {}
    for height in (0.08, 0.3, 3.0):
        result = checked(words("Bo8", font=font, height_mm=height), shop=shop)
        (mark,) = result.marks
        said = {finding.code for finding in result.findings} & {"counter_closed", "slit_closed", "part_lost"}
        closed[height] = bool(said), shows_a_closed_counter(shop, mark)

    assert closed[0.08] == (True, True) and closed[3.0] == (False, False)
    assert all(is_said for is_said, is_shown in closed.values() if is_shown)


def shows_a_closed_counter(shop: Shop, mark: Mark) -> bool:
    """Whether the middle of a counter of the outline is burned in the picture's own mark, drawn by resvg."""
    picture = ElementTree.fromstring(face_svg(shop, CHEF, mark.face, [mark], is_captioned=False))
    (burned,) = paths(picture, fill=BURNED)
    metal = numbers_of(next(paths(picture, fill=METAL)))
    x0, _, _, y1 = shop.blades["chef-20"].face(mark.face).silhouette.bounds
    shift = metal.min(axis=0) - (x0, -y1)  # from the face's frame, y turned over, to the picture's
    corner, side = (
        numbers_of(burned).min(axis=0) - 0.01,
        float(np.ptp(numbers_of(burned), axis=0).max()) + 0.02,
    )
    small = (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="800" height="800" '
        f'viewBox="{corner[0]} {corner[1]} {side} {side}">'
        f'<path fill-rule="evenodd" d="{burned.get("d")}"/></svg>'
    )
    ink = np.array(Image.open(io.BytesIO(bytes(resvg_py.svg_to_bytes(svg_string=small)))))[..., 3] > 127
    for hole in (Polygon(ring) for area in mark.outline.areas for ring in area.interiors):
        x, y = shapely.maximum_inscribed_circle(hole).coords[0]
        column, row = np.rint((np.array([x, -y]) + shift - corner) * 800 / side).astype(int)
        if ink[row, column]:
            return True
    return False


def numbers_of(path: ElementTree.Element) -> np.ndarray:
    return np.array([float(n) for n in re.findall(r"[-\d.]+", path.get("d", ""))]).reshape(-1, 2)


def test_single_line_words_that_do_not_fit_are_dashed_too() -> None:
    picture = proof_of(TextInscription("flat", "Quay Lane 7", "line-sans", 14.0), sku="AQ-SANT-17")

    assert len([path for path in paths(picture, stroke="#a8442a") if path.get("stroke-dasharray")]) > 5


def test_a_keep_out_without_room_for_its_name_has_a_number_and_a_line_of_legend() -> None:
    said = texts(proof_of(words("Anna", height_mm=4.0)))

    assert said.count("1") == 2 and "maker's stamp: existing mark, kept out." in said


def test_keep_outs_in_a_row_bear_one_number_and_one_line_of_legend() -> None:
    picture = proof_of(TextInscription("flat", "Quay", "lato-bold", 3.0), sku="AQ-SANT-17")

    said = texts(picture)
    assert said.count("hollow, kept out.") == 1
    assert said.count("1") == 10  # nine hollows and their line of legend


def test_what_holds_a_mark_is_named_once() -> None:
    picture = proof_of(TextInscription("between_holes", "Brie", "lato-bold"), sku="AQ-CHEESE-14")

    assert texts(picture).count("hole 3") == 1


def test_long_notes_are_wrapped_and_only_their_first_line_has_a_sign() -> None:
    notes = [Note("?", "word " * 80)]

    picture = ElementTree.fromstring(face_svg(the_shop(), CHEF, "mark_side", (), notes=notes))

    said = texts(picture)
    assert said.count("?") == 1
    lines = [text for text in said if text.startswith("word")]
    assert len(lines) > 2 and max(map(len, lines)) < 140


def test_findings_of_several_inscriptions_say_which_zone_they_are_about() -> None:
    said = " ".join(texts(proof_of(words("Anna", height_mm=0.4), words("Ben", zone="heel_back"))))

    assert "heel: A capital height of 0.4 mm" in said


def test_characters_that_no_svg_can_hold_do_not_break_a_proof() -> None:
    picture = proof_of(words("Anna\x00\ud800"), words("x", zone="\ud800\x01"))

    assert any("half of a character" in text for text in texts(picture))


def test_the_other_face_shows_only_its_own_marks() -> None:
    asked = words("Anna"), words("Ben", zone="heel_back")

    pictures = [proof_of(*asked, face=face) for face in ("mark_side", "pile_side")]

    assert [len(list(paths(picture, fill=BURNED))) for picture in pictures] == [1, 1]
    assert not any("heel_back: capital height" in text for text in texts(pictures[0]))


def test_a_face_without_a_proven_process_or_with_a_keep_out_beside_it_is_drawn_all_the_same() -> None:
    shop = the_shop()
    blade = shop.blades["chef-20"]
    face = blade.faces[0]
    far = KeepOut(
        "far away", "other", face.silhouette.envelope.buffer(1).difference(face.silhouette.envelope)
    )
    beside = replace(face, keep_outs=(*face.keep_outs, far), body=None)
    mark = checked(TextInscription("heel", "Anna", "line-sans")).marks[0]
    bare = replace(shop, processes={}, blades={**shop.blades, "chef-20": replace(blade, faces=(beside,))})

    picture = ElementTree.fromstring(face_svg(bare, CHEF, "mark_side", [mark]))

    assert "far away" not in " ".join(texts(picture))
    assert next(paths(picture, stroke=BURNED)).get("stroke-width") == "0.1"


def test_an_unknown_face_is_an_error() -> None:
    with pytest.raises(KeyError):
        face_svg(the_shop(), CHEF, "no such face", ())
