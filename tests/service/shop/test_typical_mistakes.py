"""Mistakes that makers make when they describe their shop, each planted and each answered in one sentence.

The list is this project's own: made by hand while a shop was described from nothing (common practice, no
source). Each answer names the file and, where there is one, the line; says what stands there; and says what
would be right.
"""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import pytest
from defusedxml.ElementTree import fromstring
from typer.testing import CliRunner

from service.cli.catalogue import app
from service.cli.main import run
from service.shop.catalogue import default_folder, parse, read, troubles_in

CHEF, PRODUCTS, POLICY, LONG = (
    "blades/chef-20.toml",
    "products/products.toml",
    "policy/policy.toml",
    "plates/long.toml",
)
SILHOUETTE = (
    "M 0 22 L 0 -22.6 C 0 -23.5 0.6 -24 1.6 -24 C 50 -25 105 -24 145 -16 C 170 -11 188 -3 201 6 "
    "C 175 15 135 21 88 22 Z"
)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    shutil.copytree(default_folder(), tmp_path / "shop", ignore=shutil.ignore_patterns("__pycache__"))
    return tmp_path / "shop"


def edit(folder: Path, file: str, old: str, new: str, *, everywhere: bool = False) -> None:
    text = (folder / file).read_text()
    assert old in text, (file, old)
    (folder / file).write_text(text.replace(old, new, -1 if everywhere else 1))


def scaled(path: str, x: float, y: float) -> str:
    """Path data of absolute commands with pairs of numbers, scaled."""
    numbers = iter(re.findall(r"-?\d+(?:\.\d+)?|[A-Z]", path))
    out: list[str] = []
    turn = 0
    for token in numbers:
        if token.isalpha():
            out.append(token)
            turn = 0
        else:
            out.append(f"{float(token) * (x if turn % 2 == 0 else y):.6f}")
            turn += 1
    return " ".join(out)


def whole_blade_scaled(text: str, factor: float) -> str:
    """Every shape of a blade's file, in another unit."""

    def numbers(match: re.Match[str]) -> str:
        return re.sub(r"-?\d+(?:\.\d+)?", lambda n: f"{float(n[0]) * factor:.4f}", match[0])

    return re.sub(r'(?<=path = )"[^"]*"|(?:circle|rect) = \[[^\]]*\]|baseline = \[\[.*\]\]', numbers, text)


MISTAKES = {
    "a letter too many in a key": (
        lambda f: edit(f, CHEF, "silhouette = {", "sillhouette = {"),
        [
            f"{CHEF}:8: face[0].sillhouette: no such key; did you mean 'silhouette'?",
        ],
    ),
    "an outline in inches, its zones in millimetres": (
        lambda f: edit(f, CHEF, SILHOUETTE, scaled(SILHOUETTE, 1 / 25.4, 1 / 25.4)),
        [
            f"{CHEF}:8: mark_side.silhouette: zone spine, edge bevel and maker's stamp miss the outline "
            "(7.9 x 1.8 mm); "
            "in inches it would be 201 x 46.3 mm, and they fit: is the outline drawn in inches?"
        ],
    ),
    "one whole blade in px": (
        lambda f: (f / CHEF).write_text(whole_blade_scaled((f / CHEF).read_text(), 96 / 25.4)),
        [
            f"{LONG}:6: slot_outline: blade 'chef-20' is 1248 x 175 mm, far larger than the slots that "
            "take it "
            "(334 x 49 mm); in px (96 to the inch) it would be 330 x 46.3 mm: is it drawn in that?"
        ],
    ),
    "half of an outline turned over": (
        lambda f: edit(
            f,
            CHEF,
            "C 175 15 135 21 88 22 Z",
            "C 175 -15 135 -21 88 -22 Z",
        ),
        [f"{CHEF}:8: face[0].silhouette: it crosses itself at (108, -21.2)"],
    ),
    "a whole outline upside down": (
        lambda f: edit(f, CHEF, SILHOUETTE, scaled(SILHOUETTE, 1, -1)),
        [
            f"{CHEF}:8: mark_side.silhouette: edge bevel misses the outline (201 x 46.3 mm); it fits "
            "upside down: does its y "
            "run down, as in SVG files? Turn every y round, or bring the drawing in by `ricasso "
            "catalogue from-drawing`"
        ],
    ),
    "a blade that is called otherwise": (
        lambda f: edit(f, PRODUCTS, 'blade = "chef-20"', 'blade = "chef20"'),
        [
            f"{PRODUCTS}:7: AQ-CHEF-20.blade: no blade 'chef20'; did you mean 'chef-20'? There are "
            "chef-20, cheese-14, "
            "hori-18, oyster-8, grafting-7, paring-9-bare, paring-9, santoku-17"
        ],
    ),
    "one sku in two files": (
        lambda f: (f / "products/summer.toml").write_text(
            '[[product]]\nsku = "AQ-SANT-17"\nname = "Santoku"\nblade = "santoku-17"\n'
            'material = "stainless_4116"\nfinish = "satin"\n'
        ),
        ["products/summer.toml:2: AQ-SANT-17: 'AQ-SANT-17' stands in products/products.toml already"],
    ),
    "hours as people say them": (
        lambda f: edit(f, POLICY, 'monday = ["08:00-16:30"]', 'monday = ["8-16.30"]'),
        [f"{POLICY}:17: shifts[0].hours.monday[0]: '8-16.30' is no part of a day: write 08:00-16:30"],
    ),
    "a broken path": (
        lambda f: edit(f, CHEF, "M 0 22 L 0 -22.6 C", "M 0 22 L L 0 -22.6 C"),
        [
            f"{CHEF}:8: face[0].silhouette: the path can't be read: L has none, and takes 2 numbers at a "
            "time: "
            "'L L 0 -22.6 C 0 -23.5 0....'"
        ],
    ),
    "a wrong check digit": (
        lambda f: edit(f, PRODUCTS, "2700010000103", "2700010000107"),
        [
            f"{PRODUCTS}:6: AQ-CHEF-20.barcodes: barcode 2700010000107 has a wrong check digit: it ends "
            "in 7, and 3 belongs "
            "there (2700010000103)"
        ],
    ),
    "a drawing among the blades": (
        lambda f: (f / "blades/axe.svg").write_text("<svg/>"),
        ["blades/axe.svg: not read: drawings come in by `ricasso catalogue from-drawing axe.svg`"],
    ),
    "a decimal comma": (
        lambda f: edit(f, CHEF, "min_height_mm = 1.8", "min_height_mm = 1,8"),
        [f"{CHEF}:29: write 1.8, not 1,8"],
    ),
    "words without quotes": (
        lambda f: edit(f, CHEF, 'blade = "chef-20"', "blade = chef-20"),
        [f'{CHEF}:2: words stand in quotes: blade = "chef-20"'],
    ),
    "quotes of a word processor": (
        lambda f: edit(f, CHEF, 'blade = "chef-20"', "blade = “chef-20”"),
        [f'{CHEF}:2: write straight quotes: blade = "chef-20"'],
    ),
    "a colon for the equals sign": (
        lambda f: edit(f, CHEF, "min_height_mm = 1.8", "min_height_mm: 1.8"),
        [f"{CHEF}:29: a key and its value have = between them: min_height_mm = 1.8"],
    ),
    "a bracket too few": (
        lambda f: edit(f, CHEF, "baseline = [[", "baseline = ["),
        [f"{CHEF}:25: there are 2 of [ and 3 of ]: baseline = [4, 2], [74, 2]]"],
    ),
    "one key twice": (
        lambda f: edit(
            f, POLICY, 'monday = ["08:00-16:30"]', 'monday = ["08:00-16:30"]\nmonday = ["08:00-16:30"]'
        ),
        [f"{POLICY}:18: monday stands twice (also in line 17)"],
    ),
    "a file saved in another encoding": (
        lambda f: (f / CHEF).write_bytes(
            (f / CHEF).read_text().replace('name = "', 'name = "Größe ').encode("latin-1")
        ),
        [f"{CHEF}:3: a letter in it is not UTF-8: save the file as UTF-8"],
    ),
    "a slot without its turn": (
        lambda f: edit(f, LONG, '["1", 145, 29, 0]', '["1", 145, 29]'),
        [f"{LONG}:10: slots[0][3]: a slot is its name, then where its frame lies: x, y and turn"],
    ),
    "a plate's width and height swapped": (
        lambda f: edit(f, LONG, "size_mm = [360, 300]", "size_mm = [300, 360]"),
        [
            f"{LONG}:4: size_mm: on 300 x 360 mm slots and units reach beyond the plate, and on 360 x 300 mm "
            "all of it fits: are width and height swapped?"
        ],
    ),
    "a seat for a face that is not there": (
        lambda f: edit(f, LONG, 'face = "pile_side"', 'face = "spine"'),
        [f"{LONG}:21: seat: blade 'chef-20' has no face 'spine'"],
    ),
    "a finish that no process is for": (
        lambda f: edit(f, PRODUCTS, 'finish = "satin"', 'finish = "satined"'),
        [
            f"{PRODUCTS}:9: AQ-CHEF-20.finish: no process is for stainless_4116, satined. There are "
            "processes for stainless_4116, satin; stainless_4116, stonewashed; stainless_4116, "
            "mirror; carbon_c60, polished; carbon_c60, grey_phosphate; walnut, oiled"
        ],
    ),
    "an outline mirrored": (
        lambda f: edit(f, CHEF, SILHOUETTE, scaled(SILHOUETTE, -1, 1)),
        [
            f"{CHEF}:8: mark_side.silhouette: zone heel, zone spine and edge bevel miss the outline "
            "(201 x 46.3 mm); it fits the other way round: is it drawn from the other side?"
        ],
    ),
}


@pytest.mark.parametrize("mistake", MISTAKES)
def test_a_mistake_gets_one_sentence_that_says_where_and_what_would_be_right(mistake, folder):
    make, said = MISTAKES[mistake]

    make(folder)

    assert [str(trouble) for trouble in troubles_in(folder)] == said


def test_a_shape_that_crosses_itself_is_drawn_with_the_places_ringed(folder, tmp_path):
    MISTAKES["half of an outline turned over"][0](folder)

    result = CliRunner().invoke(app, ["check", "--fixtures", str(folder), "--out", str(tmp_path / "p")])

    (line,) = result.output.splitlines()
    picture = tmp_path / "p" / "wrong.chef-20.face[0].silhouette.svg"
    assert line.endswith(f"(drawn in {picture})")
    assert fromstring(picture.read_text()).tag.endswith("svg")


def test_serve_with_a_broken_shop_says_one_mistake_a_line(folder, tmp_path, capsys):
    edit(folder, CHEF, "min_height_mm = 1.8", "min_height_mm = 1,8")
    edit(folder, PRODUCTS, "2700010000103", "2700010000107")

    code = run(["serve", "--port", "0", "--fixtures", str(folder), "--data", str(tmp_path / "data")])

    assert code == 1
    assert capsys.readouterr().err.splitlines() == [
        "ricasso: the shop's description is refused:",
        f"  {CHEF}:29: write 1.8, not 1,8",
        f"  {PRODUCTS}:6: AQ-CHEF-20.barcodes: barcode 2700010000107 has a wrong check digit: it ends in "
        "7, and 3 belongs there "
        "(2700010000103)",
    ]


@pytest.mark.parametrize(
    ("setting", "value", "said"),
    [
        ("RICASSO_FIXTUERS", "/shop", "RICASSO_FIXTUERS: no such setting; did you mean 'RICASSO_FIXTURES'?"),
        ("RICASSO_LOG_LEVEL", "LOUD", "RICASSO_LOG_LEVEL: 'LOUD' is none of DEBUG, INFO, WARNING, ERROR"),
        ("RICASSO_LEASE_SECONDS", "soon", "RICASSO_LEASE_SECONDS: 'soon' is no whole number"),
        ("RICASSO_LEASE_SECONDS", "5", "RICASSO_LEASE_SECONDS: '5' must be at least 30"),
    ],
)
def test_a_wrong_setting_is_named_with_what_would_be_right(
    setting, value, said, monkeypatch, capsys, tmp_path
):
    monkeypatch.setenv(setting, value)

    code = run(["serve", "--port", "0", "--data", str(tmp_path)])

    message = capsys.readouterr().err
    assert code == 1
    assert message.startswith(f"ricasso: {said}")
    assert message.count("\n") == 1


def test_a_log_level_may_be_written_small(monkeypatch):
    from service.shop.settings import Settings

    monkeypatch.setenv("RICASSO_LOG_LEVEL", "warning")

    assert Settings().log_level == "WARNING"


def test_empty_lists_and_the_library_of_marks_may_be_left_out():
    content = {name: text for name, text in read(default_folder()).items() if not name.startswith("artwork/")}
    content[PRODUCTS] = content[PRODUCTS].replace('barcodes = ["2700010000103"]\n', "")

    shop = parse(content)

    assert shop.artworks == {}
    assert shop.products["AQ-CHEF-20"].barcodes == ()
