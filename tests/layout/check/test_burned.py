"""Marks as burned: hairlines by their centre lines, and what closes, is lost or comes out bolder."""

from __future__ import annotations

import gc
import math
import random
import weakref
from collections import Counter
from dataclasses import replace

import pytest
import shapely
from shapely import affinity
from shapely.geometry import LineString, Point, box

from layout.burn.as_burned import as_burned, centre_lines, nothing_lost_from_mm, worst_burned
from layout.check.burned_findings import Burned, burned_findings, letter_shape
from layout.check.burned_letters import (
    Remembered,
    Shape,
    burned_letter,
    certainly_fine,
    fill_keeps_openings,
    keeps_apart,
)
from layout.lettering.fonts import open_font
from layout.lettering.typeset import compose
from layout.marks.blocks import text_block
from layout.shop.findings import Verdict, verdict_of
from layout.shop.stations import Process
from tests.bench.bench_marks import LETTERS, a_letter, a_shape, vanished_accepted
from tests.bench.bench_marks import a_process as a_recipe
from tests.layout.made_up import checked, codes, the_shop, without_centre_lines, words

LINE = 0.052
FACES = ("cinzel-semibold", "great-vibes", "playfair-bold", "lato-bold", "garamond-bold")


def a_process(**changes: object) -> Process:
    """Satin at the north station: a line of 0.052 mm, an edge allowance of 0.02 mm, an edge line."""
    return replace(the_shop().processes["satin-north"], **changes)  # type: ignore[arg-type]


def test_a_hairline_is_burned_by_its_centre_line_and_nothing_of_it_is_lost() -> None:
    hairline = box(0.0, 0.0, 3.0, 0.03)

    burned = as_burned([hairline], [], a_process())

    assert burned.lost == ()
    length = sum(line.length for line in burned.centre_lines)
    assert length == pytest.approx(3.0, abs=0.1)
    assert all(abs(y - 0.015) < 0.004 for line in burned.centre_lines for _, y in line.coords[1:-1])
    assert burned.shape.buffer(0.002).covers(hairline)


def test_a_crossbar_between_two_stems_is_burned_by_its_centre_line() -> None:
    stems = box(0.0, 0.0, 0.3, 2.0).union(box(1.3, 0.0, 1.6, 2.0))
    crossbar = box(0.2, 1.0, 1.4, 1.03)

    burned = as_burned([stems.union(crossbar)], [], a_process())

    assert burned.lost == () and burned.shape.buffer(0.002).covers(crossbar)
    assert centre_lines([stems.union(crossbar)], a_process()) == burned.centre_lines != ()
    old = a_process(centre_line_passes=0)
    assert "part_lost" in burned_letter(Shape((stems.union(crossbar),)), old, open_lines=0.5).faults


def test_a_stroke_with_room_for_fill_gets_no_centre_line() -> None:
    assert centre_lines([box(0.0, 0.0, 3.0, 0.3)], a_process()) == ()


def test_a_stroke_that_narrows_gets_a_centre_line_where_fill_ends_and_the_two_meet() -> None:
    narrowing = box(0.0, -0.15, 1.0, 0.15).union(box(1.0, -0.015, 3.0, 0.015))

    burned = as_burned([narrowing], [], a_process())

    assert burned.lost == () and burned.shape.geom_type == "Polygon"
    assert min(x for line in burned.centre_lines for x, _ in line.coords) < 1.03


def test_without_an_edge_line_what_rows_can_miss_gets_a_centre_line_too() -> None:
    stroke = [box(0.0, 0.0, 3.0, 0.06)]

    with_edge = centre_lines(stroke, a_process())
    without = centre_lines(stroke, a_process(edge_line=False, edge_allowance_mm=0.025))

    assert with_edge == () and without != ()


def test_a_process_whose_card_shows_no_isolated_lines_burns_none_and_keeps_the_old_rule() -> None:
    old = without_centre_lines()

    assert centre_lines([box(0.0, 0.0, 3.0, 0.03)], old.processes["satin-north"]) == ()
    asked = words("Grandpa", font="great-vibes", height_mm=4.0)
    assert "stroke_too_thin" in codes(checked(asked, shop=old))
    assert checked(asked).verdict is Verdict.ACCEPT


@pytest.mark.parametrize(("gap", "fault"), [(0.0115, True), (0.03, False)])
def test_parts_of_a_letter_that_come_together_are_a_closed_slit(gap: float, fault: bool) -> None:
    bars = (box(0.0, 0.0, 1.0, 0.3), box(0.0, 0.3 + gap, 1.0, 0.6 + gap))

    faults = burned_letter(Shape(bars), a_process(), open_lines=0.5).faults

    assert ("slit_closed" in faults) is fault


@pytest.mark.parametrize(("radius", "fault"), [(0.015, True), (0.1, False)])
def test_a_counter_of_which_too_little_stays_open_is_closed(radius: float, fault: bool) -> None:
    ring = Point(0, 0).buffer(0.3).difference(Point(0, 0).buffer(radius))

    faults = burned_letter(Shape((ring,)), a_process(), open_lines=0.5).faults

    assert ("counter_closed" in faults) is fault


def test_a_counter_between_hairlines_closes_sooner_than_one_between_strokes() -> None:
    def ring(stroke: float) -> Shape:
        return Shape((Point(0, 0).buffer(0.03 + stroke).difference(Point(0, 0).buffer(0.03)),))

    process = a_process()

    assert "counter_closed" in burned_letter(ring(0.01), process, open_lines=0.5).faults
    assert burned_letter(ring(0.2), process, open_lines=0.5).faults == frozenset()


def test_a_counter_that_is_open_by_a_hair_closes_like_a_whole_one() -> None:
    whole = Point(0, 0).buffer(0.04).difference(Point(0, 0).buffer(0.02))
    nearly = Shape((whole.difference(box(0.0, -0.003, 1.0, 0.003)),))

    assert "counter_closed" in burned_letter(nearly, a_process(), open_lines=0.5).faults
    assert not keeps_apart(nearly, LINE)


def test_of_seeded_flaws_that_a_raster_of_the_files_paths_shows_none_is_accepted() -> None:
    assert vanished_accepted(the_shop(), cases=16, seed=5) == 0


def test_an_opening_that_is_bridged_is_a_closed_slit() -> None:
    arc = Point(0, 0).buffer(0.5, quad_segs=32).difference(Point(0, 0).buffer(0.3, quad_segs=32))

    def open_by(gap: float) -> Shape:
        return Shape((arc.difference(box(0.0, -gap / 2, 1.0, gap / 2)),))

    process = a_process()

    assert "slit_closed" in burned_letter(open_by(0.011), process, open_lines=0.5).faults
    assert burned_letter(open_by(0.06), process, open_lines=0.5).faults == frozenset()


def test_a_loop_of_a_single_line_font_can_close_too() -> None:
    loop = LineString(Point(0, 0).buffer(0.03).exterior.coords)

    faults = burned_letter(Shape((), (loop,)), a_process(), open_lines=0.5).faults

    assert faults == {"counter_closed"}


@pytest.mark.parametrize("name", ["lato-bold", "great-vibes", "dancing-bold"])
def test_letters_that_certainly_are_fine_have_no_fault_when_burned(name: str) -> None:
    font = open_font(the_shop().fonts[name])
    certain = []
    for number, letter in enumerate("BeKaRstWg&8oQ4"):
        (cluster,) = compose([letter], font).clusters
        (glyph,) = cluster.glyphs
        process = list(the_shop().processes.values())[number % len(the_shop().processes)]
        size = 1.6 + 0.37 * number
        if certainly_fine(font, glyph.gid, size, process, open_lines=0.5):
            certain.append(letter)
            shape = letter_shape(font, cluster, size)
            assert not burned_letter(shape, process, open_lines=0.5).faults, (letter, size, process.process)

    assert len(certain) > 2


def test_how_letters_are_burned_is_what_burning_them_makes() -> None:
    chance, seen = random.Random(20), Counter[str]()

    for _ in range(80):
        process = a_recipe(the_shop(), chance)
        areas = a_shape(the_shop(), chance, process).areas
        burned = as_burned(areas, (), process)
        how = worst_burned(areas, process)
        seen[how] += 1
        assert (how == "lost") == bool(burned.lost)
        assert how == "lost" or (how == "lined") == bool(burned.centre_lines)

    assert min(seen.values()) > 4 and len(seen) == 3


def test_of_strokes_that_certainly_have_a_centre_line_nothing_is_lost() -> None:
    """A bar between two stems, turned anyhow: of thinner ones something can be lost."""
    chance, thinner = random.Random(5), Counter[str]()
    processes = [process for process in the_shop().processes.values() if process.burns_centre_lines]

    def burned(process: Process, stroke_mm: float) -> str:
        line = process.line_width_mm
        stems = box(-2 * line, -line, 2 * line, 3 * line).union(box(6 * line, -line, 8 * line, line))
        bar = box(0.0, -stroke_mm / 2, 8 * line, stroke_mm / 2)
        return worst_burned([affinity.rotate(stems.union(bar), chance.uniform(0, 360))], process)

    for _ in range(60):
        process = chance.choice(processes)
        enough = nothing_lost_from_mm(process)
        assert burned(process, enough * 1.02) == "lined"
        thinner[burned(process, enough * chance.uniform(0.1, 0.5))] += 1

    assert thinner["lost"] > 0
    assert nothing_lost_from_mm(a_process(centre_line_passes=0)) == math.inf
    assert nothing_lost_from_mm(a_process(edge_allowance_mm=0.045)) == math.inf


def test_a_letter_that_keeps_its_openings_by_bounds_keeps_them_when_burned() -> None:
    """What is not looked at more closely: letters that fill alone burns, and letters that half a line around
    all of them leaves open."""
    chance, filled, apart = random.Random(21), 0, 0

    for _ in range(160):
        process = a_recipe(the_shop(), chance)
        font, cluster = a_letter(the_shop().fonts[chance.choice(FACES)], chance.choice(LETTERS))
        size = chance.uniform(1.2, 4.0)
        (glyph, *others), shape = cluster.glyphs, letter_shape(font, cluster, size)
        by_bounds = not others and fill_keeps_openings(font, glyph.gid, size, process, open_lines=0.5)
        is_filled = by_bounds and worst_burned(shape.areas, process) == "filled"
        is_apart = keeps_apart(shape, process.line_width_mm, is_fine_filled=by_bounds)
        filled, apart = filled + is_filled, apart + is_apart
        if is_filled or is_apart:
            faults = burned_letter(shape, process, open_lines=0.5).faults
            allowed = frozenset[str]() if is_filled else {"part_lost", "counter_closed"}
            assert faults <= allowed, (font.spec.name, cluster, size, process.process)

    assert filled > 20 and apart > 20


@pytest.mark.parametrize(
    ("letter", "size", "recipe"), [("Ş", 1.29, "satin-north"), ("G", 2.198817155002279, "walnut-north")]
)
def test_no_centre_line_crosses_what_is_open(letter: str, size: float, recipe: str) -> None:
    """Both have an opening between middle lines, which the Voronoi diagram joins across it."""
    process = the_shop().processes[recipe]
    shape = letter_shape(*a_letter(the_shop().fonts["great-vibes"], letter), size)

    lines = centre_lines(shape.areas, process)

    assert lines
    drawn = shapely.union_all(shape.areas).buffer(0.05 * process.line_width_mm)
    assert drawn.covers(shapely.multilinestrings(list(lines)))
    assert burned_letter(shape, process, open_lines=0.5).faults == frozenset()


def test_an_opening_that_a_hairline_bridges_is_not_taken_for_one_that_stays() -> None:
    """Half a line all around leaves next to nothing of it; but thick strokes hardly grow, and it becomes a
    hole as wide as a line."""
    stems = box(-2, -2, 3.3, 0).union(box(-2, 0, 0, 1.95)).union(box(1.3, 0, 3.3, 1.3))
    bowl = Shape((affinity.scale(stems.union(box(0, 1.75, 3.3, 1.95)), LINE, LINE, origin=(0, 0)),))

    assert burned_letter(bowl, a_process(), open_lines=0.5).faults == {"slit_closed"}
    assert not keeps_apart(bowl, LINE)


def test_what_is_burned_is_an_area_whatever_a_union_leaves() -> None:
    """Of this letter GEOS 3.14 leaves a line of no length, too."""
    process, size = the_shop().processes["satin-south"], 1.6606194776160024
    shape = letter_shape(*a_letter(the_shop().fonts["cinzel-semibold"], "D"), size)

    burned = as_burned(shape.areas, shape.strokes, process)

    assert {part.geom_type for part in shapely.get_parts(burned.shape)} == {"Polygon"}
    assert burned_letter(shape, process, open_lines=0.5).faults <= {"counter_closed"}


def test_a_process_that_fails_leaves_the_eligible_places() -> None:
    shop = the_shop()
    able, card = shop.processes["satin-south"], shop.processes["satin-north"].test_card
    unable = a_process(test_card=card and replace(card, isolated_lines=False))
    asked = words("Grandpa", font="great-vibes", height_mm=4.0)
    font = open_font(shop.fonts[asked.font])
    zone = shop.blades["chef-20"].face_of_zone("heel").zone("heel")
    block = text_block((asked.text,), font, zone, align="centre", text=asked.text, store=None)
    mark = Burned(asked, block, 4.0, lambda: checked(asked).marks[0].outline)

    findings, stations = burned_findings(shop.policy, mark, [unable, able])

    assert stations == {"south"}
    assert verdict_of(tuple(findings)) is Verdict.ACCEPT


def test_strokes_that_come_out_bolder_are_a_note_and_beyond_the_shops_limit_a_review() -> None:
    asked = words("Grandpa", font="great-vibes", height_mm=4.0)
    strict = replace(the_shop(), policy=replace(the_shop().policy, bolder_review=2.0))

    assert "bolder" in codes(checked(asked))
    result = checked(asked, shop=strict)
    assert "much_bolder" in codes(result) and result.verdict is Verdict.REVIEW


class _AMark:
    """Where a letter was met first: its block, its outline, all that was measured of them."""

    def letter(self) -> Shape:
        return Shape((box(0.0, 0.0, 1.0, 2.0),))


def test_what_is_remembered_of_a_letter_keeps_nothing_of_the_mark_it_was_met_in() -> None:
    mark, asked = _AMark(), 0

    def shape() -> Shape:
        nonlocal asked
        asked += 1
        return Shape((box(0.0, 0.0, 1.0, 2.0),))

    letter = Remembered("a letter met once", mark.letter, a_process())
    verdicts = letter.faults(0.5), letter.keeps_apart()
    gone = weakref.ref(mark)
    del letter, mark
    gc.collect()
    again = Remembered("a letter met once", shape, a_process())

    assert gone() is None
    assert (again.faults(0.5), again.keeps_apart()) == verdicts and asked == 0
