"""What was measured of a font's letters, once for all customers: a table to each font, one file, which all
processes map into their memory.

A table has a row for every glyph number that a font can have, with its figures (`layout.marks.features`):
thinnest stroke, narrowest counter, what the glyph has in hand when it is burned, its hull. Rows that nobody
has measured take no room on the disk (a sparse file), and a figure is written when it is first needed, or by
`ricasso fonts measure`. Every process that measures a glyph finds the same figures, so two that write one at
once write the same.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from multiprocessing import get_context
from pathlib import Path

import numpy as np

from layout.lettering.fonts import FontRefused, open_font
from layout.marks.features import FIGURES, keep_hulls, measured_glyph
from layout.shop.measure import Floats
from layout.shop.shop import FontSpec

#: OpenType counts glyphs in 16 bits.
_GLYPHS = 1 << 16
_BYTES = _GLYPHS * FIGURES * 8
#: Glyphs that a process measures before it says how far it is.
_AT_ONCE = 32


class FontTables:
    """The tables in a folder, each mapped when its font is first asked for. Any process may write."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._open: dict[str, Floats] = {}
        folder.mkdir(parents=True, exist_ok=True)

    def figures(self, font: str, glyph: int) -> Floats | None:
        """The row of a glyph, which all processes share; None for a number beyond the table, and where the
        folder is gone: nothing is kept then, all is measured in memory."""
        if glyph >= _GLYPHS:
            return None
        try:
            row: Floats = self._table(font)[glyph]
        except FileNotFoundError:
            return None
        return row

    def _table(self, font: str) -> Floats:
        if font not in self._open:
            path = self._folder / f"{hashlib.sha256(font.encode()).hexdigest()[:32]}.features"
            number = os.open(path, os.O_RDWR | os.O_CREAT, 0o644)
            try:
                os.ftruncate(number, _BYTES)  # a new file is made as long; a whole one stays as it is
            finally:
                os.close(number)
            mapped = np.memmap(path, dtype=np.float64, mode="r+", shape=(_GLYPHS, FIGURES))
            self._open[font] = np.asarray(mapped)  # a plain array, whose rows are quicker to get at
        return self._open[font]


def measure_all(
    fonts: Mapping[str, FontSpec], folder: Path, *, processes: int, progress: Callable[[str, int, int], None]
) -> dict[str, str]:
    """Measure every glyph of some fonts that was not measured yet; by font, why it can't be used.

    `progress` hears the font, how many of its glyphs are done, and how many it has.
    """
    refused: dict[str, str] = {}
    with ProcessPoolExecutor(processes, mp_context=get_context("spawn")) as pool:
        for name, spec in fonts.items():
            try:
                glyphs = open_font(spec).glyphs
            except FontRefused as error:
                refused[name] = str(error)
                continue
            done = 0
            waiting = [pool.submit(measure_glyphs, spec, folder, part) for part in _parts(glyphs)]
            for part in as_completed(waiting):
                number, reason = part.result()
                done += number
                refused.update({name: reason} if reason else {})
                progress(name, done, len(glyphs))
    return refused


def _parts(glyphs: Sequence[int]) -> list[tuple[int, ...]]:
    return [tuple(glyphs[at : at + _AT_ONCE]) for at in range(0, len(glyphs), _AT_ONCE)]


def measure_glyphs(spec: FontSpec, folder: Path, glyphs: tuple[int, ...]) -> tuple[int, str]:
    """Measure some glyphs of a font; how many were looked at, and why the last refused one was refused."""
    font, tables, reason = open_font(spec), FontTables(folder), ""
    for glyph in glyphs:
        try:
            keep_hulls(font, tables)
            measured_glyph(font, glyph, tables).measure()
        except FontRefused as error:
            reason = str(error)
    return len(glyphs), reason
