"""Pictures of what was read of a drawing: to scale, each name said, each fault numbered."""

from __future__ import annotations

import re
from xml.etree import ElementTree

import numpy as np

from layout.drawing.strokes import Stroke
from layout.pictures.drawing import COIN_MM, draw_read, draw_refused, draw_taken, draw_wrong
from tests.layout.made_up import the_shop


def texts(svg: str) -> list[str]:
    return [
        element.text or "" for element in ElementTree.fromstring(svg).iter() if element.tag.endswith("text")
    ]


def a_line(*points: tuple[float, float], name: str = "") -> Stroke:
    return Stroke(np.array(points), False, (name,) if name else (), "line 1")


def test_a_blade_is_drawn_as_large_as_it_is_with_each_face_measured() -> None:
    blade = the_shop().blades["chef-20"]
    svg = draw_taken(blade, source="chef.dxf")

    root = ElementTree.fromstring(svg)
    _, _, width, height = (float(number) for number in root.attrib["viewBox"].split())
    assert root.attrib["width"] == f"{root.attrib['viewBox'].split()[2]}mm", "one unit is one millimetre"
    assert width > blade.faces[0].silhouette.bounds[2] - blade.faces[0].silhouette.bounds[0] + COIN_MM
    assert height > 0
    said = texts(svg)
    for face in blade.faces:
        x0, _, x1, _ = face.silhouette.bounds
        assert any(f"{x1 - x0:.0f} mm long" in each for each in said)
    assert f"{COIN_MM:g} mm" in said and any("chef.dxf" in each for each in said)


def test_each_name_of_a_drawing_has_its_colour_and_stands_beside_it() -> None:
    svg = draw_read(
        [a_line((0, 0), (50, 0), name="edge"), a_line((0, 9), (50, 9), name="bevel"), a_line((0, 3), (9, 3))]
    )

    assert {"edge", "bevel", "(no name)"} <= set(texts(svg))
    assert len(set(re.findall(r'stroke="(#[0-9a-f]{3,6})"', svg))) == 3


def test_a_drawing_of_many_names_lists_no_more_than_can_be_read() -> None:
    svg = draw_read([a_line((0, n), (50, n), name=f"layer {n}") for n in range(40)])

    assert 20 <= len(texts(svg)) < 40


def test_places_that_are_wrong_are_numbered_and_the_reason_stands_below() -> None:
    why = "the outline crosses itself at two places, which no cutter could follow: " + "draw it anew " * 8
    for svg in (
        draw_refused([a_line((0, 0), (50, 20))], [(1, 1), (40, 18)], why),
        draw_wrong([(0, 0), (50, 20), (0, 20)], [(1, 1), (40, 18)], why),
    ):
        said = texts(svg)
        assert {"1", "2"} <= set(said)
        assert " ".join(said[-len(said) :]).count("draw it anew") >= 7
