"""The shop's description: what is accepted, what is refused with its place and reason, and its version."""

from __future__ import annotations

import shutil
from importlib.metadata import distribution
from importlib.resources import files
from pathlib import Path

import pytest
import shapely
from shapely import affinity
from typer.testing import CliRunner

from layout.lettering.fonts import open_font
from layout.pictures.blades_and_plates import posed
from service.cli.catalogue import app
from service.shop.catalogue import (
    CatalogueError,
    default_folder,
    load_stock,
    parse,
    read,
    reopen,
    troubles_in,
)
from service.shop.catalogue.sense import check_digit_holds
from tests.made_up import the_made_up_shop

CHEF, PRODUCTS = "blades/chef-20.toml", "products/products.toml"
CONTENT = read(default_folder())
SHOP = the_made_up_shop()


def changed(*edits: tuple[str, str, str]) -> dict[str, str]:
    """The made-up shop's files with edits (file, what stands there, what shall stand there)."""
    content = dict(CONTENT)
    for file, old, new in edits:
        assert old in content[file], (file, old)
        content[file] = content[file].replace(old, new, 1)
    return content


# --- the made-up shop ---


def test_the_made_up_shop_has_nothing_wrong():
    assert troubles_in(default_folder()) == ()


def test_the_shop_has_blades_plates_and_stations_of_every_kind_wanted():
    reasons = {k.reason for blade in SHOP.blades.values() for f in blade.faces for k in f.keep_outs}
    zones = [z for blade in SHOP.blades.values() for f in blade.faces for z in f.zones]

    assert len(SHOP.blades) >= 6
    assert {"hole", "pivot", "existing_mark", "ground_bevel", "hollow"} <= reasons
    assert all(1 <= len(f.zones) <= 3 for blade in SHOP.blades.values() for f in blade.faces)
    assert any(blade.bare for blade in SHOP.blades.values())
    assert any(not zone.baseline.is_straight for zone in zones)
    assert (
        len(
            {
                SHOP.surface_of(sku, z.zone)
                for sku, p in SHOP.products.items()
                for f in SHOP.blades[p.blade].faces
                for z in f.zones
            }
        )
        >= 4
    )
    assert all(6 <= len(plate.slots) <= 24 for plate in SHOP.plates.values())
    assert any(len({s.blade for s in plate.slots[0].seats}) > 1 for plate in SHOP.plates.values())
    assert any(
        slot.seat("chef-20", "mark_side") and slot.seat("chef-20", "pile_side")
        for slot in SHOP.plates["long"].slots
    )
    assert any(len(plate.copies) == 2 for plate in SHOP.plates.values())
    assert any(seat.pose.tilt_deg > 0 for plate in SHOP.plates.values() for seat in plate.slots[0].seats)
    north, south = SHOP.stations["north"], SHOP.stations["south"]
    assert north.field_mm != south.field_mm
    assert north.spot_mm != south.spot_mm
    assert north.formats[0] != south.formats[0]
    assert {north.fill, south.fill} == {"rows", "outline"}
    assert sum(p.test_card is not None for p in SHOP.processes.values()) >= 4


def test_a_process_without_a_test_card_is_kept_but_never_used():
    trial = SHOP.processes["mirror-north"]

    assert trial.test_card is None
    assert SHOP.process_for("north", trial.surface) is None


# --- faces and seats ---


@pytest.mark.parametrize("blade", ["chef-20", "santoku-17", "hori-18"])
def test_the_pile_side_is_the_mark_side_seen_from_behind(blade):
    mark, pile = SHOP.blades[blade].face("mark_side"), SHOP.blades[blade].face("pile_side")

    seen_from_behind = affinity.scale(mark.silhouette, -1, 1, origin=(0, 0))

    assert pile.silhouette.symmetric_difference(seen_from_behind).area == pytest.approx(0, abs=1e-9)
    assert pile.silhouette.exterior.is_ccw
    assert (mark.handle_deg, pile.handle_deg) == (180, 0)


def test_a_mark_on_one_side_only_is_no_keep_out_on_the_other():
    chef = SHOP.blades["chef-20"]

    assert "maker's stamp" in {k.keep_out for k in chef.face("mark_side").keep_outs}
    assert "maker's stamp" not in {k.keep_out for k in chef.face("pile_side").keep_outs}


def test_the_handle_points_away_from_the_blade_on_every_face():
    for blade in SHOP.blades.values():
        for face in blade.faces:
            if face.body is None or face.face == "handle":
                continue
            handle = face.body.difference(face.silhouette).centroid
            towards_left = handle.x < face.silhouette.centroid.x

            assert face.handle_deg == (180 if towards_left else 0), (blade.blade, face.face)


def test_a_unit_turned_over_about_its_long_axis_keeps_its_handle_where_it_was():
    slot = SHOP.plates["garden"].slot("A3")
    up, over = slot.seat("hori-18", "mark_side"), slot.seat("hori-18", "pile_side")
    faces = SHOP.blades["hori-18"]

    before = posed(faces.face("mark_side").body, up.pose)
    after = posed(faces.face("pile_side").body, over.pose)

    flipped = affinity.scale(before, 1, -1, origin=(0, up.pose.y_mm))
    assert after.symmetric_difference(flipped).area == pytest.approx(0, abs=1e-6)


def test_a_unit_turned_over_end_for_end_fills_the_same_slot():
    slot = SHOP.plates["long"].slot("2")
    faces = SHOP.blades["chef-20"]

    before = posed(faces.face("mark_side").body, slot.seat("chef-20", "mark_side").pose).bounds
    after = posed(faces.face("pile_side").body, slot.seat("chef-20", "pile_side").pose).bounds

    assert after == pytest.approx(before, abs=1.5)
    assert shapely.box(*slot.outline.bounds).covers(shapely.box(*after))


def test_slots_turned_by_180_degrees_turn_poses_and_the_direction_of_tilt_with_them():
    left, right = (SHOP.plates["bare"].slot(name).seats[0].pose for name in ("L1", "R1"))

    assert right.turn_deg - left.turn_deg == 180
    assert right.tilt_towards_deg - left.tilt_towards_deg == 180
    assert left.y_mm == right.y_mm


def test_a_seat_may_be_offered_in_some_slots_only():
    content = changed(
        ("plates/small.toml", 'blade = "oyster-8"\n', 'blade = "oyster-8"\nslots = ["1", "2"]\n')
    )

    plate = parse(content).plates["small"]

    assert [slot.slot for slot in plate.slots if slot.seat("oyster-8", "mark_side")] == ["1", "2"]


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    shutil.copytree(default_folder(), tmp_path / "shop", ignore=shutil.ignore_patterns("__pycache__"))
    return tmp_path / "shop"


# --- the version ---


def test_the_version_is_the_same_for_comments_layout_and_stock():
    quiet = changed(
        (CHEF, "# Chef's", "# A chef's"),
        (CHEF, "max_height_mm = 14", "max_height_mm   =   14.0"),
        ("stock/bins.toml", "= 14 }", "= 3 }"),
    )

    assert parse(quiet).version == SHOP.version


@pytest.mark.parametrize(
    "edit",
    [
        (CHEF, "max_height_mm = 14", "max_height_mm = 13.9"),
        ("artwork/leaf.svg", "M 5 0.5", "M 5 0.6"),
        ("processes/south.toml", "speed_mm_s = 480", "speed_mm_s = 481"),
    ],
)
def test_the_version_changes_with_what_is_said(edit):
    assert parse(changed(edit)).version != SHOP.version


def test_a_version_accepted_before_is_reopened_though_a_font_has_changed_since():
    content = changed(
        ("fonts/fonts.toml", '"8a0aace7', '"8a0aace8'), (PRODUCTS, "2700010000202", "2700010000203")
    )

    shop = reopen(content)

    assert "lato-bold" not in shop.fonts
    assert (
        shop.blades["chef-20"] == SHOP.blades["chef-20"]
        or shop.blades["chef-20"].name == "Chef's knife 20 cm"
    )
    with pytest.raises(CatalogueError):
        parse(content)


def test_what_can_not_be_read_is_not_reopened():
    with pytest.raises(CatalogueError, match="not TOML"):
        reopen(changed((CHEF, 'blade = "chef-20"', "blade = ")))


# --- stock and barcodes ---


def test_stock_comes_in_walking_order():
    stock = load_stock(default_folder())

    assert [s.walking_order for s in stock] == sorted(s.walking_order for s in stock)
    assert {s.sku for s in stock} <= set(SHOP.products)
    assert all(s.boxed > 0 for s in stock)


def test_bare_blades_are_not_boxed():
    bare = {sku for sku, product in SHOP.products.items() if SHOP.blades[product.blade].bare}

    assert bare
    assert not bare & {s.sku for s in load_stock(default_folder())}


def test_wrong_stock_is_refused(folder):
    bins = folder / "stock" / "bins.toml"
    bins.write_text(bins.read_text().replace('"AQ-SANT-17"', '"AQ-SANT-18"'))

    with pytest.raises(CatalogueError, match="no product 'AQ-SANT-18'"):
        load_stock(folder)


@pytest.mark.parametrize(
    ("code", "right"),
    [
        # GS1's own worked example of a check digit (memory): 629104150021 gives 3.
        ("6291041500213", True),
        ("6291041500214", False),
        # ISBN of a published book is an EAN-13 (ISO 2108; memory): 978-0-306-40615-7.
        ("9780306406157", True),
        ("036000291452", True),  # a published UPC-A example (memory)
        ("12345", False),
    ],
)
def test_check_digits_are_those_of_the_standard(code, right):
    assert check_digit_holds(code) is right


def test_the_shops_barcodes_lie_in_the_range_for_use_inside_a_company():
    # Prefixes 200-299 are for restricted circulation (GS1 prefix list; memory).
    codes = [code for product in SHOP.products.values() for code in product.barcodes]

    assert all(len(code) == 13 and 200 <= int(code[:3]) <= 299 for code in codes)


# --- fonts ---


def test_there_are_fonts_of_every_style_and_script():
    outline = [f for f in SHOP.fonts.values() if f.kind == "outline"]
    styles = {f.style for f in outline}

    assert len(outline) >= 14
    assert {"sans", "serif", "script", "display", "condensed", "mono"} <= styles
    assert sum(f.kind == "single_line" for f in SHOP.fonts.values()) >= 2


@pytest.mark.parametrize(
    ("font", "words"),
    [
        ("noto-sans-semibold", "Ελένη"),
        ("noto-sans-semibold", "Михаил"),
        ("vietnam-semibold", "Nguyễn Thị Ánh"),
        ("amiri-bold", "فاطمة"),
        ("frank-ruhl", "שרה"),
        ("devanagari-medium", "प्रिया"),
        ("lato-bold", "Łukasz Søren Zoë"),
        ("line-sans", "Ida & Karl 1998"),
        ("line-script", "Ida"),
    ],
)
def test_a_name_of_each_script_is_covered(font, words):
    assert open_font(SHOP.fonts[font]).covers(words)


@pytest.mark.parametrize("font", sorted(n for n, f in SHOP.fonts.items() if f.kind == "outline"))
def test_each_fonts_wheel_carries_the_licence_that_is_recorded(font):
    spec = SHOP.fonts[font]
    package = next(p for p in _packages() if p[0] == font)[1]

    licence = files(package).joinpath("LICENSE").read_text(encoding="utf-8").upper()

    assert spec.licence == "OFL-1.1"
    assert "SIL OPEN FONT LICENSE" in licence
    assert "VERSION 1.1" in licence


def test_the_single_line_fonts_wheel_is_free_to_use():
    assert distribution("Hershey-Fonts").metadata["License"] == "MIT License"
    assert "Hershey" in default_folder().joinpath("fonts", "LICENCES.md").read_text(encoding="utf-8")


def _packages() -> list[tuple[str, str]]:
    import tomllib

    return [(f["font"], f["package"]) for f in tomllib.loads(CONTENT["fonts/fonts.toml"])["font"]]


# --- the commands ---


def test_check_says_what_the_shop_has_and_what_is_on_trial(tmp_path):
    result = CliRunner().invoke(app, ["check", "--fixtures", str(default_folder()), "--out", str(tmp_path)])

    assert result.exit_code == 0
    assert f"version {SHOP.version[:12]}" in result.output
    assert "note: process mirror-north has no test card here and is not used" in result.output


def test_check_says_everything_wrong_one_line_each_and_fails(folder):
    (folder / "blades" / "chef-20.toml").write_text("x = [")
    bins = folder / "stock" / "bins.toml"
    bins.write_text(bins.read_text().replace('"AQ-SANT-17"', '"AQ-SANT-18"'))

    result = CliRunner().invoke(app, ["check", "--fixtures", str(folder)])

    lines = result.output.splitlines()
    assert result.exit_code == 1
    assert any(line.startswith("blades/chef-20.toml:1: not TOML") for line in lines)
    assert any(
        line.startswith(
            "stock/bins.toml:16: bin[2].boxed: no product 'AQ-SANT-18'; did you mean 'AQ-SANT-17'?"
        )
        for line in lines
    )


def test_check_says_how_large_each_blade_is_and_where_its_picture_lies(tmp_path):
    result = CliRunner().invoke(app, ["check", "--fixtures", str(default_folder()), "--out", str(tmp_path)])

    picture = tmp_path / "blade.chef-20.mark_side.svg"
    assert (
        f"blade chef-20, mark side: 201 mm long, 46.3 mm high; picture {picture}"
        in result.output.splitlines()
    )
    assert picture.read_text().startswith("<?xml")


def test_check_goes_on_where_no_picture_can_be_written(tmp_path):
    (tmp_path / "pictures").write_text("a file in the way")

    result = CliRunner().invoke(
        app, ["check", "--fixtures", str(default_folder()), "--out", str(tmp_path / "pictures")]
    )

    assert result.exit_code == 0
    assert "blade chef-20, mark side: 201 mm long, 46.3 mm high" in result.output.splitlines()


def test_draw_writes_a_picture_of_every_face_and_plate(tmp_path):
    result = CliRunner().invoke(
        app, ["draw", "--fixtures", str(default_folder()), "--out", str(tmp_path / "p")]
    )

    faces = sum(len(blade.faces) for blade in SHOP.blades.values())
    assert result.exit_code == 0
    assert len(result.output.splitlines()) == faces + len(SHOP.plates)
    assert all(Path(line).read_text().startswith("<?xml") for line in result.output.splitlines())


def test_a_product_names_the_bare_blade_that_it_is_built_from():
    paring, chef = SHOP.products["AQ-PARE-9"], SHOP.products["AQ-CHEF-20"]

    assert SHOP.blades[SHOP.products[paring.built_from].blade].bare
    assert chef.built_from is None
