"""Runs of one direction, script and level, in the order in which they are seen (Unicode Annexes 9 and 24)."""

from __future__ import annotations

from dataclasses import dataclass

import icu

from layout.text import script_of


@dataclass(frozen=True, slots=True)
class Run:
    """A stretch [start, end) of code points of one line, read right to left or not, of one script."""

    start: int
    end: int
    rtl: bool
    script: str


def visual_runs(line: str) -> tuple[Run, ...]:
    """The line's runs from left to right as seen; the words inside a run stay in logical order.

    The line's own direction is that of its first letter with one.
    """
    if not line:
        return ()
    bidi = icu.Bidi()
    bidi.setPara(icu.UnicodeString(line), icu.Bidi.DEFAULT_LTR)
    to_point = _utf16_to_points(line)
    runs: list[Run] = []
    for number in range(bidi.countRuns()):
        start, length, direction = bidi.getVisualRun(number)
        pieces = _by_script(line, to_point[start], to_point[start + length], rtl=bool(direction))
        runs += reversed(pieces) if direction else pieces
    return tuple(runs)


def _utf16_to_points(line: str) -> list[int]:
    """For every UTF-16 offset the code point offset: ICU counts in UTF-16, Python in code points."""
    offsets = []
    for index, char in enumerate(line):
        offsets += [index] * (2 if ord(char) > 0xFFFF else 1)
    return [*offsets, len(line)]


def _by_script(line: str, start: int, end: int, *, rtl: bool) -> list[Run]:
    """Split by script; characters common to all scripts go with what stands before them (or after)."""
    codes = [script_of(char) for char in line[start:end]]
    known = [code not in {"Zyyy", "Zinh", "Zzzz"} for code in codes]
    current = next((code for code, ok in zip(codes, known, strict=True) if ok), "Latn")
    runs: list[Run] = []
    begun = start
    for offset, (code, ok) in enumerate(zip(codes, known, strict=True)):
        if ok and code != current:
            runs.append(Run(begun, start + offset, rtl, current))
            begun, current = start + offset, code
    runs.append(Run(begun, end, rtl, current))
    return [run for run in runs if run.end > run.start]
