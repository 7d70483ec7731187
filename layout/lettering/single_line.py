"""The data of single-line fonts: open strokes, one laser line wide, never filled.

A single-line font's bytes are UTF-8 JSON:

    {"capital_height": 21,
     "glyphs": {"A": {"advance": 18, "strokes": [[[9, 21], [1, 0]], [[9, 21], [17, 0]], [[4, 7], [14, 7]]]},
                " ": {"advance": 16, "strokes": []}}}

All lengths are in the font's own units, y up from the baseline, x from the pen position; `capital_height`
is the height of the H. A key of "glyphs" is one character (NFC), a stroke two or more points. Strokes of one
character that meet end to end are joined when the font is read, those of neighbouring characters when drawn.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

import numpy as np
from shapely.geometry import LineString

from layout.lettering.font_file import FontRefused
from layout.shop.measure import Floats
from layout.shop.shop import FontSpec

#: More than this in one character is no letter but an accident or an attack.
MOST_POINTS = 5_000


@dataclass(frozen=True, slots=True)
class SingleLineData:
    """Advances and strokes by character, in font units."""

    capital_height: float
    advances: Mapping[str, float]
    strokes: Mapping[str, tuple[LineString, ...]]


def read(spec: FontSpec) -> SingleLineData:
    """The content of a single-line font's bytes. Raises FontRefused with the reason."""
    try:
        content = json.loads(spec.data)
        height = _length(content["capital_height"])
        glyphs = dict(content["glyphs"])
        advances = {char: _length(glyph["advance"]) for char, glyph in glyphs.items()}
        strokes = {char: _strokes(char, glyph["strokes"]) for char, glyph in glyphs.items()}
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError) as error:
        raise FontRefused(f"{spec.font}: not a single-line font: {error}") from error
    if height <= 0 or not any(strokes.values()):
        raise FontRefused(f"{spec.font}: not a single-line font: nothing to draw")
    return SingleLineData(height, MappingProxyType(advances), MappingProxyType(strokes))


def joined(strokes: Sequence[Floats]) -> tuple[Floats, ...]:
    """Open strokes, each (n, 2), joined end to end wherever exactly two ends meet (equal coordinates).

    A joined stroke stands where the first of its parts stood and runs in that part's direction, so that
    letters are burned in the order in which they were drawn. Where three or more ends meet all stay as
    they are: none of them has a better claim to go on than another.
    """
    ends: dict[tuple[float, float], list[int]] = {}
    for index, stroke in enumerate(strokes):
        for end in (_key(stroke[0]), _key(stroke[-1])):
            ends.setdefault(end, []).append(index)
    free = [True] * len(strokes)
    done: list[Floats] = []
    for index, stroke in enumerate(strokes):
        if free[index]:
            free[index] = False
            onward = _chain(stroke, strokes, ends, free)
            backward = _chain(onward[0][::-1], strokes, ends, free)
            parts = [part[::-1] for part in reversed(backward[1:])] + onward
            done.append(np.concatenate([parts[0], *(part[1:] for part in parts[1:])]))
    return tuple(done)


def _chain(
    stroke: Floats, strokes: Sequence[Floats], ends: Mapping[tuple[float, float], list[int]], free: list[bool]
) -> list[Floats]:
    """The stroke and those that follow from its last point, each turned to run onward; they are used up."""
    parts = [stroke]
    while True:
        here = _key(parts[-1][-1])
        meeting = ends[here]
        follower = next((i for i in meeting if free[i]), None)
        if len(meeting) != 2 or follower is None:
            return parts
        free[follower] = False
        new = strokes[follower]
        parts.append(new if _key(new[0]) == here else new[::-1])


def _key(point: Floats) -> tuple[float, float]:
    return float(point[0]), float(point[1])


def _strokes(char: str, strokes: Any) -> tuple[LineString, ...]:
    arrays = [np.array([[_length(x), _length(y)] for x, y in stroke], dtype=np.float64) for stroke in strokes]
    if any(len(points) < 2 for points in arrays):
        raise ValueError(f"a stroke of {char!r} has fewer than two points")
    if sum(map(len, arrays)) > MOST_POINTS:
        raise ValueError(f"{char!r} has more than {MOST_POINTS} points")
    return tuple(LineString(points) for points in joined(arrays))


def _length(value: Any) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise ValueError(f"not a length: {value!r}")
    return float(value)
