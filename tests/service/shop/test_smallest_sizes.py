"""From which height a font can be burned in a zone: worked out once, and offered from there."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from layout.shop.shop import Shop
from service.cli.main import run
from service.intake.catalogue_answers import ZoneAnswer, catalogue_answer
from service.shop import smallest_sizes
from service.shop.smallest_sizes import kept, missing, work_out
from tests.layout.made_up import the_shop

SKU, ZONE, FONT = "AQ-CHEF-20", "heel", "lato-bold"


def zone_of(shop: Shop, folder: Path) -> ZoneAnswer:
    product = next(one for one in catalogue_answer(shop, (), folder).products if one.sku == SKU)
    return next(zone for zone in product.zones if zone.zone == ZONE)


@pytest.fixture
def worked_out(tmp_path: Path) -> Path:
    shop = the_shop()
    for name in ("satin-north", "satin-south"):
        assert 1.0 <= work_out(shop.fonts[FONT], shop.processes[name], shop.policy, tmp_path) < 2.0
    return tmp_path


def test_a_font_is_offered_from_the_zones_smallest_height_or_its_own(worked_out: Path) -> None:
    zone = zone_of(the_shop(), worked_out)

    assert zone.smallest_mm == {FONT: zone.min_height_mm}
    assert set(zone.fonts) > {FONT}  # nobody has looked at the others yet


def test_a_font_that_no_recipe_can_burn_at_any_height_of_the_zone_is_not_offered(tmp_path: Path) -> None:
    shop = the_shop()
    wide = {
        name: replace(shop.processes[name], line_width_mm=8.0, edge_allowance_mm=3.0)
        for name in ("satin-north", "satin-south")
    }
    shop = replace(shop, processes={**shop.processes, **wide})
    for process in wide.values():
        assert work_out(shop.fonts[FONT], process, shop.policy, tmp_path) > 14.0

    zone = zone_of(shop, tmp_path)

    assert FONT not in zone.fonts and zone.smallest_mm == {}


def test_another_line_is_another_figure(worked_out: Path) -> None:
    shop = the_shop()
    process = shop.processes["satin-north"]

    assert kept(shop.fonts[FONT], process, shop.policy, worked_out) is not None
    assert kept(shop.fonts[FONT], replace(process, line_width_mm=0.2), shop.policy, worked_out) is None
    assert (FONT, "satin-north") not in {(name, one.process) for name, one in missing(shop, worked_out)}


def test_the_catalogue_check_names_fonts_that_can_be_burned_in_no_place(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    shop, folder = the_shop(), tmp_path / "font-tables"
    monkeypatch.setattr(smallest_sizes, "smallest_mm", lambda *_, **__: None)
    for process in shop.processes.values():
        work_out(shop.fonts[FONT], process, shop.policy, folder)
    monkeypatch.setattr("service.cli.saying.tools_of", lambda data: None)
    monkeypatch.setattr("service.intake.homeless.would_be_lost", lambda tools, shop: [])

    code = run(["catalogue", "check", "--data", str(tmp_path), "--out", str(tmp_path / "pictures")])

    said = capsys.readouterr().out.splitlines()
    named = {line for line in said if "can't be burned in zone" in line}
    assert code == 0
    assert f"note: {FONT} can't be burned in zone {ZONE} of {SKU} at any height" in named
    assert all(line.startswith(f"note: {FONT} ") for line in named)


def test_the_command_works_out_heights_alone_when_told_to(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(smallest_sizes, "smallest_mm", lambda *_, **__: 3.5)

    code = run(["fonts", "measure", FONT, "--heights-only", "--data", str(tmp_path)])

    shop, folder = the_shop(), tmp_path / "font-tables"
    assert code == 0
    assert FONT not in {name for name, _ in missing(shop, folder)}
    assert kept(shop.fonts[FONT], shop.processes["satin-north"], shop.policy, folder) == 3.5
    assert not list(folder.glob("*.features"))  # no letter was measured
