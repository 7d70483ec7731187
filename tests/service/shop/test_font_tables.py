"""What was measured of fonts: measured once, shared between processes, never mistaken for another font's."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

from layout.lettering.fonts import open_font
from layout.marks import features
from layout.marks.features import font_key, glyph_features
from service.cli.main import run
from service.shop import catalogue
from service.shop.font_tables import FontTables

SHOP = catalogue.load(catalogue.default_folder())


def test_what_one_process_wrote_another_reads_to_the_last_bit(tmp_path: Path) -> None:
    here, there = FontTables(tmp_path), FontTables(tmp_path)

    assert there.get("a font", 65_535) is None
    here.put("a font", 65_535, (0.1, None))
    here.put("a font", 7, (None, math.pi))

    assert there.get("a font", 65_535) == (0.1, None)
    assert there.get("a font", 7) == (None, math.pi)
    assert there.get("a font", 8) is None
    assert there.get("another font", 7) is None
    assert FontTables(tmp_path).get("a font", 7) == (None, math.pi)


def test_a_row_that_was_cut_off_while_written_is_not_believed(tmp_path: Path) -> None:
    tables = FontTables(tmp_path)
    tables._table("a font")[3] = [0.0, 0.2]

    assert tables.get("a font", 3) is None


def test_a_number_that_no_font_can_have_is_left_out(tmp_path: Path) -> None:
    tables = FontTables(tmp_path)
    tables.put("a font", 1 << 20, (0.1, 0.1))

    assert tables.get("a font", 1 << 20) is None


def test_a_glyph_is_measured_once_for_all_who_ask(tmp_path: Path, monkeypatch) -> None:
    spec = SHOP.fonts["lato-bold"]
    first, second = (open_font(replace(spec, font=name)) for name in ("once", "again"))
    glyph = 40
    measured = glyph_features(first, glyph, FontTables(tmp_path))

    def measured_again(*_: object) -> None:
        raise AssertionError("measured twice")

    monkeypatch.setattr(features, "_measured", measured_again)

    assert font_key(first) == font_key(second)
    assert glyph_features(second, glyph, FontTables(tmp_path)) == measured


def test_the_command_measures_every_letter_of_a_font(tmp_path: Path, monkeypatch) -> None:
    monkeypatch.setenv("RICASSO_DATA", str(tmp_path))

    assert run(["fonts", "measure", "line-sans", "--processes", "1"]) == 0

    font, tables = open_font(SHOP.fonts["line-sans"]), FontTables(tmp_path / "font-tables")
    assert {tables.get(font_key(font), glyph) for glyph in font.glyphs} == {(None, None)}
    assert run(["fonts", "measure", "no-such-font"]) == 1
