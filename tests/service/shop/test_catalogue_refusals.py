"""What is refused in the shop's description: with its file, its place and a reason, all in one pass."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import pytest

from service.shop.catalogue import CatalogueError, default_folder, load, parse, read, troubles_in

CONTENT = read(default_folder())


def changed(*edits: tuple[str, str, str]) -> dict[str, str]:
    """The made-up shop's files with edits (file, what stands there, what shall stand there)."""
    content = dict(CONTENT)
    for file, old, new in edits:
        assert old in content[file], (file, old)
        content[file] = content[file].replace(old, new, 1)
    return content


def troubles_of(content: dict[str, str]) -> list[str]:
    with pytest.raises(CatalogueError) as caught:
        parse(content)
    return [re.sub(r"^([^:]+):\d+:", r"\1:", str(trouble)) for trouble in caught.value.troubles]


CHEF, LONG, SANTOKU = "blades/chef-20.toml", "plates/long.toml", "blades/santoku-17.toml"
WORDS = "words/en.toml"
NORTH, PRODUCTS = "stations/north.toml", "products/products.toml"
WRONG = {
    "a product built from nothing": (
        (PRODUCTS, 'blade = "chef-20"', 'blade = "chef-20"\nbuilt_from = "AQ-NONE"'),
        f"{PRODUCTS}: AQ-CHEF-20.built_from: no product 'AQ-NONE'",
    ),
    "a product built from a finished one": (
        (PRODUCTS, 'blade = "chef-20"', 'blade = "chef-20"\nbuilt_from = "AQ-SANT-17"'),
        "AQ-SANT-17 is no bare blade",
    ),
    "a listed word without a letter": (
        (WORDS, '"zounds"', '"&!"'),
        f"{WORDS}: word_list[0].words[1]: '&!' has neither a letter nor a digit",
    ),
    "a list that is there already": (
        (WORDS, 'name = "coarse"', 'name = "derb"'),
        "'derb' stands in words/de.toml already",
    ),
    "words of no language": ((WORDS, 'language = "en"', 'language = "English!"'), f"{WORDS}: language:"),
    "no TOML": ((CHEF, 'blade = "chef-20"', "blade = "), f"{CHEF}: not TOML"),
    "a key nobody knows": (
        (CHEF, "align = ", "aligned = "),
        f"{CHEF}: face[0].zone[1].aligned: no such key; did you mean 'align'?",
    ),
    "a kind nobody knows": ((CHEF, '"monogram"', '"photo"'), f"{CHEF}: face[0].zone[0].kinds[1]:"),
    "a number that is none": (
        (CHEF, "min_height_mm = 1.8", "min_height_mm = nan"),
        f"{CHEF}: face[0].zone[0].min",
    ),
    "heights the wrong way": ((CHEF, "max_height_mm = 14", "max_height_mm = 1"), "min_height_mm is above"),
    "two shapes in one": (
        (CHEF, "circle = [10, 13, 5]", "circle = [10, 13, 5], rect = [0, 0, 1, 1]"),
        f"{CHEF}: face[0].keep_out[1].shape: give exactly one",
    ),
    "a circle without size": ((CHEF, "circle = [10, 13, 5]", "circle = [10, 13, 0]"), "radius above 0"),
    "a silhouette that crosses itself": (
        (SANTOKU, "M 0 21 L 0 -23", "M 0 21 L 300 -23"),
        f"{SANTOKU}: face[0].silhouette: it crosses itself at (80.8, -23.9) and (171.6, -4.2)",
    ),
    "a path that can't be read": ((SANTOKU, "M 0 21 L 0 -23", "M 0 21 X 0 -23"), "face[0].silhouette"),
    "a mirror of nothing": (
        (CHEF, 'mirror_of = "mark_side"', 'mirror_of = "spine"'),
        f"{CHEF}: face[1].mirror_of: no face 'spine' before this one",
    ),
    "a keep-out left out that isn't there": (
        (CHEF, '["maker\'s stamp"]', '["stamp"]'),
        "has no keep-out 'stamp'",
    ),
    "two zones of one name": ((CHEF, 'zone = "heel_back"', 'zone = "heel"'), "two zones of this blade"),
    "a face twice": ((CHEF, 'face = "pile_side"', 'face = "mark_side"'), "face 'mark_side' stands twice"),
    "a zone beside the blade": (
        (CHEF, "rect = [4, -14, 74, 20]", "rect = [4, 114, 74, 120]"),
        f"{CHEF}: mark_side.heel: the zone lies beside the blade",
    ),
    "a zone in a keep-out": (
        (CHEF, "rect = [4, -14, 74, 20]", "rect = [8, 11, 12, 15]"),
        "leave nothing of the zone",
    ),
    "a keep-out beside the blade": (
        (CHEF, "circle = [10, 13, 5]", "circle = [10, 113, 5]"),
        f"{CHEF}: mark_side.maker's stamp: the keep-out lies beside",
    ),
    "a baseline beside the zone": (
        (CHEF, "[[4, 2], [74, 2]]", "[[4, 52], [74, 52]]"),
        "the baseline lies beside",
    ),
    "a baseline without length": ((CHEF, "[[4, 2], [74, 2]]", "[[4, 2], [4, 2]]"), "two different ends"),
    "a baseline that crosses itself": (
        (CHEF, "[[4, 2], [74, 2]]", "[[4, 2], [74, 2], [74, 9], [40, -9]]"),
        "crosses",
    ),
    "an anchor beside the zone": (
        ("blades/oyster-8.toml", "anchor = [6, 0]", "anchor = [6, 50]"),
        "the anchor lies",
    ),
    "artwork along a curve": ((CHEF, 'kinds = ["text"]', 'kinds = ["text", "artwork"]'), "only text can run"),
    "a font nobody has": ((CHEF, 'fonts = "all"', 'fonts = ["copperplate"]'), "no font 'copperplate'"),
    "half a surface": ((CHEF, 'align = "start"', 'material = "brass"'), "material and finish go together"),
    "a handle apart from its blade": (
        (CHEF, "M 1 21.5 L 1 -4 L", "M -5 21.5 L -5 -4 L"),
        "does not join the silhouette",
    ),
    "a product without a blade": ((PRODUCTS, 'blade = "hori-18"', 'blade = "hori-19"'), "no blade 'hori-19'"),
    "one sku twice": ((PRODUCTS, "AQ-CHEF-20-SW", "AQ-CHEF-20"), "'AQ-CHEF-20' stands twice"),
    "one barcode twice": ((PRODUCTS, "2700010000202", "2700010000103"), "barcode 2700010000103 stands twice"),
    "a wrong check digit": ((PRODUCTS, "2700010000202", "2700010000203"), "wrong check digit"),
    "a surface without a process": (
        (PRODUCTS, 'finish = "stonewashed"', 'finish = "etched"'),
        "AQ-CHEF-20-SW.finish: no process is for stainless_4116, etched. There are processes for",
    ),
    "a plate with one slot twice": (
        (LONG, '["2", 145', '["1", 145'),
        f"{LONG}: slots: slot '1' stands twice",
    ),
    "a seat for no blade": (
        (LONG, 'blade = "chef-20"', 'blade = "chef-21"'),
        f"{LONG}: seat: no blade 'chef-21'",
    ),
    "a seat for no face": (
        (LONG, 'face = "pile_side"', 'face = "spine"'),
        "blade 'chef-20' has no face 'spine'",
    ),
    "two seats in one": ((LONG, 'face = "pile_side"', 'face = "mark_side"'), "has two seats in a slot"),
    "units that touch": (
        (LONG, '["2", 145, 78, 0]', '["2", 145, 50, 0]'),
        "units in slots '1' and '2' would touch",
    ),
    "a unit beyond the plate": (
        (LONG, '["1", 145, 29, 0]', '["1", 45, 29, 0]'),
        f"{LONG}: slot 1: 'chef-20' with its mark_side up reaches beyond the plate",
    ),
    "fiducials in one line": (
        (LONG, "[[6, 150], [354, 8], [354, 292], [6, 292]]", "[[6, 6], [20, 20], [50, 50]]"),
        f"{LONG}: fiducials: all fiducials lie in one line",
    ),
    "fiducials in one place": (
        (LONG, "[354, 292], [6, 292]", "[6, 292], [6, 292]"),
        "two fiducials in one place",
    ),
    "a fiducial beside the plate": ((LONG, "[354, 8]", "[364, 8]"), "a fiducial lies beside the plate"),
    "a fiducial outside the field": (
        ("plates/small.toml", "[90, 6]", "[9, 6]"),
        "outside the field of station 'south'",
    ),
    "a plate that the field does not reach": (
        (NORTH, "bare = [-162, -148, 0]", "bare = [160, -148, 0]"),
        "plates/bare.toml: slots: zone 'ricasso' lies outside the field of station 'north' (24 slots: L1, ",
    ),
    "one copy of two plates": ((LONG, '"long-2"', '"bare-1"'), "'bare-1' is the name of two copies"),
    "a station for no plate": ((NORTH, "garden = ", "orchard = "), f"{NORTH}: plates.orchard: no such plate"),
    "a layer for no process": (
        (NORTH, "walnut-north", "teak-north"),
        f"{NORTH}: layers.teak-north: no such process",
    ),
    "one layer for two": (
        (NORTH, '"STONEWASHED"', '"DEEP-SATIN"'),
        "layer 'DEEP-SATIN' stands for two processes",
    ),
    "one colour for two": ((NORTH, '"#12507a"', '"#7a3b12"'), "colour '#7a3b12' stands for two processes"),
    "a process for no station": (
        ("processes/south.toml", 'station = "south"', 'station = "west"'),
        "no station 'west'",
    ),
    "two processes for one surface": (
        ("processes/north.toml", 'finish = "stonewashed"', 'finish = "satin"'),
        "'satin-north' is for the same station, material and finish",
    ),
    "a line finer than the spot": (
        ("processes/south.toml", "line_width_mm = 0.032", "line_width_mm = 0.01"),
        "a line can't be finer than the spot",
    ),
    "a day that never was": (
        ("processes/south.toml", "2026-09-02", "2026-02-30"),
        "process[0].test_card.date",
    ),
    "another font than the pinned": (
        ("fonts/fonts.toml", '"8a0aace7', '"8a0aace8'),
        "font[0]: fontpkg_lato/files",
    ),
    "a font that isn't installed": (
        ("fonts/fonts.toml", "fontpkg_lato", "fontpkg_nowhere"),
        "is not installed",
    ),
    "a font outside its wheel": (
        ("fonts/fonts.toml", "files/Lato-Bold.ttf", "../Lato-Bold.ttf"),
        "inside its wheel",
    ),
    "an axis out of range": (
        ("fonts/fonts.toml", "wght = 600, opsz = 14", "wght = 6000, opsz = 14"),
        "axis 'wght' goes",
    ),
    "an axis left open": (
        ("fonts/fonts.toml", "wght = 600, opsz = 14", "wght = 600"),
        "['opsz'] need a fixed value",
    ),
    "an axis that isn't there": (
        ("fonts/fonts.toml", "wght = 600, opsz = 14", "wght = 600, opsz = 14, SLNT = 1"),
        "no axis",
    ),
    "a drawing that isn't there": (
        ("artwork/artwork.toml", "leaf.svg", "oak.svg"),
        "no file artwork/oak.svg",
    ),
    "a drawing nobody lists": (
        ("artwork/artwork.toml", 'file = "leaf.svg"', 'file = "star.svg"'),
        "artwork/leaf.svg: no entry of the library's list names this drawing",
    ),
    "a drawing with more than paths": (
        ("artwork/leaf.svg", "<path", "<rect/><path"),
        "artwork/leaf.svg: a <rect> element",
    ),
    "a frame without a box": (
        ("artwork/artwork.toml", 'use = "symbol"', 'use = "frame"'),
        "has initials_box_mm",
    ),
    "a box beside its frame": (
        ("artwork/artwork.toml", "[4.6, 5.6, 15.4, 14.4]", "[4.6, 5.6, 35.4, 14.4]"),
        "does not lie inside",
    ),
    "stock of no product": (
        ("stock/bins.toml", '"AQ-SANT-17"', '"AQ-SANT-18"'),
        "bin[2].boxed: no product 'AQ-SANT-18'",
    ),
    "one bin twice": (("stock/bins.toml", 'bin = "A2"', 'bin = "A1"'), "bin 'A1' stands twice"),
    "two bins in one place": (
        ("stock/bins.toml", "walking_order = 20", "walking_order = 10"),
        "the same place on the way",
    ),
    "less than no stock": (
        ("stock/bins.toml", "= 14 }", "= -1 }"),
        "stock/bins.toml: bin[0].boxed.AQ-CHEF-20",
    ),
    "a single-line font that isn't there": (
        ("fonts/fonts.toml", '"futural"', '"futuristic"'),
        "HersheyFonts/futuristic is not installed",
    ),
    "a single-line font with axes": (
        ("fonts/fonts.toml", 'file = "futural"', 'file = "futural"\naxes = { wght = 400 }'),
        "a single-line font has no axes",
    ),
    "one font twice": (
        ("fonts/fonts.toml", 'font = "inter-semibold"', 'font = "lato-bold"'),
        "font[1].font: 'lato-bold' stands twice",
    ),
    "one mark twice": (
        ("artwork/artwork.toml", 'artwork = "star"', 'artwork = "leaf"'),
        "artwork[2].artwork: 'leaf' stands twice",
    ),
    "one kind twice": (
        (CHEF, '["text", "monogram",', '["text", "text",'),
        "kinds: the same thing stands twice",
    ),
    "a baseline in two pieces": (
        (CHEF, "M 82 14.5 C", "M 82 14.5 L 90 14.4 M 92 14.4 C"),
        "zone[1]: the path draws 2 lines; one is wanted",
    ),
    "a silhouette in two pieces": (
        (SANTOKU, "100 21.4 70 21.4 Z", "100 21.4 70 21.4 Z M 300 0 L 310 0 L 310 9 Z"),
        "face[0].silhouette: the path draws 2 closed shapes; one is wanted",
    ),
    "a face both mirrored and drawn": (
        (CHEF, 'mirror_of = "mark_side"', 'mirror_of = "mark_side"\nsilhouette = { circle = [0, 0, 9] }'),
        "face[1]: give either silhouette or mirror_of",
    ),
    "a mirrored face with a handle of its own": (
        (CHEF, 'mirror_of = "mark_side"', 'mirror_of = "mark_side"\nrest_of_unit = { circle = [0, 0, 9] }'),
        "face[1]: rest_of_unit comes from the face that is mirrored",
    ),
    "a drawn face that leaves something out": (
        (SANTOKU, 'face = "handle"', 'face = "handle"\nleave_out = ["hollow 1"]'),
        "face[2]: leave_out goes with mirror_of",
    ),
    "two keep-outs of one name": (
        (CHEF, 'keep_out = "edge bevel"', 'keep_out = "maker\'s stamp"'),
        "mark_side.maker's stamp: two keep-outs of this face have this name",
    ),
    "a slot that takes nothing": (
        ("plates/bare.toml", 'blade = "paring-9-bare"', 'blade = "paring-9-bare"\nslots = ["L1"]'),
        "plates/bare.toml: slots: it takes no blade (23 slots: L2, L3, L4, L5, L6, L7, ...)",
    ),
    "a process of another station": (
        (NORTH, "[layers]", '[layers]\nsatin-south = { layer = "X", colour = "#000000" }'),
        "layers.satin-south: this process belongs to station 'south'",
    ),
    "a station without a layer for its process": (
        ("stations/south.toml", 'satin-south = { layer = "FINE-SATIN", colour = "#5b2a86" }', ""),
        "satin-south: station 'south' names no layer for it",
    ),
}


@pytest.mark.parametrize("wrong", WRONG)
def test_a_wrong_file_is_refused_with_file_place_and_reason(wrong):
    edit, expected = WRONG[wrong]

    troubles = troubles_of(changed(edit))

    assert any(expected in trouble for trouble in troubles), troubles
    assert all(
        trouble.split(":")[0].split("/")[0] in {name.split("/")[0] for name in CONTENT}
        for trouble in troubles
    )


def test_everything_wrong_in_several_files_is_said_in_one_pass():
    content = changed(
        (CHEF, "align = ", "aligned = "),
        (LONG, '["2", 145', '["1", 145'),
        (PRODUCTS, "2700010000202", "2700010000203"),
        ("stock/bins.toml", '"AQ-SANT-17"', '"AQ-SANT-18"'),
    )

    troubles = troubles_of(content)

    assert [trouble.split(":")[0] for trouble in troubles] == [CHEF, LONG, PRODUCTS, "stock/bins.toml"]


def test_a_broken_blade_is_not_said_to_be_missing_wherever_it_is_named():
    troubles = troubles_of(changed((CHEF, "circle = [10, 13, 5]", "circle = [10, 13, 0]")))

    assert troubles == [f"{CHEF}: face[0].keep_out[1].shape: a circle needs a radius above 0"]


@pytest.mark.parametrize(
    ("edit", "line", "said"),
    [
        ((CHEF, "align = ", "aligned = "), 'aligned = "start"', "did you mean 'align'?"),
        ((CHEF, "max_lines = 3", 'max_lines = "3,5"'), 'max_lines = "3,5"', "write 3.5, not 3,5"),
        ((CHEF, "max_lines = 3", "max_lines = 9"), "max_lines = 9", "9 must be at most 6"),
        ((CHEF, "max_lines = 3", "max_lines = 2.5"), "max_lines = 2.5", "2.5 is no whole number"),
        ((CHEF, "max_height_mm = 14", ""), "[[face.zone]]", "face[0].zone[0].max_height_mm: is missing"),
        (
            (CHEF, 'kinds = ["text"]', 'kinds = "text"'),
            'kinds = "text"',
            "a list in [ ] is wanted, not 'text'",
        ),
        ((CHEF, 'kinds = ["text"]', "kinds = []"), "kinds = []", "has 0 entries; at least 1 are wanted"),
        ((CHEF, 'kinds = ["text"]', 'kinds = ["texts"]'), 'kinds = ["texts"]', "did you mean 'text'?"),
        ((CHEF, 'fonts = "all"', 'fonts = "every"'), 'fonts = "every"', "'every' is none of all"),
        (
            (CHEF, "baseline = [[4, 2], [74, 2]]", "baseline = [[4, 2]]"),
            "baseline = [[4, 2]]",
            "has 1 entries",
        ),
        ((CHEF, 'blade = "chef-20"', "blade = 20"), "blade = 20", "words in quotation marks are wanted"),
        (
            (CHEF, 'blade = "chef-20"', 'blade = "chef/20"'),
            'blade = "chef/20"',
            "'chef/20' is no name: up to 60",
        ),
        ((CHEF, "circle = [10, 13, 5]", "circle = [10, 13]"), "shape = { circle = [10, 13] }", "is missing"),
        (
            ("policy/policy.toml", '"16:00"', '"4 pm"'),
            'monday = "4 pm"',
            "'4 pm' is no time of day: write 16:00",
        ),
        (
            (NORTH, "#7a3b12", "brown"),
            'satin-north = { layer = "DEEP-SATIN", colour = "brown" }',
            "is no colour: write #",
        ),
        (
            (PRODUCTS, '"2700010000103"', '"270 001"'),
            'barcodes = ["270 001"]',
            "is no barcode: 8 to 14 digits",
        ),
        (
            (PRODUCTS, '"2700010000103"', '"270001000"'),
            'barcodes = ["270001000"]',
            "has 9 digits; barcodes have 8, 12, 13",
        ),
        (
            (LONG, 'blade = "santoku-17"', 'blade = "santoku"'),
            'blade = "santoku"',
            "no blade 'santoku'; did you mean",
        ),
        ((LONG, 'face = "pile_side"', 'face = "pileside"'), 'face = "pileside"', "did you mean 'pile_side'?"),
    ],
)
def test_what_is_wrong_is_found_on_its_line_and_said_plainly(edit, line, said):
    content = changed(edit)

    with pytest.raises(CatalogueError) as caught:
        parse(content)

    trouble = next(t for t in caught.value.troubles if said in t.reason or said in str(t))
    assert content[trouble.file].splitlines()[trouble.line - 1] == line
    assert str(trouble).startswith(f"{trouble.file}:{trouble.line}: ")


def test_a_file_that_is_no_toml_takes_no_names_away_from_others():
    troubles = troubles_of(changed((CHEF, "min_height_mm = 1.8", "min_height_mm = 1,8")))

    assert troubles == [f"{CHEF}: write 1.8, not 1,8"]


def test_a_second_policy_is_refused():
    content = {**CONTENT, "policy/summer.toml": "open_lines = 2.0"}

    assert troubles_of(content) == ["policy/summer.toml: a shop has one policy file"]


def test_a_kind_without_any_file_is_refused():
    content = {name: text for name, text in CONTENT.items() if not name.startswith("stations/")}

    assert "stations/: no file of this kind" in troubles_of(content)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    shutil.copytree(default_folder(), tmp_path / "shop", ignore=shutil.ignore_patterns("__pycache__"))
    return tmp_path / "shop"


def test_a_misspelt_folder_is_refused(folder):
    (folder / "blade").mkdir()

    assert [t.file for t in troubles_in(folder)] == ["blade/"]


def test_a_file_that_is_no_text_or_too_large_is_refused(folder):
    (folder / "blades" / "z.toml").write_bytes(b"name = '\xff'")
    (folder / "blades" / "y.toml").write_text("#" * 1_000_001)

    troubles = troubles_in(folder)

    assert [t.file for t in troubles] == ["blades/y.toml", "blades/z.toml"]
    with pytest.raises(CatalogueError, match="larger than"):
        load(folder)


def test_no_folder_is_one_trouble(tmp_path):
    assert [t.reason for t in troubles_in(tmp_path / "nowhere")] == ["no such folder"]
