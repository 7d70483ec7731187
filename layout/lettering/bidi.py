"""Runs of one direction and script, in the order in which they are seen (Unicode Annexes 9 and 24)."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import accumulate

import icu
import regex

from layout.lettering.text import SHARED_SCRIPTS, graphemes, script_of

#: Blocks that hold everything read from right to left, unassigned places included, and the bidi controls
#: (DerivedBidiClass.txt of the Unicode Character Database). A line without any needs no reordering.
_RIGHT_TO_LEFT = regex.compile(
    r"[\u0590-\u08ff\u200f\u202a-\u202e\u2066-\u2069\ufb1d-\ufdff\ufe70-\ufeff\U00010800-\U00010fff\U0001e800-\U0001efff]"
)


@dataclass(frozen=True, slots=True)
class Run:
    """A stretch [start, end) of code points of one line, read right to left or not, of one script."""

    start: int
    end: int
    rtl: bool
    script: str


def visual_runs(line: str, *, paragraph: str | None = None, at: int = 0) -> tuple[Run, ...]:
    """The line's runs from left to right as seen; the words inside a run stay in logical order.

    `paragraph` is the text up to the buyer's own breaks of which the line is the part that begins at `at`:
    direction is settled for a paragraph as a whole and only then applied to its lines. The paragraph's own
    direction is that of its first letter with one; None means that the line stands alone.
    """
    if not line:
        return ()
    whole = line if paragraph is None else paragraph
    if not _RIGHT_TO_LEFT.search(whole):
        return tuple(_by_script(line, 0, len(line), rtl=False))
    bidi = icu.Bidi()
    bidi.setPara(icu.UnicodeString(whole), icu.Bidi.DEFAULT_LTR)
    if len(line) < len(whole):
        first = _utf16_length(whole[:at])
        bidi = bidi.setLine(first, first + _utf16_length(line))
    to_point = _utf16_to_points(line)
    runs: list[Run] = []
    for number in range(bidi.countRuns()):
        start, length, direction = bidi.getVisualRun(number)
        pieces = _by_script(line, to_point[start], to_point[start + length], rtl=bool(direction))
        runs += reversed(pieces) if direction else pieces
    return tuple(runs)


def _utf16_length(text: str) -> int:
    return len(text) + sum(char > "\uffff" for char in text)


def _utf16_to_points(line: str) -> list[int]:
    """For every UTF-16 offset the code point offset: ICU counts in UTF-16, Python in code points."""
    offsets = []
    for index, char in enumerate(line):
        offsets += [index] * (2 if char > "\uffff" else 1)
    return [*offsets, len(line)]


def _by_script(line: str, start: int, end: int, *, rtl: bool) -> list[Run]:
    """Split by script, never inside a grapheme; what all scripts share goes with what stands before it, at
    the beginning of the line with what comes after."""
    if line.isascii():
        return [Run(start, end, rtl, "Latn")]
    codes = [script_of(char) for char in line[start:end]]
    current = next((code for code in codes if code not in SHARED_SCRIPTS), "Latn")
    # A letter's marks, and whatever else a reader takes for one character, stay in its run.
    whole = {0, *accumulate(map(len, graphemes(line)))}
    runs: list[Run] = []
    begun = start
    for at, code in enumerate(codes, start):
        if code != current and code not in SHARED_SCRIPTS and at in whole:
            runs.append(Run(begun, at, rtl, current))
            begun, current = at, code
    runs.append(Run(begun, end, rtl, current))
    return [run for run in runs if run.end > run.start]
