"""`ricasso catalogue plate`: from a plate to its slots, what seats there, and the file that proves it."""

from __future__ import annotations

import math
from pathlib import Path

import pytest
import svgwrite
from shapely import affinity

from service.cli import plates as command
from service.cli.main import run
from service.drawings.plates import readings_in
from service.shop.catalogue import load, troubles_in


@pytest.fixture
def shop(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.delenv("RICASSO_FIXTURES", raising=False)
    monkeypatch.chdir(tmp_path)
    assert run(["init", "shop"]) == 0
    return tmp_path / "shop"


def plate(*said: str) -> int:
    return run(["catalogue", "plate", *said, "--fixtures", "shop"])


GRID = ["grid", "heads-b", "--size", "330,220", "--around", "hatchet", "--columns", "2", "--rows", "2",
        "--first", "14,60", "--pitch", "156,106"]  # fmt: skip


def test_a_plate_of_pockets_seats_the_blade_it_was_made_for_and_not_its_mirror_image(shop, capsys):
    assert plate(*GRID) == 0
    assert plate("seats", "heads-b") == 0
    said = capsys.readouterr().out
    assert "hatchet, mark side: handle at the bottom, 0.30 mm of room all round" in said
    assert "hatchet, pile side: does not go in" in said
    assert "nothing is written" in said
    assert "[[seat]]" not in (shop / "plates/heads-b.toml").read_text()

    assert plate("seats", "heads-b", "--yes") == 1
    assert "no shape says how high" in capsys.readouterr().err
    assert plate("seats", "heads-b", "--yes", "--height", "22") == 0
    assert plate("seats", "heads-b", "--yes", "--height", "22") == 0  # once more: nothing new

    assert "the file has it so (off by 0.00 mm)" in capsys.readouterr().out
    assert (shop / "plates/heads-b.toml").read_text().count("[[seat]]") == 1
    assert troubles_in(shop) == ()
    read = load(shop)
    body = read.blades["hatchet"].face("mark_side").silhouette
    for slot in read.plates["heads-b"].slots:
        (seat,) = slot.seats
        unit = affinity.rotate(body, seat.pose.turn_deg, origin=(0, 0))
        unit = affinity.translate(unit, seat.pose.x_mm, seat.pose.y_mm)
        assert slot.outline.covers(unit)
        assert slot.outline.boundary.distance(unit) > 0.29


def test_the_file_is_held_against_the_shapes(shop, capsys):
    assert plate(*GRID) == 0
    assert plate("seats", "heads-b", "--yes", "--height", "22") == 0
    path = shop / "plates/heads-b.toml"
    path.write_text(path.read_text().replace("pose = { x_mm = 0,", "pose = { x_mm = 3,"))
    capsys.readouterr()

    assert plate("seats", "heads-b") == 0

    assert "the file has it 3.0 mm from there" in capsys.readouterr().out


def test_a_plate_comes_from_the_drawing_it_was_milled_by(shop, capsys, tmp_path):
    drawing = svgwrite.Drawing(str(tmp_path / "nest.svg"), size=("330mm", "220mm"), viewBox="0 0 330 220")
    drawing.add(drawing.rect((0, 0), (330, 220), id="plate"))
    for number, (x, y, turn) in enumerate([(16, 160, 0), (314, 60, 180)], start=1):
        pocket = drawing.polygon([(0, -21), (41, -20), (130, -37), (138, 0), (129, 47), (41, 21), (0, 21)])
        pocket.attribs["id"] = f"slot-{number}"
        pocket.translate(x, y)
        pocket.rotate(turn)
        drawing.add(pocket)
    for at in [(6, 6), (324, 6), (165, 214)]:
        drawing.add(drawing.circle(at, 2, class_="marks"))
    drawing.save()

    assert plate("from-drawing", "nest.svg") == 0

    assert "the slots are one shape to within 0.0" in capsys.readouterr().out
    assert plate("from-drawing", "nest.svg") == 1  # it is there already
    assert plate("seats", "nest", "--yes", "--height", "20") == 0
    assert plate("from-drawing", "nest.svg", "--replace", "--slots", "pockets") == 1
    assert "nothing in the drawing is named 'pockets'" in capsys.readouterr().err


def test_slots_lie_where_the_pointer_met_them(shop, capsys, tmp_path):
    """Read at a station where the plate lies at -160, -110, turned by 0.4 degrees; slot 2 is 0.5 mm off."""
    cos, sin = math.cos(math.radians(0.4)), math.sin(math.radians(0.4))
    lines = ["what,point,x,y"]

    def met(what: str, number: int, x: float, y: float) -> None:
        lines.append(f"{what},{number},{-160 + cos * x - sin * y:.4f},{-110 + sin * x + cos * y:.4f}")

    for number, (x, y) in enumerate([(6, 6), (314, 6), (160, 214)], start=1):
        met("mark", number, x, y)
    for number, (x, y) in enumerate([(-4, -48), (142, -48), (142, 40), (-4, 40)], start=1):
        met("2", number, 168.5 + x, 62 + y)
    Path("readings.csv").write_text("\n".join(lines))
    before = (shop / "plates/heads.toml").read_text()

    assert plate("measure", "heads", "readings.csv", "--station", "bench") == 0
    said = capsys.readouterr().out
    assert "slot 2: x 168.5, y 62, turn 0; 0.500 mm and 0.000 degrees from the file" in said
    assert "not measured, left as they are: 1, 3, 4" in said
    assert (shop / "plates/heads.toml").read_text() == before
    assert plate("measure", "heads", "readings.csv", "--station", "bench", "--write") == 0

    after = (shop / "plates/heads.toml").read_text()
    assert '["2", 168.5, 62, 0],' in after
    assert after.split("slots = [")[0] == before.split("slots = [")[0]
    assert troubles_in(shop) == ()
    assert plate("measure", "heads", "readings.csv", "--station", "elsewhere") == 1


def test_a_plate_is_proven_by_a_file_of_its_own(shop, capsys):
    assert plate("proof", "heads-1", "--process", "ground-bench", "--out", "proof") == 0

    (written,) = Path("proof").iterdir()
    assert written.name.startswith("PLATE-PROOF-heads-1-")
    assert "never a product" in capsys.readouterr().out
    for said, why in [
        (["proof", "heads-9", "--process", "ground-bench"], "no plate copy 'heads-9'; there are heads-1"),
        (["proof", "heads-1", "--process", "x"], "no process 'x'"),
        (
            ["proof", "heads-1", "--process", "ground-bench", "--format", "pdf"],
            "bench reads svg, dxf, not pdf",
        ),
    ]:
        assert plate(*said) == 1
        assert why in capsys.readouterr().err


def test_on_a_terminal_a_person_says_in_which_way_a_unit_is_laid(shop, capsys, monkeypatch):
    (shop / "blades/bar.toml").write_text(
        'blade = "bar"\nname = "Bar"\n[[face]]\nface = "mark_side"\nhandle_deg = 180\n'
        'silhouette = { rect = [0, -10, 60, 10] }\n[[face.zone]]\nzone = "flat"\n'
        'polygon = { rect = [5, -8, 55, 8] }\nbaseline = [[5, 0], [55, 0]]\nkinds = ["text"]\n'
        'fonts = "all"\nmax_lines = 1\nmin_height_mm = 2\nmax_height_mm = 8\n'
    )
    assert plate("grid", "bars", "--size", "200,100", "--slot", "0,0,60.4,20.4", "--first", "20,20") == 0
    monkeypatch.setattr(command, "_can_ask", lambda: True)
    monkeypatch.setattr("typer.prompt", lambda text, **_: 9.5 if "high" in text else 1)

    assert plate("seats", "bars", "--blade", "bar") == 0

    said = capsys.readouterr().out
    assert "goes in 2 ways, so that somebody can lay it the wrong way: handle at the" in said
    assert "height_mm = 9.5" in (shop / "plates/bars.toml").read_text()


@pytest.mark.parametrize(
    ("said", "why"),
    [
        (["grid", "p", "--size", "9", "--slot", "0,0,1,1"], "--size: '9': 2 numbers are wanted"),
        (["grid", "p", "--size", "90,90"], "say the slots' rectangle"),
        (["grid", "p", "--size", "90,90", "--around", "axe"], "no blade 'axe'; there are hatchet"),
        (["seats", "none"], "no plate 'none' there"),
        (["seats", "heads", "--blade", "axe"], "no blade 'axe'"),
        (["seats", "heads", "--holds", "half"], "'half' is none of unit, face"),
    ],
)
def test_what_is_wrong_is_said_in_one_line(said, why, shop, capsys):
    assert plate(*said) == 1

    error = capsys.readouterr().err
    assert why in error
    assert error.count("\n") == 1


def test_readings_may_have_decimal_commas_and_a_line_of_headings():
    readings = readings_in("what;point;x;y\nmark;1;12,5;-3\nA1;2;4;5,25\n")

    assert readings.marks == {1: (12.5, -3.0)}
    assert readings.slots == {"A1": {2: (4.0, 5.25)}}
