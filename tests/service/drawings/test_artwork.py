"""Drawings as marks of the library: fills, strokes as areas, white, and the finest places measured."""

from __future__ import annotations

import io
import math
import shutil
from pathlib import Path

import ezdxf
import numpy as np
import pytest
import resvg_py
from PIL import Image
from typer.testing import CliRunner

from layout.check.feasibility import check
from layout.drawing.strokes import DrawingRefused
from layout.marks.artwork import read_artwork
from layout.marks.frames import AIR, _largest
from layout.shop.findings import Verdict
from layout.shop.inscriptions import MonogramInscription
from service.cli.main import app
from service.drawings.artwork import Wanted, box_of, take
from service.shop.catalogue import default_folder, load


def svg(content: str, style: str = "") -> bytes:
    return (
        '<svg xmlns="http://www.w3.org/2000/svg" width="20mm" height="20mm" viewBox="0 0 20 20">'
        f"<style>{style}</style>{content}</svg>"
    ).encode()


def dxf() -> bytes:
    drawing = ezdxf.new(units=4)
    space = drawing.modelspace()
    space.add_lwpolyline([(0, 0), (10, 0), (10, 10), (0, 10)], close=True)
    space.add_circle((5, 5), 3)
    space.add_line((0, 12), (10, 12))
    written = io.StringIO()
    drawing.write(written)
    return written.getvalue().encode()


@pytest.mark.parametrize(
    ("content", "area"),
    [
        # Areas by hand: a frame with mitred corners, round and square ends, a bevelled corner.
        (
            '<rect x="2" y="2" width="16" height="16" fill="none" stroke="#000" stroke-width="2"/>',
            18**2 - 14**2,
        ),
        ('<path d="M5 10H15" stroke="black" stroke-width="2" stroke-linecap="round"/>', 20 + math.pi),
        ('<path d="M5 10H15" stroke="black" stroke-width="2" stroke-linecap="square"/>', 24),
        ('<path d="M5 10H15" stroke="black" stroke-width="2"/>', 20),
        ('<path d="M5 5H15V15" fill="none" stroke="red" stroke-width="2" stroke-linejoin="bevel"/>', 39.5),
        ('<path d="M5 5H15V15" fill="none" stroke="red" stroke-width="2"/>', 40),
        ('<g stroke="black" style="stroke-width:1"><path d="M5 5H15"/></g>', 10),
        ('<g transform="scale(2)"><path d="M1 5H6" stroke="black" stroke-width="1"/></g>', 20),
        ('<circle cx="10" cy="10" r="5"/><circle cx="10" cy="10" r="3" fill="white"/>', 16 * math.pi),
        ('<path d="M2 2H12V12H2ZM5 5H9V9H5Z"/>', 100),  # both ways round alike: nonzero fills the hole
        ('<path fill-rule="evenodd" d="M2 2H12V12H2ZM5 5H9V9H5Z"/>', 84),
    ],
)
def test_ink_covers_what_svg_says_it_does(content: str, area: float) -> None:
    assert take(svg(content), Wanted()).outline.region.area == pytest.approx(area, abs=0.01)


def test_style_sheets_count_between_attributes_and_style() -> None:
    styled = svg(
        '<path class="thick" stroke-width="9" d="M5 5H15"/>'
        '<path class="thick" style="stroke-width:1" d="M5 9H15"/>',
        style="path{stroke:black} .thick{stroke-width:2} #other{stroke:none}",
    )

    assert take(styled, Wanted()).outline.region.area == pytest.approx(30, abs=0.001)


def test_a_mark_looks_as_an_independent_reader_draws_the_drawing() -> None:
    """Source: resvg, a general renderer of SVG, which shares nothing with what is tested."""
    content = (
        '<g stroke="#333" stroke-width="1.5" fill="none" stroke-linejoin="round" stroke-linecap="round">'
        '<path d="M4 16C2 6 14 2 17 4S12 18 4 16Z"/><path d="M4 16L14 6"/></g>'
        '<ellipse cx="8" cy="12" rx="3" ry="1.2" transform="rotate(-40 8 12)"/>'
        '<use href="#dot" x="3" y="1"/><defs><circle id="dot" cx="2" cy="2" r="1.4" fill="#123"/></defs>'
    )
    taken = take(svg(content), Wanted())

    drawn, ours = (_dark(text) for text in (svg(content).decode(), taken.svg))

    assert ours / drawn == pytest.approx(1, abs=0.004)


def _dark(text: str) -> float:
    """The dark area in mm², at 40 dots to the millimetre."""
    text = text.replace('mm"', 'mm" ', 1)
    png = bytes(resvg_py.svg_to_bytes(svg_string=text, dpi=round(40 * 25.4), background="white"))
    dots = np.asarray(Image.open(io.BytesIO(png)).convert("L"), dtype=float)
    return float((255 - dots).clip(0, 255)[dots < 128].size) / 1600


def test_finest_places_are_measured_as_they_were_drawn() -> None:
    content = (
        '<rect x="2" y="2" width="6" height="16"/><rect x="8.4" y="2" width="6" height="16"/>'
        '<path d="M14 10H18" stroke="black" stroke-width="0.3"/>'
    )
    taken = take(svg(content), Wanted())

    assert taken.gap_mm == pytest.approx(0.4, rel=0.02)
    assert taken.stroke_mm == pytest.approx(0.3, rel=0.02)
    assert take(svg(content), Wanted(width_mm=8)).gap_mm == pytest.approx(0.2, rel=0.02)


def test_what_comes_out_is_read_back_by_the_library() -> None:
    taken = take(svg('<path d="M5 5H15V15" fill="none" stroke="red"/>'), Wanted(width_mm=12))

    assert read_artwork(taken.svg.encode()) == taken.outline
    assert taken.size_mm[0] == pytest.approx(12, abs=0.001)


def test_lines_of_a_dxf_need_a_width_where_they_are_open() -> None:
    with pytest.raises(DrawingRefused, match="1 lines are open"):
        take(dxf(), Wanted())

    filled = take(dxf(), Wanted(line_mm=0.5)).outline.region.area
    lines = take(dxf(), Wanted(line_mm=0.5, as_lines=True)).outline.region.area

    end = math.pi * 0.25**2
    assert filled == pytest.approx(100 - 9 * math.pi + 5 + end, abs=0.02)
    assert lines == pytest.approx(20 - 4 * (0.25**2 - end / 4) + 3 * math.pi + 5 + end, abs=0.02)


@pytest.mark.parametrize(
    ("content", "said"),
    [
        ('<path d="M5 5H15" fill="none"/>', "nothing of the drawing is inked"),
        ('<rect x="1" y="1" width="9" height="9" fill="white"/>', "nothing of the drawing is inked"),
        ('<path d="M5 5H15" stroke="black" stroke-width="thick"/>', "no length"),
    ],
)
def test_what_can_be_no_mark_is_refused_with_the_reason(content: str, said: str) -> None:
    with pytest.raises(DrawingRefused, match=said):
        take(svg(content), Wanted())


def test_the_command_shows_a_mark_and_adds_it_when_told_to(tmp_path: Path) -> None:
    folder = tmp_path / "shop"
    shutil.copytree(default_folder(), folder, ignore=shutil.ignore_patterns("__pycache__", "*.py"))
    drawing = tmp_path / "oak leaf.svg"
    drawing.write_bytes(svg('<path d="M3 10Q10 2 17 10Q10 18 3 10Z"/><path d="M3 10H15" stroke="#fff"/>'))
    words = ["catalogue", "artwork", str(drawing), "--width", "8", "--fixtures", str(folder)]
    words += ["--out", str(tmp_path / "pictures")]

    shown = CliRunner().invoke(app, words)
    added = CliRunner().invoke(app, [*words, "--add"])
    again = CliRunner().invoke(app, [*words, "--add"])

    assert shown.exit_code == added.exit_code == 0, shown.output + added.output
    assert "finest stroke" in (tmp_path / "pictures" / "mark.oak-leaf.svg").read_text(encoding="utf-8")
    assert 'artwork = "oak-leaf"' in shown.output and "zone       chef-20, heel: from" in shown.output
    mark = load(folder).artworks["oak-leaf"]
    assert mark.outline.bounds_mm[2] - mark.outline.bounds_mm[0] == pytest.approx(8, abs=0.001)
    assert again.exit_code != 0


RING = '<circle cx="10" cy="10" r="9" fill="none" stroke="black" stroke-width="1"/>'


def test_a_frame_s_initials_go_into_the_largest_box_that_it_leaves_free() -> None:
    """A ring's is the square in its inner circle, by hand: r = 8.5 less the air, a side of r times the root
    of 2. Brackets leave what lies between them, though neither encloses anything."""
    brackets = (
        '<path d="M6 2H2V18H6M14 2H18V18H14" fill="none" stroke="black" stroke-width="1" '
        'stroke-linejoin="miter"/>'
    )
    air = AIR * 19
    square = (8.5 - air) * math.sqrt(2)

    x0, y0, x1, y1 = box_of(take(svg(RING), Wanted()))

    assert x1 - x0 == pytest.approx(square, abs=0.25) == y1 - y0
    assert (x0 + x1) / 2 == pytest.approx(9.5, abs=0.15) == (y0 + y1) / 2
    x0, y0, x1, y1 = box_of(take(svg(brackets), Wanted()))
    air = AIR * 17
    assert (x1 - x0, y1 - y0) == pytest.approx((15 - 2 * air, 15 - 2 * air), abs=0.25) or (
        x1 - x0,
        y1 - y0,
    ) == pytest.approx((8 - 2 * air, 17 - 2 * air), abs=0.25)


@pytest.mark.parametrize("seed", range(6))
def test_the_box_is_the_largest_of_all_on_the_grid(seed: int) -> None:
    inside = np.random.default_rng(seed).random((9, 11)) > 0.25
    every = [
        (r1 - r0) * (c1 - c0)
        for r0 in range(9)
        for r1 in range(r0 + 1, 10)
        for c0 in range(11)
        for c1 in range(c0 + 1, 12)
        if inside[r0:r1, c0:c1].all()
    ]

    area, (row0, column0, row1, column1) = _largest(inside)

    assert area == max(every) == (row1 - row0) * (column1 - column0)
    assert inside[row0:row1, column0:column1].all()


def test_a_frame_without_room_is_asked_about_and_a_box_beside_it_refused() -> None:
    full = take(svg('<rect x="2" y="2" width="16" height="16"/>'), Wanted())

    with pytest.raises(DrawingRefused, match="say where they go"):
        box_of(full)
    with pytest.raises(DrawingRefused, match="inside the frame: x from 0 to 16"):
        box_of(full, (2, 2, 18, 4))
    assert box_of(full, (2, 2, 6, 6)) == (2, 2, 6, 6)


def test_a_frame_comes_in_by_the_command_and_takes_initials(tmp_path: Path) -> None:
    folder = tmp_path / "shop"
    shutil.copytree(default_folder(), folder, ignore=shutil.ignore_patterns("__pycache__", "*.py"))
    drawing = tmp_path / "hoop.svg"
    drawing.write_bytes(svg(RING))
    words = ["catalogue", "artwork", str(drawing), "--use", "frame", "--add", "--fixtures", str(folder)]
    words += ["--out", str(tmp_path / "pictures")]

    added = CliRunner().invoke(app, words)
    wrong = CliRunner().invoke(app, [*words, "--name", "other", "--initials", "1,2,3"])

    assert added.exit_code == 0, added.output
    assert "initials   in the box" in added.output and "zone       chef-20, heel: from" in added.output
    assert "initials" in (tmp_path / "pictures" / "mark.hoop.svg").read_text(encoding="utf-8")
    assert wrong.exit_code != 0
    shop = load(folder)
    assert shop.artworks["hoop"].initials_box_mm is not None
    sku = next(p.sku for p in shop.products.values() if p.blade == "chef-20")
    font = shop.blades["chef-20"].faces[0].zone("heel").fonts[0]
    checked = check(shop, sku, [MonogramInscription("heel", "WB", font, frame="hoop")])
    assert checked.verdict is not Verdict.REFUSE, checked.findings


def test_a_small_round_hole_is_a_gap() -> None:
    holed = '<path d="M2 2H18V18H2Z"/><circle cx="10" cy="10" r="0.2" fill="#fff"/>'

    assert take(svg(holed), Wanted()).gap_mm == pytest.approx(0.4, rel=0.02)
    assert take(svg(RING), Wanted()).gap_mm == pytest.approx(17, rel=0.01)


def test_a_narrow_gap_between_two_rings_is_found_beside_wide_ones() -> None:
    rings = '<g fill="none" stroke="#000">{}{}</g>'.format(
        '<circle cx="10" cy="10" r="9" stroke-width="1"/>',
        '<circle cx="10" cy="10" r="7.5" stroke-width="0.4"/>',
    )
    taken = take(svg(rings), Wanted())

    assert taken.gap_mm == pytest.approx(0.8, rel=0.02)  # from 8.5 to 7.7
    assert taken.stroke_mm == pytest.approx(0.4, rel=0.02)
