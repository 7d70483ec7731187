"""What was measured of a font's letters, once for all customers: a table to each font, one file, which all
processes map into their memory.

A table has a row for every glyph number that a font can have, with its figures (`layout.marks.features`):
thinnest stroke, narrowest counter, what the glyph has in hand when it is burned, its hull. Rows that nobody
has measured take no room on the disk (a sparse file). A figure is written when it is first needed, behind a
running service (`service.shop.measured_behind`), or by `ricasso fonts measure`. Every process that measures a
glyph finds the same figures, so two that write one at once write the same.
"""

from __future__ import annotations

import fcntl
import hashlib
import mmap
import os
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from contextlib import contextmanager
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path

import numpy as np

from layout.lettering.fonts import FontRefused, open_font
from layout.marks.features import FIGURES, keep_hulls, measured_glyph, spec_key
from layout.shop.measure import Floats
from layout.shop.shop import FontSpec
from service.shop.worker_pool import end_with_parent

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
            path = _path(self._folder, font)
            number = os.open(path, os.O_RDWR | os.O_CREAT, 0o644)
            try:
                os.ftruncate(number, _BYTES)  # a new file is made as long; a whole one stays as it is
                mapped = mmap.mmap(number, _BYTES)
            finally:
                os.close(number)
            # Else the first row read in a few megabytes has all of them read, which takes milliseconds even
            # where nobody has measured: letters lie scattered, and few of them are ever asked for.
            mapped.madvise(mmap.MADV_RANDOM)
            self._open[font] = np.frombuffer(mapped, dtype=np.float64).reshape(_GLYPHS, FIGURES)
        return self._open[font]


def _path(folder: Path, font: str) -> Path:
    return folder / f"{hashlib.sha256(font.encode()).hexdigest()[:32]}.features"


@dataclass(frozen=True, slots=True)
class Measured:
    """How many of a font's letters were gone through so far, and how many it has."""

    done: int
    of: int

    @property
    def is_whole(self) -> bool:
        return self.done >= self.of


def how_far(spec: FontSpec, folder: Path) -> Measured | None:
    """How far a font's table is filled; None where nobody has begun. Letters that were measured when a buyer
    asked for them are not counted."""
    table = _path(folder, spec_key(spec))
    try:
        done, of = (int(number) for number in table.with_suffix(".measured").read_text().split())
    except (FileNotFoundError, ValueError):
        return None
    return Measured(done, of) if table.exists() else None


def note(spec: FontSpec, folder: Path, measured: Measured) -> None:
    """Note how far a font's table is filled."""
    path = _path(folder, spec_key(spec)).with_suffix(".measured")
    scratch = path.with_suffix(".writing")
    scratch.write_text(f"{measured.done} {measured.of}")
    os.replace(scratch, path)


@contextmanager
def measuring_alone(folder: Path) -> Iterator[None]:
    """Waits until no other process fills the tables of a folder, and keeps others waiting."""
    folder.mkdir(parents=True, exist_ok=True)
    with (folder / ".measuring").open("wb") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        yield


def measure_all(
    fonts: Mapping[str, FontSpec], folder: Path, *, processes: int, progress: Callable[[str, int, int], None]
) -> dict[str, str]:
    """Measure every glyph of some fonts that was not measured yet; by font, why it can't be used.

    `progress` hears the font, how many of its glyphs are done, and how many it has. Fonts whose tables are
    whole are passed over.
    """
    refused: dict[str, str] = {}
    context = get_context("spawn")
    with ProcessPoolExecutor(processes, mp_context=context, initializer=end_with_parent) as pool:
        for name, spec in fonts.items():
            before = how_far(spec, folder)
            if before is not None and before.is_whole:
                progress(name, before.of, before.of)
                continue
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
                if name not in refused:  # who asks again is told again why
                    note(spec, folder, Measured(done, len(glyphs)))
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
