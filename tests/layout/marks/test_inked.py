"""What a drawing inks, held against areas that plane geometry gives, and against the fill rules of SVG 2
(W3C Candidate Recommendation of 2018, 13.4.2: a pentagram's middle is inside by "nonzero" and outside by
"evenodd"; 13.5: a cap adds half a width, a mitre a square corner)."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from layout.drawing.strokes import DrawingRefused, Paint, Stroke
from layout.marks.inked import finest_mm, inked

SQUARE = [(0.0, 0.0), (10.0, 0.0), (10.0, 10.0), (0.0, 10.0)]
#: Its rays are drawn in one line, as people draw it.
PENTAGRAM = [(math.sin(0.8 * math.pi * i), math.cos(0.8 * math.pi * i)) for i in range(5)]


def a_line(*points: tuple[float, float], paint: Paint, closed: bool = False) -> Stroke:
    return Stroke(np.array(points), closed, (), "path 1", paint)


def a_stroke(**how: Any) -> Paint:
    return Paint(None, line="dark", width_mm=2.0, **how)


@pytest.mark.parametrize(("cap", "area"), [("butt", 20.0), ("square", 20.0 + 4.0), ("round", 20.0 + math.pi)])
def test_a_line_covers_its_width_and_its_caps(cap: Any, area: float) -> None:
    region = inked([a_line((0, 0), (10, 0), paint=a_stroke(cap=cap))])

    assert region.area == pytest.approx(area, rel=1e-3)


@pytest.mark.parametrize(
    ("join", "area"),
    [
        ("miter", 12.0**2 - 8.0**2),
        ("round", 12.0**2 - 8.0**2 - (4 - math.pi)),
        ("bevel", 12.0**2 - 8.0**2 - 4 * 0.5),
    ],
)
def test_a_frame_has_corners_as_it_says(join: Any, area: float) -> None:
    region = inked([a_line(*SQUARE, closed=True, paint=a_stroke(join=join))])

    assert region.area == pytest.approx(area, rel=1e-3)
    assert len(region.geoms) == 1 and len(region.geoms[0].interiors) == 1


def test_the_middle_of_a_pentagram_is_inside_by_one_rule_and_outside_by_the_other() -> None:
    full = inked([a_line(*PENTAGRAM, closed=True, paint=Paint("dark", rule="nonzero"))])
    hollow = inked([a_line(*PENTAGRAM, closed=True, paint=Paint("dark", rule="evenodd"))])

    # The pentagon in the middle has the points' circumradius over the golden ratio squared.
    middle = 2.5 * math.sin(math.radians(72)) * ((math.sqrt(5) - 1) / 2) ** 4
    assert full.area - hollow.area == pytest.approx(middle, rel=1e-9)
    assert len(hollow.geoms) == 5


def test_white_takes_away_what_lies_under_it_and_not_what_comes_after() -> None:
    hole = [(4.0, 4.0), (6.0, 4.0), (6.0, 6.0), (4.0, 6.0)]
    dot = [(4.5, 4.5), (5.5, 4.5), (5.5, 5.5), (4.5, 5.5)]
    painted = [
        a_line(*each, closed=True, paint=Paint(ink))  # type: ignore[arg-type]
        for each, ink in ((SQUARE, "dark"), (hole, "light"), (dot, "dark"))
    ]

    assert inked(painted).area == pytest.approx(100 - 4 + 1)
    assert inked([painted[0], painted[2], painted[1]]).area == pytest.approx(100 - 4)


def test_a_drawing_without_ink_is_refused() -> None:
    with pytest.raises(DrawingRefused, match="neither a fill nor a stroke"):
        inked([a_line(*SQUARE, closed=True, paint=Paint("light"))])


def test_the_finest_of_a_comb_are_its_teeth_and_the_gaps_between_them() -> None:
    teeth = [
        a_line((0.7 * i, 0), (0.7 * i, 5), paint=Paint(None, line="dark", width_mm=0.3)) for i in range(3)
    ]
    back = a_line((-0.15, 5), (1.55, 5), paint=a_stroke())

    stroke, gap = finest_mm(inked([*teeth, back]))

    assert stroke == pytest.approx(0.3, abs=0.01) and gap == pytest.approx(0.4, abs=0.01)
