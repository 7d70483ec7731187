"""One letter as a process burns it, against the letter as it was drawn: what closes, what is lost.

The line is wider than a hairline and goes a little beyond every edge, so that a letter comes out bolder. That
is no fault while it stays the same letter: every counter still open, no opening bridged, no part gone.

A verdict holds for one size and is not assumed for any other: that a letter is fine at 2 mm does not prove it
at 3 mm, where a centre line may give way to fill. Verdicts are remembered, for letters come again.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Literal

import shapely
from shapely.geometry import LineString, MultiPolygon, Polygon

from layout.burn.as_burned import LOST_LINES, as_burned
from layout.lettering.fonts import Font, chord_error_mm
from layout.marks.features import measured_glyph
from layout.shop.stations import Process

#: What is wrong with a burned letter.
Fault = Literal["counter_closed", "slit_closed", "part_lost"]
#: An opening in the drawing narrower than this many lines is no counter but a flaw of overlapping strokes; it
#: may close.
_FLAW_LINES = 0.2
#: Strokes nearer than this many lines enclose a counter as if they met.
_MOUTH_LINES = 0.3
#: Openings of a letter narrower than this many capital heights are none that anybody sees.
FLAW_HEIGHTS = 0.01
#: What is enclosed where an opening was bridged, and is narrower than this many lines, is the root of two
#: strokes that part at a small angle: it fills, and nobody sees it.
_POCKET_LINES = 1.0
#: An opening as wide as this many lines must not fill as a whole.
_SWALLOWED_LINES = 0.8
#: Edges are looked at to this share of a line.
_SIMPLER_LINES = 0.02
#: Strokes without a width are drawn so many lines wide to see what they enclose.
_DRAWN_LINES = 0.02
#: What is certain is so to this share of a width, which makes up for chords.
_IN_HAND = 0.95
_MOST_LETTERS = 8192


@dataclass(frozen=True, slots=True)
class Shape:
    """Areas and open strokes (mm) of one letter, or of artwork as a whole. An opening narrower than `flaw_mm`
    is none that anybody sees: strokes that meet but for a hair."""

    areas: tuple[Polygon, ...]
    strokes: tuple[LineString, ...] = ()
    flaw_mm: float = 0.0


@dataclass(frozen=True, slots=True)
class BurnedLetter:
    """What is burned of a letter (mm), and what is wrong with that."""

    shape: Any
    faults: frozenset[Fault]


def burned_letter(
    shape: Shape, process: Process, *, open_lines: float, is_fine_filled: bool = False
) -> BurnedLetter:
    """A letter as burned; a counter must stay open by `open_lines` line widths. With `is_fine_filled` it is
    known to have no fault where fill alone burns it (`fill_keeps_openings`)."""
    # Where centre lines end depends on the drawing's own points: here they must be those of the file.
    burned, width = as_burned(shape.areas, shape.strokes, process), process.line_width_mm
    if is_fine_filled and not (shape.strokes or burned.centre_lines or burned.lost):
        return BurnedLetter(burned.shape, frozenset())
    areas = [_simpler(area, _SIMPLER_LINES * width) for area in shape.areas]
    drawn = _drawn(areas, shape.strokes, width)
    flaw, mouth = max(shape.flaw_mm, _FLAW_LINES * width), max(shape.flaw_mm, _MOUTH_LINES * width)
    faults: set[Fault] = set()
    if any(_is_closed(hole, burned.shape, width, open_lines, flaw) for hole in _counters(drawn, mouth)):
        faults.add("counter_closed")
    if _is_bridged(drawn, burned.shape, width, flaw):
        faults.add("slit_closed")
    if not shape.strokes and _is_swallowed(drawn, burned.shape, width):
        faults.add("slit_closed")
    if burned.lost:
        faults.add("part_lost")
    return BurnedLetter(burned.shape, frozenset(faults))


def certainly_fine(font: Font, glyph: int, size: float, process: Process, *, open_lines: float) -> bool:
    """Whether a letter of one glyph, of that capital height (mm), certainly has no fault when burned, by what
    it has in hand.

    Where no point of it is further than a line from what is left inside the edge allowance, nothing lies
    further than LOST_LINES from what the fill burns, and no centre line is needed.
    """
    width, allowance = process.line_width_mm, process.edge_allowance_mm
    missed = 0.0 if process.edge_line else process.rows.spacing_mm / 2
    off = _off_mm(size, process) / size
    within = (LOST_LINES * width + width / 2 + missed) / size - off
    margins = measured_glyph(font, glyph).margins
    return margins.stays_within(within, shrunk_by=(allowance + missed) / size + off) and fill_keeps_openings(
        font, glyph, size, process, open_lines=open_lines
    )


def fill_keeps_openings(font: Font, glyph: int, size: float, process: Process, *, open_lines: float) -> bool:
    """Whether a letter of one glyph that is burned by fill alone certainly keeps its counters and openings.

    All that is burned lies within half a line less the allowance from the drawing. So little swallows no
    opening, and closes a counter or bridges an opening only where that is as narrow. Letters with an opening
    as narrow as a flaw, which may be a counter all but closed, are left to be burned.
    """
    width, measured = process.line_width_mm, measured_glyph(font, glyph)
    grown = beyond_mm(size, process) / size
    if grown * size > _IN_HAND * _SWALLOWED_LINES * width / 2:
        return False
    counter = measured.counter
    if counter is not None and counter * _IN_HAND < open_lines * width / size + 2 * grown:
        return False
    flaw = FLAW_HEIGHTS / 2
    return (
        _MOUTH_LINES * width <= FLAW_HEIGHTS * size  # the mouth is that of a flaw, whatever the line
        and measured.margins.stays_open(grown_by=flaw, pocket=0.0)
        and measured.margins.stays_open(grown_by=grown, pocket=_POCKET_LINES * width / size)
    )


def beyond_mm(size: float, process: Process) -> float:
    """How far beyond its drawn edge a letter that is certainly fine is burned at the most."""
    return max(process.line_width_mm / 2 - process.edge_allowance_mm, 0.0) + _off_mm(size, process)


def _off_mm(size: float, process: Process) -> float:
    """By how much the edge of a letter is off: it is looked at with a tolerance, and cut into chords."""
    return _SIMPLER_LINES * process.line_width_mm + chord_error_mm(size)


def keeps_apart(shape: Shape, width: float, *, is_fine_filled: bool = False) -> bool:
    """Whether a letter certainly keeps all its openings but its counters, whatever is burned within half a
    line of it. Quicker than burning it. With `is_fine_filled` (`fill_keeps_openings`) it is known to have no
    counter that is all but closed.

    Nothing is joined or swallowed where the letter grown by half a line has not. A bridged opening that holds
    a line's disc has its middle half a line or more from the letter, so that something of it is left when
    the letter has grown, however small: there nothing new may be enclosed at all.
    """
    areas = [_simpler(area, _SIMPLER_LINES * width) for area in shape.areas]
    drawn = _drawn(areas, shape.strokes, width)
    grown = drawn.buffer(width / 2, quad_segs=3)
    if _differs(drawn, grown, pocket=0.0):
        return False
    mouth = max(shape.flaw_mm, _MOUTH_LINES * width)
    if not is_fine_filled and len(_counters(drawn, mouth)) != len(_holes(drawn)):
        return False
    return not (shape.areas and _is_swallowed(drawn, grown, width))


def _simpler(area: Polygon, tolerance: float) -> Polygon:
    simpler = shapely.simplify(area, tolerance)
    return simpler if isinstance(simpler, Polygon) and simpler.is_valid and not simpler.is_empty else area


def _drawn(areas: Sequence[Polygon], strokes: Sequence[LineString], width: float) -> Any:
    pieces: list[Any] = list(areas)
    if strokes:
        thin = _DRAWN_LINES * width / 2
        pieces.append(shapely.multilinestrings(list(strokes)).buffer(thin, quad_segs=2))
    return pieces[0] if len(pieces) == 1 else shapely.union_all(pieces)


def _counters(drawn: Any, mouth: float) -> list[Polygon]:
    """The holes of a drawing, with those that are open by a narrow mouth alone."""
    holes = _holes(drawn)
    whole = MultiPolygon(holes)
    nearly = [hole for hole in _holes(drawn.buffer(mouth / 2, quad_segs=3)) if not hole.intersects(whole)]
    return [*holes, *(hole.buffer(mouth / 2, quad_segs=3) for hole in nearly)]


def _holes(region: Any) -> list[Polygon]:
    return [Polygon(ring) for part in shapely.get_parts(region) for ring in part.interiors]


def _is_closed(hole: Polygon, burned: Any, width: float, open_lines: float, flaw: float) -> bool:
    """Whether less than `open_lines` widths of a counter stay open; a flaw of the drawing may close."""
    if _holds_disc(hole, (1 + open_lines) * width):
        return False  # nothing beyond half a line from the drawing is burned
    left = shapely.difference(hole, burned)
    return not _holds_disc(left, open_lines * width) and _holds_disc(hole, flaw)


def _holds_disc(region: Any, diameter: float) -> bool:
    return not region.is_empty and not region.buffer(-diameter / 2, quad_segs=3).is_empty


def _is_bridged(drawn: Any, burned: Any, width: float, flaw: float) -> bool:
    """Whether an opening was bridged: what lay open is enclosed now, or parts that stood apart are joined."""
    pocket = _POCKET_LINES * width
    if not _differs(drawn, burned, pocket=pocket):
        return False
    return _differs(drawn.buffer(flaw / 2, quad_segs=2), burned, pocket=pocket)


def _differs(drawn: Any, burned: Any, *, pocket: float) -> bool:
    """Whether parts of a drawing are joined, or something is enclosed that lay open and that a disc of
    diameter `pocket` goes into."""
    apart = shapely.get_parts(drawn)
    if len(apart) > 1:
        tree = shapely.STRtree(apart)
        if any(len(tree.query(p, predicate="intersects")) > 1 for p in shapely.get_parts(burned)):
            return True
    holes = _holes(burned)
    if not holes:
        return False
    enclosed = shapely.union_all(_holes(drawn))
    return any(not hole.intersects(enclosed) and _holds_disc(hole, pocket) for hole in holes)


def _is_swallowed(drawn: Any, burned: Any, width: float) -> bool:
    """Whether an opening between strokes was filled as a whole. The rim of a single line is half a line wide
    at the most; what is wider was filled from both sides."""
    return _holds_disc(shapely.difference(burned, drawn), _SWALLOWED_LINES * width)


@lru_cache(maxsize=_MOST_LETTERS)
def _faults(_key: Any, carried: _Carried, open_lines: float, *, is_fine_filled: bool) -> frozenset[Fault]:
    shape, process = carried.given_up()
    return burned_letter(shape, process, open_lines=open_lines, is_fine_filled=is_fine_filled).faults


@lru_cache(maxsize=_MOST_LETTERS)
def _keeps_apart(_key: Any, carried: _Carried, *, is_fine_filled: bool) -> bool:
    shape, process = carried.given_up()
    return keeps_apart(shape, process.line_width_mm, is_fine_filled=is_fine_filled)


class _Carried:
    """What is needed to judge a letter that is not remembered, behind the key that stands for it.

    It is given up when it is asked for: a cache keeps its arguments as long as their answer, and with this
    one the whole mark that the letter was first met in.
    """

    def __init__(self, shape: Callable[[], Shape], process: Process) -> None:
        self._held: tuple[Callable[[], Shape], Process] | None = shape, process

    def given_up(self) -> tuple[Shape, Process]:
        """The shape and the recipe, once."""
        assert self._held is not None
        (shape, process), self._held = self._held, None
        return shape(), process

    def __hash__(self) -> int:
        return 0

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _Carried)


class Remembered:
    """Verdicts on one letter, remembered by `key`, which stands for its shape, and the recipe; `shape` is
    called when they are not."""

    def __init__(self, key: Any, shape: Callable[[], Shape], process: Process) -> None:
        self._key, self._shape, self._process = key, shape, process

    def faults(self, open_lines: float, *, is_fine_filled: bool = False) -> frozenset[Fault]:
        """See `burned_letter`."""
        key = self._key, self._facts
        return _faults(key, self._carried(), open_lines, is_fine_filled=is_fine_filled)

    def keeps_apart(self, *, is_fine_filled: bool = False) -> bool:
        """See `keeps_apart`."""
        key = self._key, self._process.line_width_mm
        return _keeps_apart(key, self._carried(), is_fine_filled=is_fine_filled)

    def _carried(self) -> _Carried:
        return _Carried(self._shape, self._process)

    @property
    def _facts(self) -> tuple[object, ...]:
        """What of the recipe makes a difference to how an outline is burned."""
        process = self._process
        return (
            process.line_width_mm,
            process.edge_allowance_mm,
            process.edge_line,
            process.rows.spacing_mm,
            process.burns_centre_lines,
        )


__all__ = [
    "FLAW_HEIGHTS",
    "BurnedLetter",
    "Fault",
    "Remembered",
    "Shape",
    "beyond_mm",
    "burned_letter",
    "certainly_fine",
    "fill_keeps_openings",
    "keeps_apart",
]
