"""What is chosen of a drawing, which way up it stands, and what is refused because it could be read in two
ways."""

from __future__ import annotations

import numpy as np
import pytest
from shapely.geometry import Polygon

from layout.drawing.faces import Choice, DrawnFace, circle_of, faces_of, mirrored_zones, upright
from layout.drawing.strokes import Drawing, DrawingRefused, Stroke


def box(x0, y0, x1, y1, *names):
    return Stroke(
        np.array([(x0, y0), (x1, y0), (x1, y1), (x0, y1)], dtype=float), True, names, f"a box {names}"
    )


def line(*points, name):
    return Stroke(np.array(points, dtype=float), False, (name,), f"a line {name}")


def faces(*strokes, choices=()):
    return faces_of(Drawing(strokes, "mm"), choices)


BLADE = box(0, 0, 100, 30, "outline")
ZONE = box(10, 10, 60, 25, "zone heel")


def test_plain_words_are_understood():
    bevel, handle = box(-5, -5, 105, 4, "Bevel"), box(-80, 5, 0, 25, "HANDLE")
    (face,), notes = faces(
        BLADE,
        ZONE,
        bevel,
        handle,
        box(80, 10, 90, 20, "Hole 1"),
        box(65, 10, 75, 20, "maker", "stamps"),
        line((12, 15), (50, 15), name="baseline"),
    )

    assert face.silhouette.equals(Polygon([(0, 0), (100, 0), (100, 30), (0, 30)]))
    assert {(k.name, k.reason) for k in face.keep_outs} == {
        ("Hole 1", "hole"),
        ("maker", "existing_mark"),
        ("Bevel", "ground_bevel"),
    }
    assert [(z.name, z.baseline) for z in face.zones] == [("heel", ((12, 15), (50, 15)))]
    assert (face.edge, face.handle) == ("down", "left")
    assert notes == ()


def test_names_are_chosen_with_wildcards_whatever_their_case():
    (face,), notes = faces(
        box(0, 0, 100, 30, "Layer_7"),
        box(10, 10, 20, 20, "Drill-A"),
        box(40, 10, 60, 20, "text1"),
        box(1, 1, 2, 2, "x"),
        choices=[
            Choice("outline", "layer_?"),
            Choice("keep_out", "DRILL*", "pivot"),
            Choice("zone", "text1"),
        ],
    )

    assert [(k.name, k.reason) for k in face.keep_outs] == [("Drill-A", "pivot")]
    assert [z.name for z in face.zones] == ["text1"]
    assert notes == ("not used: x (1 line, 1 x 1 mm)",)


def test_a_shapes_own_name_counts_before_those_of_the_groups_around_it():
    (face,), _ = faces(
        BLADE, box(10, 10, 60, 25, "heel", "zones", "outline group"), box(70, 5, 90, 25, "tip", "zones")
    )

    assert [z.name for z in face.zones] == ["heel", "tip"]


def test_what_is_ignored_is_gone_and_not_called_unused():
    _, notes = faces(BLADE, ZONE, box(0, 40, 100, 60, "frame"), choices=[Choice("ignore", "frame")])

    assert notes == ()


def test_a_name_that_is_not_there_is_refused_with_those_that_are():
    with pytest.raises(
        DrawingRefused, match=r"named 'CUT'; there are outline \(1 line, 100 x 30 mm\), zone heel \(1"
    ):
        faces(BLADE, ZONE, choices=[Choice("outline", "CUT")])


def test_one_name_for_two_things_is_refused():
    with pytest.raises(DrawingRefused, match="is chosen as hole and as zone by its name 'part'"):
        faces(BLADE, box(1, 1, 9, 9, "part"), choices=[Choice("hole", "part"), Choice("zone", "p*")])


def test_where_nothing_is_named_as_the_outline_the_names_are_listed():
    with pytest.raises(
        DrawingRefused, match=r"which of the drawing's names is the outline\? There are A \(1 line, 100 x 30"
    ):
        faces(box(0, 0, 100, 30, "A"), box(1, 1, 9, 9, "B"))


def test_a_drawing_of_one_name_is_an_outline_with_holes_and_that_is_said():
    (face,), notes = faces(box(0, 0, 100, 30, "0"), box(10, 10, 20, 20, "0"), box(40, 10, 50, 20, "0"))

    assert [k.reason for k in face.keep_outs] == ["hole", "hole"]
    assert [k.name for k in face.keep_outs] == ["hole 1", "hole 2"]
    assert "nothing is named as the outline" in notes[0]
    assert "2 shapes inside the outline: taken as holes" in notes[1]


def test_two_outlines_are_two_faces_from_left_to_right_each_with_its_own_parts():
    (left, right), _ = faces(
        box(200, 0, 300, 30, "outline"),
        BLADE,
        ZONE,
        box(210, 10, 240, 20, "zone heel"),
        box(280, 5, 290, 15, "hole"),
    )

    assert left.silhouette.bounds[0] == 0
    assert [z.name for z in left.zones] == ["heel"]
    assert [z.name for z in right.zones] == ["heel 2"]
    assert len(right.keep_outs) == 1 and not left.keep_outs


@pytest.mark.parametrize(
    ("stroke", "said"),
    [
        (box(200, 10, 220, 20, "zone far"), "zone far .* lies beside the outline"),
        (box(200, 10, 220, 20, "hole"), "hole .* lies beside the outline"),
        (box(-80, 5, -10, 25, "handle"), "does not touch the outline"),
        (line((200, 0), (220, 0), name="baseline"), "baseline lies in no zone"),
        (line((12, 12), (30, 12), name="baseline"), "zone heel has two baselines"),
    ],
)
def test_parts_that_belong_nowhere_are_refused_with_their_place(stroke, said):
    with pytest.raises(DrawingRefused, match=said) as caught:
        faces(BLADE, ZONE, line((12, 15), (50, 15), name="baseline one"), stroke)

    assert caught.value.places


def test_without_a_zone_the_whole_face_is_one_and_that_is_said():
    (face,), notes = faces(BLADE)

    assert face.zones[0].polygon.bounds == (1.5, 1.5, 98.5, 28.5)
    assert notes == ("no zone is drawn: the whole face, 1.5 mm from its edge, was taken as one",)


# --- which way up ---


LYING, STANDING, SQUARE = (100, 30), (30, 100), (60, 60)


@pytest.mark.parametrize(
    ("size", "edge", "handle", "turn", "handle_after"),
    [
        # Knives, long towards their handle: the edge comes to lie down.
        (LYING, "down", "left", 0, "left"),
        (LYING, "down", "right", 0, "right"),
        (LYING, "up", "left", 180, "right"),
        (STANDING, "left", "down", 90, "right"),
        (STANDING, "right", "down", 270, "left"),
        # No edge, or one at the tip: the handle comes to lie at the left.
        (LYING, None, "left", 0, "left"),
        (LYING, None, "right", 180, "left"),
        (STANDING, None, "down", 270, "left"),
        (STANDING, None, "up", 90, "left"),
        (LYING, "right", "left", 0, "left"),
        (STANDING, "up", "down", 270, "left"),
        # Heads, long from poll to edge, or about square: as they are drawn.
        (LYING, "right", "down", 0, "down"),
        (STANDING, "down", "left", 0, "left"),
        (SQUARE, "right", "down", 0, "down"),
    ],
)
def test_a_face_is_turned_as_such_things_are_looked_at(size, edge, handle, turn, handle_after):
    width, height = size
    (face,), _ = faces(box(0, 0, width, height, "outline"), box(5, 5, width - 5, height - 8, "zone heel"))

    standing, turned = upright(face, edge, handle)

    x0, y0, x1, y1 = standing.silhouette.bounds
    assert (turned, standing.handle) == (turn, handle_after)
    handle_end, middle = {
        "left": (x0, y0 + y1),
        "right": (x1, y0 + y1),
        "down": (y0, x0 + x1),
        "up": (y1, x0 + x1),
    }[handle_after]
    assert handle_end == pytest.approx(0)
    assert middle == pytest.approx(0)
    assert standing.silhouette.covers(standing.zones[0].polygon)
    (ax, ay), (bx, by) = standing.zones[0].baseline
    assert bx > ax
    assert ay == pytest.approx(by)


def test_the_drawings_own_origin_can_be_kept():
    (face,), _ = faces(BLADE, ZONE)

    standing, _ = upright(face, "down", "left", keep_origin=True)

    assert standing.silhouette.bounds == (0, 0, 100, 30)


@pytest.mark.parametrize(
    ("edge", "handle", "said"),
    [
        (
            "up",
            "left",
            "the edge is said to point up, and the drawing has it down: is the drawing upside down?",
        ),
        (
            "down",
            "right",
            "the handle is said to point right, and the drawing has it left: is the drawing the wrong way",
        ),
        ("left", "left", "the edge is said to point left, and the drawing has it down"),
    ],
)
def test_what_is_said_against_the_drawing_is_refused(edge, handle, said):
    (face,), _ = faces(BLADE, ZONE, box(-5, -5, 105, 4, "bevel"), box(-80, 5, 0, 25, "handle"))

    with pytest.raises(DrawingRefused) as caught:
        upright(face, edge, handle)

    assert said in str(caught.value)


def test_words_run_to_the_right_whichever_way_their_line_was_drawn():
    (face,), _ = faces(BLADE, ZONE, line((50, 15), (30, 16), (12, 15), name="baseline"))

    standing, _ = upright(face, "down", "left")

    xs = [x for x, _ in standing.zones[0].baseline]
    assert xs == sorted(xs)


def test_the_other_sides_zones_are_mirrored_and_have_names_of_their_own():
    face = DrawnFace(
        BLADE and Polygon([(0, 0), (100, 0), (100, 30), (0, 30)]), zones=faces(BLADE, ZONE)[0][0].zones
    )
    standing, _ = upright(face, "down", "left", keep_origin=True)

    (back,) = mirrored_zones(standing, ["heel"])

    assert back.name == "heel back"
    assert back.polygon.bounds == (-60, 10, -10, 25)
    assert back.baseline == ((-60, 17.5), (-10, 17.5))


# --- circles ---


@pytest.mark.parametrize(
    ("corners", "radius", "is_round"), [(96, 3, True), (200, 4.9, True), (96, 8, False), (8, 3, False)]
)
def test_small_round_shapes_are_circles(corners, radius, is_round):
    turns = np.linspace(0, 2 * np.pi, corners + 1)[:-1]
    polygon = Polygon(np.column_stack([10 + radius * np.cos(turns), 5 + radius * np.sin(turns)]))

    circle = circle_of(polygon)

    assert (circle is not None) is is_round
    if circle is not None:
        assert circle == pytest.approx((10, 5, radius), abs=1e-9)


def test_half_a_circle_is_none():
    turns = np.linspace(0, np.pi, 90)

    assert circle_of(Polygon(np.column_stack([3 * np.cos(turns), 3 * np.sin(turns)]))) is None
