"""DXF drawings: blocks, extrusions and old polylines as the published reference has them, and what is
refused."""

from __future__ import annotations

import io
import math
import random

import ezdxf
import numpy as np
import pytest

from layout.drawing.strokes import DrawingRefused
from service.drawings import UnitNeeded, read_drawing
from service.drawings.take import Answers, Unanswered, take
from tests import drawings
from tests.drawings import BLADES


def a_document(version: str = "R2010", unit: int = 4):
    document = ezdxf.new(version, units=unit)
    return document, document.modelspace()


def text_of(document) -> bytes:
    stream = io.StringIO()
    document.write(stream)
    return stream.getvalue().encode(document.output_encoding)


def test_things_on_layer_0_of_a_block_lie_on_the_layer_of_its_reference():
    document, space = a_document()
    block = document.blocks.new("PIN")
    block.add_circle((0, 0), 1, dxfattribs={"layer": "0"})
    block.add_line((0, 0), (1, 0), {"layer": "AXIS"})
    space.add_blockref("PIN", (10, 5), {"layer": "HOLES"})

    circle, line = read_drawing(text_of(document)).strokes

    assert (circle.names, line.names) == (("HOLES", "PIN"), ("AXIS", "PIN"))
    assert circle.points.mean(axis=0) == pytest.approx([10, 5], abs=0.05)


def test_a_row_of_block_references_is_a_row_of_shapes():
    document, space = a_document()
    document.blocks.new("PIN").add_circle((0, 0), 1)
    space.add_blockref(
        "PIN", (0, 0), {"column_count": 3, "column_spacing": 10, "row_count": 2, "row_spacing": 20}
    )

    strokes = read_drawing(text_of(document)).strokes

    centres = {tuple(np.round((s.points.min(axis=0) + s.points.max(axis=0)) / 2, 3)) for s in strokes}
    assert centres == {(x, y) for x in (0, 10, 20) for y in (0, 20)}


def test_a_block_that_is_mirrored_and_stretched_makes_ellipses_of_its_arcs():
    document, space = a_document()
    document.blocks.new("ARC").add_arc((0, 0), 10, 0, 90)
    space.add_blockref("ARC", (0, 0), {"xscale": -2, "yscale": 1})

    (arc,) = read_drawing(text_of(document)).strokes

    assert np.abs((arc.points[:, 0] / 20) ** 2 + (arc.points[:, 1] / 10) ** 2 - 1).max() < 1e-3
    assert arc.points[:, 0].max() == pytest.approx(0, abs=1e-6)


def test_a_bulge_is_an_arc_whichever_way_it_turns():
    document, space = a_document()
    # Half circles: a bulge of 1 runs counter-clockwise, -1 clockwise (DXF reference, LWPOLYLINE, code 42).
    space.add_lwpolyline([(0, 0, 1), (10, 0, -1), (20, 0, 0)], format="xyb")

    (line,) = read_drawing(text_of(document)).strokes

    assert line.points[:, 1].min() == pytest.approx(-5, abs=0.002)
    assert line.points[:, 1].max() == pytest.approx(5, abs=0.002)
    assert line.points[[0, -1]].ravel() == pytest.approx([0, 0, 20, 0], abs=1e-9)


def test_what_is_no_line_is_left_out_and_named():
    document, space = a_document()
    space.add_line((0, 0), (10, 0), {"layer": "OFF"})
    space.add_text("a note")
    space.add_hatch().paths.add_polyline_path([(0, 0), (1, 0), (1, 1)])
    space.add_line((0, 0, 0), (0, 9, 2))
    document.layers.add("OFF").off()

    drawing = read_drawing(text_of(document))

    assert drawing.notes == (
        "left out: 1 HATCH, 1 TEXT",
        "the drawing is not flat; it was taken as seen from above",
        "layers that are switched off were read, too: OFF",
    )


@pytest.mark.parametrize(("unit", "mm"), [(1, 25.4), (2, 304.8), (4, 1), (5, 10), (6, 1000), (9, 0.0254)])
def test_the_files_own_unit_counts(unit, mm):
    document, space = a_document(unit=unit)
    space.add_line((0, 0), (1, 0))

    assert read_drawing(text_of(document)).strokes[0].points[1, 0] == pytest.approx(mm)


def test_a_binary_file_is_told_apart(tmp_path):
    document, space = a_document()
    space.add_line((0, 0), (12.5, 0))
    document.saveas(tmp_path / "binary.dxf", fmt="bin")

    with pytest.raises(DrawingRefused, match="a binary DXF: save the drawing as a text"):
        read_drawing((tmp_path / "binary.dxf").read_bytes())


@pytest.mark.parametrize(
    ("begin", "what"),
    [
        (b"AC1032", "a DWG file"),
        (b"%PDF-1.7", "a PDF"),
        (b"\x1f\x8b\x08", "compressed"),
        (b"\x89PNG", "a picture of dots"),
    ],
)
def test_other_kinds_of_files_are_told_apart(begin, what):
    with pytest.raises(DrawingRefused, match=f"the file is {what}: save the drawing as DXF or as plain SVG"):
        read_drawing(begin + bytes(200))


def test_a_damaged_number_is_no_place_to_burn():
    document, space = a_document()
    space.add_line((0, 0), (123.456, 0))

    with pytest.raises(DrawingRefused, match=r"the file is damaged: .*123\.4x6"):
        read_drawing(text_of(document).replace(b"123.456", b"123.4x6"))


@pytest.mark.parametrize("radius", [1e9, 1e300])
def test_a_circle_larger_than_any_blade_is_refused_before_it_is_cut(radius):
    document, space = a_document()
    space.add_circle((0, 0), radius)

    with pytest.raises(DrawingRefused, match=r"far larger than any blade: is the unit right\?"):
        read_drawing(text_of(document))


def test_blocks_that_hold_too_much_are_refused():
    document, space = a_document()
    document.blocks.new("EMPTY")
    space.add_blockref(
        "EMPTY", (0, 0), {"column_count": 30_000, "row_count": 30_000, "column_spacing": 1, "row_spacing": 1}
    )

    with pytest.raises(DrawingRefused, match="more than 50000 parts"):
        read_drawing(text_of(document))


@pytest.mark.parametrize("seed", range(12))
def test_a_broken_file_is_refused_or_read_and_nothing_else(seed):
    chance = random.Random(seed)
    whole = [
        drawings.dxf_of_ellipses(BLADES["cleaver"]),
        drawings.svg_by_hand(BLADES["paring"]),
        drawings.dxf_of_polylines(BLADES["santoku"]),
    ][seed % 3]
    data = bytearray(whole)
    for _ in range(chance.choice((1, 3, 10))):
        at = chance.randrange(len(data))
        if chance.random() < 0.5:
            data[at] = chance.randrange(256)
        else:
            del data[at : at + chance.randrange(1, 60)]
    answers = Answers("x", "X", "x", ("mark_side",), "down", ("left",))

    try:
        taken = take(bytes(data), answers)
    except (DrawingRefused, UnitNeeded, Unanswered):
        return
    assert all(math.isfinite(v) for v in taken.blade.faces[0].silhouette.bounds)
