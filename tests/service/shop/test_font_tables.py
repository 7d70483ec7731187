"""What was measured of fonts: measured once, shared between processes, never mistaken for another font's."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

from layout.lettering.fonts import open_font
from layout.marks import features
from layout.marks.features import font_key, measured_glyph
from service.cli.main import run
from service.shop import catalogue
from service.shop.font_tables import FontTables

SHOP = catalogue.load(catalogue.default_folder())


def test_what_one_process_wrote_another_reads_to_the_last_bit(tmp_path: Path) -> None:
    here, there = FontTables(tmp_path), FontTables(tmp_path)

    assert not there.figures("a font", 65_535).any()
    here.figures("a font", 65_535)[0] = math.pi

    assert there.figures("a font", 65_535)[0] == math.pi
    assert not there.figures("a font", 65_534).any()
    assert not there.figures("another font", 65_535).any()
    assert FontTables(tmp_path).figures("a font", 65_535)[0] == math.pi


def test_a_number_that_no_font_can_have_is_left_out(tmp_path: Path) -> None:
    assert FontTables(tmp_path).figures("a font", 1 << 20) is None


def test_a_glyph_is_measured_once_for_all_who_ask(tmp_path: Path, monkeypatch) -> None:
    spec = SHOP.fonts["lato-bold"]
    first, second = (open_font(replace(spec, font=name)) for name in ("once", "again"))
    glyph = 40
    measured = measured_glyph(first, glyph, FontTables(tmp_path)).stroke

    def measured_again(*_: object) -> None:
        raise AssertionError("measured twice")

    monkeypatch.setattr(features, "_thinnest", measured_again)

    assert font_key(first) == font_key(second)
    assert measured_glyph(second, glyph, FontTables(tmp_path)).stroke == measured


def test_the_command_measures_every_letter_of_a_font(tmp_path: Path, monkeypatch) -> None:
    monkeypatch.setenv("RICASSO_DATA", str(tmp_path))

    assert run(["fonts", "measure", "line-sans", "--processes", "1"]) == 0

    font, tables = open_font(SHOP.fonts["line-sans"]), FontTables(tmp_path / "font-tables")
    strokes = [tables.figures(font_key(font), glyph)[0] for glyph in font.glyphs]
    assert all(math.isnan(stroke) for stroke in strokes)  # looked at, and there are none
    assert run(["fonts", "measure", "no-such-font"]) == 1
