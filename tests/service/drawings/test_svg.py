"""SVG drawings: shapes, transforms and frames by their definition, and what can't be read."""

from __future__ import annotations

import math

import numpy as np
import pytest

from layout.drawing.strokes import DrawingRefused
from service.drawings import read_drawing


def strokes(content: str, head: str = "width='100mm' height='100mm' viewBox='0 0 100 100'"):
    return read_drawing(f"<svg xmlns='http://www.w3.org/2000/svg' {head}>{content}</svg>".encode()).strokes


def box_of(content: str, head: str = "width='100mm' height='100mm' viewBox='0 0 100 100'") -> list[float]:
    """x0, y0, x1, y1 with y down, as the file has them."""
    points = np.concatenate([s.points for s in strokes(content, head)])
    (x0, y0), (x1, y1) = points.min(axis=0), points.max(axis=0)
    return [float(round(v, 3)) + 0.0 for v in (x0, -y1, x1, -y0)]


@pytest.mark.parametrize(
    ("content", "box"),
    [
        ("<rect x='10' y='20' width='30' height='5'/>", [10, 20, 40, 25]),
        ("<rect x='10' y='20' width='30' height='10' rx='4'/>", [10, 20, 40, 30]),
        ("<rect x='10%' y='20mm' width='1cm' height='10px'/>", [10, 75.591, 47.795, 85.591]),
        ("<circle cx='50' cy='50' r='10'/>", [40, 40, 60, 60]),
        ("<ellipse cx='50' cy='50' rx='20' ry='5'/>", [30, 45, 70, 55]),
        ("<ellipse cx='50' cy='50' rx='20' ry='5' transform='rotate(90 50 50)'/>", [45, 30, 55, 70]),
        ("<polygon points='1,2 3,4 5,0'/>", [1, 0, 5, 4]),
        ("<line x1='1' y1='2' x2='9' y2='3'/>", [1, 2, 9, 3]),
        ("<path d='m 10 10 h 20 v 10 z m 5 5 l 1 1'/>", [10, 10, 30, 20]),
        ("<path d='M 0 50 A 50 50 0 0 1 100 50'/>", [0, 0, 100, 50]),
        ("<path d='M 0 50 A 50 50 0 0 0 100 50'/>", [0, 50, 100, 100]),
        # Radii too small for the ends are grown until they reach (SVG 1.1, F.6.6).
        ("<path d='M 0 50 A 5 5 0 0 1 100 50'/>", [0, 0, 100, 50]),
        ("<path d='M 10 0 Q 20 20 30 0 T 50 0'/>", [10, -10, 50, 10]),
        (
            "<g transform='translate(10)'><g transform='scale(2,3)'><rect width='5' height='5'/></g></g>",
            [10, 0, 20, 15],
        ),
        ("<rect width='10' height='10' transform='skewX(45)'/>", [0, 0, 20, 10]),
        ("<rect width='10' height='10' transform='matrix(0 1 -1 0 50 0)'/>", [40, 0, 50, 10]),
        ("<rect width='10' height='10' style='transform: translate(5px, 5px)'/>", [5, 5, 15, 15]),
        ("<defs><rect id='r' width='4' height='4'/></defs><use href='#r' x='3' y='6'/>", [3, 6, 7, 10]),
        (
            "<svg x='10' y='10' width='20' height='40' viewBox='0 0 10 10'><rect width='10' "
            "height='10'/></svg>",
            [10, 20, 30, 40],
        ),
        (
            "<svg x='10' y='10' width='20' height='40' viewBox='0 0 10 10' preserveAspectRatio='none'>"
            "<rect width='10' height='10'/></svg>",
            [10, 10, 30, 50],
        ),
        (
            "<symbol id='s' viewBox='0 0 2 2'><rect width='2' height='2'/></symbol>"
            "<use href='#s' x='5' y='5' width='10' height='20'/>",
            [5, 10, 15, 20],
        ),
        ("<clipPath><rect width='90' height='90'/></clipPath><rect width='5' height='5'/>", [0, 0, 5, 5]),
        ("<g display='none'><rect width='90' height='90'/></g><rect width='5' height='5'/>", [0, 0, 5, 5]),
    ],
)
def test_shapes_lie_where_the_recommendation_puts_them(content, box):
    assert box_of(content) == pytest.approx(box, abs=0.002)


def test_a_view_box_moves_and_scales():
    head = "width='50mm' height='50mm' viewBox='-100 -100 200 200'"

    assert box_of("<rect x='-100' y='-100' width='20' height='40'/>", head) == [0, 0, 5, 10]


def test_a_large_arc_is_met_to_a_micrometre():
    """The back of a blade has radii of half a metre, where one Bézier curve for a quarter is off by 0.14
    mm."""
    (arc,) = strokes("<path d='M 0 0 A 500 500 0 0 1 500 500'/>")

    radius = np.hypot(arc.points[:, 0], arc.points[:, 1] + 500)

    assert np.abs(radius - 500).max() < 0.001


def test_names_are_label_id_classes_and_the_groups_around():
    (one,) = strokes(
        "<g id='steel' class='metal'><path id='p' class='cut main' xmlns:k='urn:k' k:label='outline' "
        "d='M0 0H5V5Z'/></g>"
    )

    assert one.names == ("outline", "p", "cut", "main", "steel", "metal")


def test_a_path_that_goes_on_after_its_end_begins_again_where_it_began():
    first, second = strokes("<path d='M 10 10 h 5 v 5 z l -5 -5'/>")

    assert first.closed
    assert second.points.tolist() == [[10, -10], [5, -5]]


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (
            "<path id='back' d='M 0 0 L L 5 5'/>",
            "<path> 'back': the path can't be read: L has none, and takes 2 numbers at a time: 'L L 5 5'",
        ),
        ("<path d='0 0 L 5 5'/>", "begins with '0 0 L 5 5', not with M x y"),
        ("<path d='M 0 0 L 5;5'/>", "L has 1, and takes 2 numbers"),
        ("<path d='M 0 0 C 1 2 3 4 5 6 7'/>", "C has 7, and takes 6 numbers at a time"),
        ("<path d='M 0 0 X 5 5'/>", "'X 5 5': a command is wanted there"),
        ("<polygon points='1 2 3'/>", "no pairs of numbers"),
        ("<circle r='0'/>", "radii above 0"),
        ("<rect width='-1' height='4'/>", "above 0"),
        ("<rect width='4em' height='4'/>", "width is '4em', which is no length"),
        ("<g transform='spin(3)'><rect width='4' height='4'/></g>", "its transform can't be read: 'spin(3)'"),
        ("<use href='#nowhere'/>", "refers to 'nowhere', which is not in the drawing"),
        ("<g id='a'><use href='#a'/></g>", "leads back to itself"),
        ("<text>words</text>", "there is no line in the drawing (left out: 1 <text>)"),
        ("<svg viewBox='0 0 0 5'/>", "is no box"),
    ],
)
def test_what_can_not_be_read_is_named(content, said):
    with pytest.raises(DrawingRefused) as caught:
        strokes(content)

    assert said in str(caught.value)


@pytest.mark.parametrize(
    "data",
    [
        b"<svg><g></svg>",
        b"<html></html>",
        b"no drawing at all",
        b"",
        b"0\nSECTION\n2\nENTITIES\n0\nLINE\n",
        b'<!DOCTYPE svg [<!ENTITY a "aaaa"><!ENTITY b "&a;&a;">]><svg xmlns="http://www.w3.org/2000/svg">&b;</svg>',
        b'<!DOCTYPE svg [<!ENTITY a SYSTEM "file:///etc/passwd">]><svg xmlns="http://www.w3.org/2000/svg">&a;</svg>',
    ],
)
def test_what_is_no_drawing_is_refused(data):
    with pytest.raises(DrawingRefused):
        read_drawing(data)


def test_transforms_are_applied_from_the_inside_out():
    (one,) = strokes("<line x2='10' transform='translate(50 50) rotate(30) scale(2)'/>")

    end = one.points[-1]

    assert end == pytest.approx([50 + 20 * math.cos(math.radians(30)), -50 - 20 * math.sin(math.radians(30))])
