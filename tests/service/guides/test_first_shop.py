"""The guide "A shop from nothing" works as it is written."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
import shapely
from shapely import affinity

from service.pages.guides import FOLDER
from service.shop.catalogue import load
from tests.references.readers import svg_paths
from tests.service.guides.running import Reader, blocks

GUIDE = (FOLDER / "first-shop.md").read_text(encoding="utf-8")


@pytest.mark.long
def test_the_guide_from_an_empty_folder_to_the_first_burn_file(tmp_path: Path) -> None:
    with Reader(tmp_path) as reader:
        reader.follows(GUIDE)

    shop = load(tmp_path / "shop")
    said = "\n".join(reader.printed)
    face = shop.blades["carving-axe"].face("mark_side")
    width, height = (
        b - a for a, b in zip(face.silhouette.bounds[:2], face.silhouette.bounds[2:], strict=True)
    )
    burned = (tmp_path / "burn.svg").read_bytes()
    assert (round(width, 1), round(height, 1)) == (109.5, 72)
    assert "blade carving-axe, mark side: 110 mm long, 72 mm high" in said
    assert '"verdict":"accept"' in said
    assert "carving-axe, mark side: handle at the bottom, 0.30 mm of room all round" in said
    assert "carving-axe, pile side: does not go in" in said
    assert [s.seats[0].blade for s in shop.plates["carvers"].slots] == ["carving-axe", "carving-axe"]
    assert "the marks agree within 0.0" in said and "slot 1: x 11.9" in said
    assert [p.name.split("-")[0] for p in (tmp_path / "proof").iterdir()] == ["PLATE"]
    assert (tmp_path / "card.svg").read_bytes() != burned
    assert b"GROUND" in burned
    # Everything that is burned lies in the axe's zone, in one of the slots, as an independent reader sees
    # the file.
    station, plate = shop.stations["bench"], shop.plates["heads"]
    lines = shapely.MultiLineString(svg_paths(burned, station.field_box_mm))
    x, y, _ = station.plates["heads"]
    seats = [slot.seat("carving-axe", "mark_side").pose for slot in plate.slots]
    zones = [affinity.translate(face.zone("flat").polygon, x + p.x_mm, y + p.y_mm) for p in seats]
    assert lines.length > 100
    assert sum(zone.covers(lines) for zone in zones) == 1


def test_every_block_of_the_guide_is_of_a_kind_that_the_test_runs() -> None:
    assert {kind for kind, _, _ in blocks(GUIDE)} == {"sh", "toml", "svg", "csv"}
    assert GUIDE.count("```") == 2 * len(blocks(GUIDE))


def test_every_command_of_the_guide_exists() -> None:
    from typer.main import get_command

    from service.cli.main import app

    words = set(re.findall(r"\bricasso ([a-z][a-z-]*)", GUIDE))

    assert words <= set(get_command(app).commands)  # type: ignore[attr-defined]
    assert {"init", "catalogue", "doctor", "serve", "keys"} <= words
