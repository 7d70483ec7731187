"""Marks from SVG: what is read, and that everything else is refused with its reason."""

from __future__ import annotations

import io

import numpy as np
import pytest
import resvg_py
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image

from layout.marks.artwork import MOST_BYTES, ArtworkRefused, read_artwork
from service.shop.catalogue import default_folder

SQUARE = "M 1 1 L 9 1 L 9 9 L 1 9 Z"


def a_drawing(
    inside: str = f'<path d="{SQUARE}"/>', *, head: str = "", size: str = "", view: str = ""
) -> bytes:
    size = size or 'width="20mm" height="10mm"'
    view = view or 'viewBox="0 0 20 10"'
    return f'{head}<svg xmlns="http://www.w3.org/2000/svg" {size} {view}>{inside}</svg>'.encode()


def a_path(data: str) -> bytes:
    return a_drawing(f'<path d="{data}"/>')


def a_star(corners: int, step: int) -> str:
    """A star polygon, whose every line crosses nearly every other."""
    angles = 2 * np.pi * step / corners * np.arange(corners)
    points = np.column_stack([10 + 9 * np.cos(angles), 5 + 4 * np.sin(angles)])
    return "M" + " L".join(f"{x:.4f} {y:.4f}" for x, y in points) + " Z"


# --- what is read ---


def test_a_square_is_read_in_millimetres_with_y_up():
    outline = read_artwork(a_path("M 1 1 L 9 1 L 9 4 L 1 4 Z"))

    assert outline.bounds_mm == (1.0, 6.0, 9.0, 9.0)
    assert outline.region.area == pytest.approx(24)


def test_the_view_box_scales_and_shifts():
    outline = read_artwork(a_drawing(f'<path d="{SQUARE}"/>', view='viewBox="-1,-1,40,20"'))

    assert outline.bounds_mm == (1.0, 5.0, 5.0, 9.0)


def test_paths_that_overlap_are_merged_by_the_non_zero_rule():
    both_ways = "M 1 1 L 6 1 L 6 6 L 1 6 Z M 4 4 L 9 4 L 9 9 L 4 9 Z"

    assert read_artwork(a_path(both_ways)).region.area == pytest.approx(25 + 25 - 4)


def test_a_ring_drawn_the_other_way_round_is_a_hole():
    outline = read_artwork(a_path(f"{SQUARE} M 3 3 L 3 7 L 7 7 L 7 3 Z"))

    assert outline.region.area == pytest.approx(64 - 16)
    assert len(outline.areas[0].interiors) == 1


def test_groups_titles_and_descriptions_are_allowed():
    inside = f'<title>Square</title><g id="a"><g><desc>It is one</desc><path id="b" d="{SQUARE}"/></g></g>'

    assert read_artwork(a_drawing(inside)).region.area == pytest.approx(64)


def test_an_xml_declaration_and_a_comment_are_allowed():
    outline = read_artwork(a_drawing(head='<?xml version="1.0" encoding="utf-8"?>\n<!-- drawn by us -->'))

    assert outline.region.area == pytest.approx(64)


def test_arcs_and_curves_are_flattened_within_a_micrometre():
    circle = read_artwork(a_path("M 9 5 A 4 4 0 1 1 1 5 A 4 4 0 1 1 9 5 Z"))

    # The area of a circle of radius 4 mm; elementary.
    assert circle.region.area == pytest.approx(50.26548, abs=25 * 0.001)


def test_the_same_file_gives_the_same_outline():
    drawing = (default_folder() / "artwork" / "house-mark.svg").read_bytes()

    assert read_artwork(drawing).digest == read_artwork(drawing).digest


@pytest.mark.parametrize("name", ["house-mark", "leaf", "star", "ring-frame", "shield-frame"])
def test_an_independent_renderer_inks_the_same_area(name):
    # Renderer: resvg, an SVG library independent of this project; 100 px/mm, grey levels as area.
    drawing = (default_folder() / "artwork" / f"{name}.svg").read_text()
    outline = read_artwork(drawing.encode())
    png = resvg_py.svg_to_bytes(svg_string=drawing, dpi=96, zoom=100 * 25.4 / 96, background="#ffffff")

    pixels = np.asarray(Image.open(io.BytesIO(bytes(png))).convert("L"), dtype=float)
    ink_mm2 = (255 - pixels).sum() / 255 / 100**2

    assert ink_mm2 == pytest.approx(outline.region.area, rel=0.001)


# --- what is refused ---

REFUSED = {
    "a text": (a_drawing("<text>AQ</text>"), "a <text> element"),
    "an image": (a_drawing('<image href="x.png"/>'), "a <image> element"),
    "a script": (a_drawing("<script>1</script>"), "a <script> element"),
    "a style sheet": (a_drawing("<style>path{}</style>"), "a <style> element"),
    "a link": (a_drawing(f'<a><path d="{SQUARE}"/></a>'), "a <a> element"),
    "a copy": (a_drawing('<use href="#a"/>'), "a <use> element"),
    "foreign things": (a_drawing('<b xmlns="http://www.w3.org/1999/xhtml"/>'), "only paths are taken"),
    "a transform": (a_drawing(f'<path transform="scale(2)" d="{SQUARE}"/>'), "the attribute 'transform'"),
    "a style": (a_drawing(f'<path style="fill:none" d="{SQUARE}"/>'), "the attribute 'style'"),
    "a stroke": (a_drawing(f'<path stroke="red" d="{SQUARE}"/>'), "the attribute 'stroke'"),
    "an event": (a_drawing(f'<path onload="x()" d="{SQUARE}"/>'), "the attribute 'onload'"),
    "another fill rule": (a_drawing(f'<path fill-rule="evenodd" d="{SQUARE}"/>'), "another fill rule"),
    "loose words": (a_drawing(f'words<path d="{SQUARE}"/>'), "words in or after <"),
    "loose words after": (a_drawing(f'<path d="{SQUARE}"/>words'), "words in or after <"),
    "a style sheet named before": (
        a_drawing(head='<?xml-stylesheet href="x.css"?>'),
        "processing instruction",
    ),
    "an entity bomb": (
        a_drawing(head='<!DOCTYPE svg [<!ENTITY a "aaaa"><!ENTITY b "&a;&a;">]>'),
        "not plain XML",
    ),
    "a file of this machine": (
        a_drawing("&f;", head='<!DOCTYPE svg [<!ENTITY f SYSTEM "file:///etc/hostname">]>'),
        "not plain XML",
    ),
    "broken XML": (b"<svg", "not plain XML"),
    "an unknown encoding": (b'<?xml version="1.0" encoding="moon"?><svg/>', "not plain XML"),
    "nothing": (b"", "not plain XML"),
    "another language": (b"<html/>", "not an SVG drawing"),
    "no path": (a_drawing("<g/>"), "it has no path"),
    "an empty path": (a_path(""), "it is empty"),
    "a path that is a line": (a_path("M 1 1 L 9 9"), "enclose nothing"),
    "a letter that is no command": (a_path("M 1 1 L 9 1 X 9 9 Z"), "a command is wanted there"),
    "a path without a first move": (a_path("L 9 1 L 9 9 Z"), "not with M x y"),
    "half a point": (a_path("M 1 1 L 9"), "can't be read"),
    "a number beyond any drawing": (a_path("M 1 1 L 9e99 1 L 9 9 Z"), "far beyond"),
    "a number beyond all numbers": (a_path("M 1 1 L 9e999 1 L 9 9 Z"), "far beyond"),
    "something beyond the view box": (a_path("M 1 1 L 29 1 L 29 9 Z"), "beyond its viewBox"),
    "no size": (a_drawing(size='version="1.1"'), "width and height in mm"),
    "a size in pixels": (a_drawing(size='width="20" height="10"'), "width and height in mm"),
    "no view box": (a_drawing(view='version="1.1"'), "width and height in mm"),
    "a view box of words": (a_drawing(view='viewBox="a b c d"'), "no number"),
    "a view box without size": (a_drawing(view='viewBox="0 0 0 10"'), "has no size"),
    "a view box without end": (a_drawing(view='viewBox="0 0 inf inf"'), "has no size"),
    "a view box of another shape": (a_drawing(view='viewBox="0 0 20 20"'), "another shape"),
    "a mark as large as a plate": (
        a_drawing(size='width="900mm" height="450mm"'),
        "its sides are not between",
    ),
    "lines that cross without end": (a_path(a_star(601, 300)), "too complex"),
    "many stars on one another": (a_drawing(f'<path d="{a_star(99, 49)}"/>' * 60), "too complex"),
    "a drawing in the drawing": (
        a_drawing('<svg width="5mm" height="5mm" viewBox="0 0 50 50"><path d="M 1 1 L 9 1 L 9 9 Z"/></svg>'),
        "inside another",
    ),
    "too many bytes": (a_drawing(" " * MOST_BYTES), "larger than"),
    "too many elements": (a_drawing(f'<path d="{SQUARE}"/>' * 600), "more than 500 elements"),
    "too deep": (a_drawing("<g>" * 8 + "</g>" * 8), "more than 500 elements or 6 levels"),
    "too many curves": (
        a_path("M 1 1" + " C 500 1 500 9 1 9 C 1 500 9 500 1 1" * 1500 + " Z"),
        "more than 50000",
    ),
}


@pytest.mark.parametrize("what", REFUSED)
def test_anything_but_plain_paths_is_refused_with_its_reason(what):
    drawing, reason = REFUSED[what]

    with pytest.raises(ArtworkRefused) as refused:
        read_artwork(drawing)

    assert reason in str(refused.value)


@given(st.binary(max_size=200))
def test_no_bytes_do_anything_but_being_refused(noise):
    with pytest.raises(ArtworkRefused):
        read_artwork(noise)


@given(st.text(alphabet="MmLlHhVvCcSsQqTtAaZz0123456789eE+-., ", max_size=60))
def test_no_path_data_does_anything_but_being_read_or_refused(data):
    try:
        outline = read_artwork(a_path(data))
    except ArtworkRefused:
        return

    assert outline.region.is_valid
    assert not outline.is_empty
