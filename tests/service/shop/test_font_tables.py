"""What was measured of fonts: measured once, shared between processes, never mistaken for another font's."""

from __future__ import annotations

import math
import multiprocessing
import shutil
import threading
from dataclasses import replace
from pathlib import Path

import pytest

from layout.lettering import fonts
from layout.lettering.fonts import open_font
from layout.marks import features
from layout.marks.features import FIGURES, font_key, keep_hulls, measured_glyph
from layout.shop.measure import Floats
from service.cli.main import run
from service.shop import catalogue
from service.shop.font_tables import FontTables, Measured, how_far, measure_all
from service.shop.measured_behind import measuring_behind
from tests.made_up import the_made_up_shop

SHOP = the_made_up_shop()


def row(tables: FontTables, font: str, glyph: int) -> Floats:
    figures = tables.figures(font, glyph)
    assert figures is not None
    return figures


def test_what_one_process_wrote_another_reads_to_the_last_bit(tmp_path: Path) -> None:
    here, there = FontTables(tmp_path), FontTables(tmp_path)

    assert not row(there, "a font", 65_535).any()
    row(here, "a font", 65_535)[0] = math.pi

    assert row(there, "a font", 65_535)[0] == math.pi
    assert not row(there, "a font", 65_534).any()
    assert not row(there, "another font", 65_535).any()
    assert row(FontTables(tmp_path), "a font", 65_535)[0] == math.pi


def test_a_number_that_no_font_can_have_is_left_out(tmp_path: Path) -> None:
    assert FontTables(tmp_path).figures("a font", 1 << 20) is None


def test_a_glyph_is_measured_once_for_all_who_ask(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    spec = SHOP.fonts["lato-bold"]
    first, second = (open_font(replace(spec, font=name)) for name in ("once", "again"))
    glyph = 40
    measured = measured_glyph(first, glyph, FontTables(tmp_path)).stroke

    def measured_again(*_: object) -> None:
        raise AssertionError("measured twice")

    monkeypatch.setattr(features, "_thinnest", measured_again)

    assert font_key(first) == font_key(second)
    assert measured_glyph(second, glyph, FontTables(tmp_path)).stroke == measured


def test_a_hull_is_kept_to_the_last_bit_and_not_believed_half_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    spec, glyph, tables = SHOP.fonts["lato-bold"], 40, FontTables(tmp_path)
    plain, first, second, third = (open_font(replace(spec, font=name)) for name in ("a", "b", "c", "d"))
    for font in (first, second, third):
        keep_hulls(font, tables)
    hull = plain.hull(glyph)

    assert first.hull(glyph).tobytes() == hull.tobytes()
    with monkeypatch.context() as patched:
        patched.setattr(fonts, "hulls_around", None)
        assert second.hull(glyph).tobytes() == hull.tobytes()
    row(tables, font_key(first), glyph)[FIGURES - 96 + 3] += 0.25

    assert third.hull(glyph).tobytes() == hull.tobytes()


def test_a_font_outlives_the_folder_that_its_hulls_were_kept_in(tmp_path: Path) -> None:
    font = open_font(replace(SHOP.fonts["lato-bold"], font="outlives"))
    tables = FontTables(tmp_path / "gone")
    keep_hulls(font, tables)
    kept = font.hull(40)
    shutil.rmtree(tmp_path / "gone")

    assert font.hull(40) is kept
    assert len(font.hull(41)) > 2  # a table that is open stays so
    keep_hulls(font, FontTables(tmp_path / "gone, too"))
    shutil.rmtree(tmp_path / "gone, too")
    assert len(font.hull(43)) > 2
    assert measured_glyph(font, 44, FontTables(tmp_path / "next")).stroke
    keep_hulls(font, FontTables(tmp_path / "next"))
    keep_hulls(font, None)
    assert len(font.hull(42)) > 2


def test_how_far_a_table_is_filled_is_noted_and_a_whole_one_is_passed_over(tmp_path: Path) -> None:
    spec, heard = SHOP.fonts["line-sans"], list[tuple[str, int, int]]()
    assert how_far(spec, tmp_path) is None

    measure_all({"a": spec}, tmp_path, processes=1, progress=lambda *said: heard.append(said))

    count = len(open_font(spec).glyphs)
    assert [done for _, done, _ in heard] == [min(32 * at, count) for at in range(1, len(heard) + 1)]
    assert how_far(spec, tmp_path) == Measured(count, count)
    heard.clear()
    measure_all({"a": spec}, tmp_path, processes=1, progress=lambda *said: heard.append(said))
    assert heard == [("a", count, count)]
    (table,) = tmp_path.glob("*.features")
    table.unlink()
    assert how_far(spec, tmp_path) is None


def test_fonts_are_measured_behind_until_the_service_stops(tmp_path: Path) -> None:
    folder = tmp_path / "shop"
    shutil.copytree(catalogue.default_folder(), folder)
    lines = (folder / "fonts" / "fonts.toml").read_text()
    only = next(part for part in lines.split("[[font]]") if 'font = "line-sans"' in part)
    (folder / "fonts" / "fonts.toml").write_text(f"[[font]]{only}")
    tables, spec = tmp_path / "tables", SHOP.fonts["line-sans"]

    with measuring_behind(folder, tables, after_s=0.0, niceness=0):
        for _ in range(1800):
            if (measured := how_far(spec, tables)) is not None and measured.is_whole:
                break
            threading.Event().wait(0.1)

    assert measured is not None and measured.is_whole
    assert list(tables.glob("*.smallest"))
    assert not [one for one in multiprocessing.active_children() if one.name == "ricasso-fonts"]


def test_a_service_that_stops_at_once_measures_nothing(tmp_path: Path) -> None:
    with measuring_behind(catalogue.default_folder(), tmp_path / "tables"):
        pass

    assert not (tmp_path / "tables").exists()


def test_the_command_measures_every_letter_of_a_font(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("RICASSO_DATA", str(tmp_path))

    assert run(["fonts", "measure", "line-sans", "--processes", "1"]) == 0

    font, tables = open_font(SHOP.fonts["line-sans"]), FontTables(tmp_path / "font-tables")
    strokes = [row(tables, font_key(font), glyph)[0] for glyph in font.glyphs]
    assert all(math.isnan(stroke) for stroke in strokes)  # looked at, and there are none
    assert how_far(font.spec, tmp_path / "font-tables") == Measured(len(strokes), len(strokes))
    assert run(["fonts", "measure", "no-such-font"]) == 1
