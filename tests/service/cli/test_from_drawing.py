"""`ricasso catalogue from-drawing`: what it writes, what it asks, and what it refuses in one sentence."""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from defusedxml.ElementTree import fromstring

from service.cli import from_drawing as command
from service.cli.main import run
from service.shop.catalogue import blade_in
from tests import drawings
from tests.drawings import BLADES, shape

SAID = ["--side", "mark_side", "--handle", "left"]


@pytest.fixture
def shop(tmp_path: Path) -> Path:
    (tmp_path / "shop").mkdir()
    return tmp_path / "shop"


@pytest.fixture
def chef(tmp_path: Path) -> Path:
    path = tmp_path / "chef 20.dxf"
    path.write_bytes(drawings.dxf_of_entities(BLADES["chef"]))
    return path


@pytest.fixture(autouse=True)
def _elsewhere(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("RICASSO_FIXTURES", raising=False)
    monkeypatch.chdir(tmp_path)


def bring(drawing: Path, shop: Path, *more: str) -> int:
    return run(["catalogue", "from-drawing", str(drawing), "--fixtures", str(shop), *more])


def test_a_drawing_becomes_a_blades_file_and_a_picture_to_scale(chef, shop, capsys):
    code = bring(chef, shop, *SAID)

    said = capsys.readouterr().out
    text = (shop / "blades" / "chef-20.toml").read_text()
    picture = fromstring(Path("pictures/drawing.chef-20.svg").read_text())
    blade = blade_in("blades/chef-20.toml", text)
    assert code == 0
    assert "mark_side  201 mm long, 46.3 mm high; 2 keep-outs, 1 zone" in said
    assert "pictures/drawing.chef-20.svg" in said
    assert blade.name == "chef 20"
    assert blade.faces[0].handle_deg == 180
    # The sheet's millimetres are the view box's units: what is printed at 100 % is as large as the blade.
    assert picture.get("width") == f"{picture.get('viewBox').split()[2]}mm"
    words = [e.text for e in picture.iter() if e.text]
    assert {
        "23 mm",
        "about a coin",
        "200",
        "mark side: 201 mm long, 46.3 mm high, handle at the left",
    } <= set(words)


def test_the_same_drawing_gives_the_same_file(chef, shop):
    bring(chef, shop, *SAID)
    first = (shop / "blades" / "chef-20.toml").read_bytes()

    code = bring(chef, shop, *SAID, "--replace")

    assert code == 0
    assert (shop / "blades" / "chef-20.toml").read_bytes() == first


def test_both_faces_come_from_one_drawing(chef, shop, capsys):
    code = bring(chef, shop, *SAID, "--both-sides")

    blade = blade_in("blades/x.toml", (shop / "blades" / "chef-20.toml").read_text())
    mark, pile = blade.faces
    assert code == 0
    assert (mark.face, pile.face, pile.handle_deg) == ("mark_side", "pile_side", 0)
    assert pile.silhouette.bounds[0] == -mark.silhouette.bounds[2]
    assert [z.zone for z in pile.zones] == ["heel back"]
    assert pile.silhouette.covers(pile.zones[0].polygon)


def test_two_outlines_on_one_sheet_are_two_faces(tmp_path, shop):
    chef = BLADES["chef"]
    both = dataclasses.replace(
        chef,
        more={
            "OUTLINE back": shape((300, 22), (300, -24), (500, 6), (388, 22)),
            "zone rear": shape((310, -9), (350, -9), (350, 9), (310, 9)),
        },
    )
    (tmp_path / "two.dxf").write_bytes(drawings.dxf_of_entities(both))

    code = bring(
        tmp_path / "two.dxf",
        shop,
        "--side",
        "mark_side",
        "--side",
        "pile_side",
        "--handle",
        "left",
        "--handle",
        "left",
        "--edge",
        "down",
    )

    blade = blade_in("blades/x.toml", (shop / "blades" / "two.toml").read_text())
    assert code == 0
    assert [(f.face, [z.zone for z in f.zones]) for f in blade.faces] == [
        ("mark_side", ["heel"]),
        ("pile_side", ["rear"]),
    ]
    assert blade.faces[1].silhouette.bounds == pytest.approx((0, -23, 200, 23))


def test_a_product_is_written_when_it_is_named(chef, shop):
    code = bring(chef, shop, *SAID, "--sku", "AX 1", "--steel", "stainless_4116", "--finish", "satin")

    assert code == 0
    assert 'sku = "AX 1"' in (shop / "products" / "AX-1.toml").read_text()


def answering(*answers: str) -> Iterator[str]:
    yield from answers


def test_on_a_terminal_what_can_not_be_known_is_asked_once(tmp_path, shop, monkeypatch, capsys):
    (tmp_path / "oyster.dxf").write_bytes(drawings.dxf_of_the_oldest_kind(BLADES["oyster"]))
    asked: list[str] = []
    answers = answering("furlong", "mm", "mark side", "none", "left", "OY-1", "carbon_c60", "polished")

    def prompt(question: str, **_: object) -> str:
        asked.append(question.split("(", maxsplit=1)[0].strip())
        return next(answers)

    monkeypatch.setattr(command, "_can_ask", lambda: True)
    monkeypatch.setattr("typer.prompt", prompt)

    code = bring(tmp_path / "oyster.dxf", shop)

    said = capsys.readouterr().out
    assert code == 0
    assert asked == [
        "Unit",
        "Unit",
        "Which side is drawn?",
        "Where is the edge in the drawing?",
        "Where is the handle in the drawing?",
        "Sku of the product made with it",
        "Steel, as your processes name it",
        "Finish, as your processes name it",
    ]
    assert "  mm: the drawing is 78 x 28.3 mm" in said
    assert "'furlong' is none of these" in said
    assert 'finish = "polished"' in (shop / "products" / "OY-1.toml").read_text()


@pytest.mark.parametrize(
    ("writer", "blade", "more", "said"),
    [
        (
            "dxf_of_entities",
            "chef",
            [],
            "say also --side (which side is drawn), --handle (where the handle is)",
        ),
        (
            "dxf_of_entities",
            "santoku",
            SAID,
            "say also --edge (where the edge is: down, up, left, right, none)",
        ),
        ("dxf_of_entities", "chef", [*SAID, "--edge", "up"], "is the drawing upside down?"),
        (
            "dxf_of_entities",
            "chef",
            [*SAID, "--side", "pile_side"],
            "the drawing has 1 outline, and 2 sides are named",
        ),
        (
            "dxf_of_entities",
            "chef",
            [*SAID, "--edge", "north"],
            "--edge: 'north' is none of down, up, left, right, none",
        ),
        (
            "dxf_of_entities",
            "chef",
            [*SAID, "--outline", "CUT"],
            "nothing in the drawing is named 'CUT'; there are OUTLINE",
        ),
        (
            "dxf_of_entities",
            "chef",
            [*SAID, "--keep-out", "BEVEL=rust"],
            "--keep-out: 'rust' is none of hole, pivot",
        ),
        ("dxf_of_entities", "chef", [*SAID, "--steel", "x"], "--steel and --finish belong to a product"),
        ("dxf_of_entities", "chef", [*SAID, "--sku", "x"], "a product needs --steel and --finish"),
        ("dxf_of_the_oldest_kind", "chef", SAID, "the drawing states no unit, so its size can't be known"),
        ("svg_by_svgwrite", "chef", [*SAID, "--both-sides", "--side", "pile_side"], "1 outline, and 2 sides"),
    ],
)
def test_what_is_wanting_or_wrong_is_said_in_one_line(writer, blade, more, said, tmp_path, shop, capsys):
    path = tmp_path / "drawing"
    path.write_bytes(getattr(drawings, writer)(BLADES[blade]))

    code = bring(path, shop, *more)

    message = capsys.readouterr().err
    assert code == 1
    assert said in message
    assert re.fullmatch(r"ricasso: [^\n]*\n", message)
    assert not (shop / "blades").exists()


def test_an_outline_that_crosses_itself_is_drawn_with_the_place_ringed(tmp_path, shop, capsys):
    crossed = dataclasses.replace(
        BLADES["chef"], outline=shape((0, 22), (0, -22), (150, 20), (145, -16), (201, 6)), bevel=None
    )
    (tmp_path / "crossed.svg").write_bytes(drawings.svg_by_svgwrite(crossed))

    code = bring(tmp_path / "crossed.svg", shop, *SAID, "--edge", "down")

    said = capsys.readouterr().err
    assert code == 1
    assert "the outline crosses itself at (" in said
    assert "(drawn in pictures/drawing.crossed.svg)" in said
    assert "crosses itself" in Path("pictures/drawing.crossed.svg").read_text()


def test_a_file_that_is_there_is_not_overwritten_unless_that_is_said(chef, shop, capsys):
    bring(chef, shop, *SAID)
    (shop / "blades" / "chef-20.toml").write_text("mended by hand")

    code = bring(chef, shop, *SAID)

    assert code == 1
    assert "is there already; say --replace" in capsys.readouterr().err
    assert (shop / "blades" / "chef-20.toml").read_text() == "mended by hand"


def test_without_a_shop_of_ones_own_nothing_is_written(chef, tmp_path, capsys):
    nowhere = run(["catalogue", "from-drawing", str(chef), *SAID])
    missing = bring(chef, tmp_path / "nowhere", *SAID)

    said = capsys.readouterr().err
    assert (nowhere, missing) == (1, 1)
    assert "say which folder your shop is in: --fixtures DIR" in said
    assert "nowhere: no such folder" in said


def test_a_unit_that_was_mistaken_shows_in_the_size(chef, shop, capsys):
    code = bring(chef, shop, *SAID, "--unit", "in")

    said = capsys.readouterr().out
    assert code == 0
    assert "mark_side  5105 mm long, 1177 mm high" in said
    assert "5105 mm is an unusual length for a blade: is the unit right? (--unit)" in said
