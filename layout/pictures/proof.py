"""The proof: what the check saw on a whole face, for the desk and the buyer. Never for burning.

Marks are shown as they are burned, by the shape that the verdict is about, and not as they were drawn.
Nothing is told by colour alone: what runs over is dashed, keep-outs bear their names, notes their signs.
"""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from functools import partial
from typing import Any

import shapely
from shapely.geometry import MultiPolygon, Point, box

from layout.check.feasibility import Checked, CheckResult
from layout.check.request_findings import SIZE_WORDS
from layout.fit.binding import Binding, Side
from layout.pictures.burned import SOME_LINE_MM, boldest, burned_areas
from layout.pictures.sheet import FAINT, INK, METAL, PAPER, PETROL, RUST, WOOD, Sheet, middle_of, new_sheet
from layout.shop.blades import Face, KeepOut
from layout.shop.findings import Finding, Severity
from layout.shop.loads import Mark
from layout.shop.outline import Outline
from layout.shop.shop import Shop
from layout.shop.stations import Process
from layout.shop.svg_text import Box

#: What a burned line looks like on a picture of metal.
BURNED = "#15191c"
KEPT_OUT = "#c9d1d3"
#: Words that run far over are drawn no farther than this share of the face's width beyond it.
_MOST_BEYOND = 0.25
#: Width of a letter of the page's family, on average, as a share of its size.
_LETTER_WIDTH = 0.58
#: So many faces are remembered, each with so many things that were drawn of it.
_MOST_METALS, _MOST_DRAWN = 512, 8
_SIGNS = {Severity.REFUSE: "×", Severity.REVIEW: "?", Severity.NOTE: "i"}


@dataclass(frozen=True, slots=True)
class Note:
    """A line under the picture: a sign that needs no colour, and words."""

    sign: str
    words: str


@dataclass(frozen=True, slots=True)
class Overrun:
    """Words at the size asked for where they don't fit, and the region (face frame) that they run over."""

    outline: Outline
    region: Any


def proof_svg(shop: Shop, sku: str, face: str, result: CheckResult, *, is_captioned: bool = True) -> str:
    """A face with all its marks and what the check has to say of them. Raises KeyError."""
    here = [checked for checked in result.inscriptions if checked.face == face]
    overruns = [
        Overrun(checked.overrun, checked.region.polygon)
        for checked in here
        if checked.overrun and checked.region
    ]
    return face_svg(
        shop,
        sku,
        face,
        [checked.mark for checked in here if checked.mark is not None],
        regions=[checked.region.polygon for checked in here if checked.region is not None],
        bindings=[binding for checked in here for binding in checked.binding],
        notes=_notes(result, here, runs_over=bool(overruns)),
        overruns=overruns,
        stations=frozenset(place.station for checked in here for place in checked.places),
        is_captioned=is_captioned,
    )


def face_svg(
    shop: Shop,
    sku: str,
    face: str,
    marks: Sequence[Mark],
    *,
    regions: Sequence[Any] = (),
    bindings: Sequence[Binding] = (),
    notes: Sequence[Note] = (),
    overruns: Sequence[Overrun] = (),
    stations: frozenset[str] = frozenset(),
    is_captioned: bool = True,
) -> str:
    """A face of a product with marks on it, as SVG text, in mm. Without captions only numbers are in it:
    for whoever says the rest beside it, in another language. Marks are shown as the boldest of the
    `stations` burns them; of all where none is named.

    Raises KeyError for an unknown product or face.
    """
    product = shop.products[sku]
    metal = _metal_of(shop.blades[product.blade].face(face))
    letter = metal.letter_mm
    named, numbered = _named_and_numbered(metal, holding={_binding_name(binding) for binding in bindings})
    if not is_captioned:
        notes, named, numbered = (), [], {}
    lines = [*notes, *(Note(str(n), f"{name}, kept out.") for n, name in enumerate(numbered, start=1))]
    x0, y0, x1, y1 = _shown(metal.box_mm, overruns)
    left, right = x0 - 3 * letter, max(x1, x0 + 52 * letter) + 3 * letter
    written = _wrapped(lines, right - left - 8 * letter, letter)
    foot = y0 - letter * (5.5 + 1.7 * len(written))
    sheet = new_sheet((left, foot, right, y1 + 5.5 * letter), letter)
    if is_captioned:
        sheet.text(f"{product.name}, {face.replace('_', ' ')}", x0, y1 + 2.6 * letter, font_weight="bold")
    _draw_once(sheet, metal, (left, y1), partial(_draw_metal, sheet, metal.face))
    for region in regions:
        sheet.area(region, fill=PETROL, fill_opacity=0.06, stroke=PETROL, stroke_width=letter / 24)
    for name, place in named:
        _label(sheet, name, place, RUST)
    for number, places in enumerate(numbered.values(), start=1):
        for place in places:
            sheet.badge(str(number), place.x, place.y, RUST)
    for overrun in overruns:
        _draw_overrun(sheet, overrun)
    for mark in marks:
        _draw_mark(sheet, mark, boldest(shop, mark.surface, stations))
        _dimensions(sheet, mark, held={binding.side for binding in bindings})
    silent = {name for name, _ in named} if is_captioned else {_binding_name(binding) for binding in bindings}
    _draw_bindings(sheet, bindings, named=silent)
    bar = partial(sheet.scale_bar, right - 3 * letter, y0 - 2.6 * letter)
    _draw_once(sheet, metal, (left, y1, right, y0), bar)
    if is_captioned:
        _write(sheet, written, x0, y0 - 2.4 * letter)
    return sheet.svg()


# --- what is written under the picture --------------------------------------------------------------


def _notes(result: CheckResult, here: Sequence[Checked], *, runs_over: bool) -> list[Note]:
    notes = [Note(_SIGNS[f.severity], _message(f, result)) for f in result.findings]
    for checked in here:
        if checked.size_mm is None:
            continue
        held = ", ".join(dict.fromkeys(_binding_name(binding) for binding in checked.binding))
        bound = (
            f"; bounded by {held}" if held else f"; {checked.clearance_mm:.2f} mm clear of its region's edge"
        )
        size = f"{SIZE_WORDS[checked.inscription.kind]} {checked.size_mm:.2f} mm"
        notes.append(Note("↕", f"{checked.inscription.zone}: {size}{bound}."))
    if runs_over:
        notes.append(
            Note("- -", "Dashed: the size asked for, which does not fit; filled where it runs over.")
        )
    return notes


def _message(finding: Finding, result: CheckResult) -> str:
    """The finding's message, led by its zone where the request has several inscriptions."""
    if finding.inscription is None or len(result.inscriptions) < 2:
        return finding.message
    return f"{result.inscriptions[finding.inscription].inscription.zone}: {finding.message}"


def _wrapped(notes: Iterable[Note], width_mm: float, letter_mm: float) -> list[Note]:
    """Notes broken into lines of that width; only the first line of each has its sign."""
    most = max(20, int(width_mm / (_LETTER_WIDTH * letter_mm)))
    return [
        Note(note.sign if number == 0 else "", line)
        for note in notes
        for number, line in enumerate(textwrap.wrap(_showable(note.words), most) or [""])
    ]


def _showable(words: str) -> str:
    """The buyer's words without characters that no SVG can hold."""
    return "".join(char if char.isprintable() else "\ufffd" for char in words)


def _write(sheet: Sheet, notes: Sequence[Note], x: float, y: float) -> None:
    letter = sheet.letter_mm
    for note in notes:
        sheet.text(note.sign, x, y, font_weight="bold")
        sheet.text(note.words, x + 1.8 * letter, y)
        y -= 1.7 * letter
    sheet.text("A picture of what will be burned, not a file for burning.", x, y - 0.3 * letter, fill=FAINT)


# --- metal, zones and keep-outs -----------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Shown:
    """A keep-out as far as it lies on the metal: its middle, and whether its name has room there."""

    keep_out: KeepOut
    middle: Point
    has_room: bool


@dataclass(frozen=True, slots=True)
class _Metal:
    """What no mark changes of a face's picture: how large the unit is (mm), the size of letters, keep-outs;
    and svgwrite's elements that were drawn once, by what of the page they depend on."""

    face: Face  # kept, so that the id by which it is remembered stays its own
    box_mm: Box
    letter_mm: float
    keep_outs: tuple[_Shown, ...]
    drawn: dict[tuple[float, ...], list[Any]] = field(default_factory=dict)


_METALS: dict[int, _Metal] = {}


def _metal_of(face: Face) -> _Metal:
    """The same, made once."""
    metal = _METALS.get(id(face))
    if metal is None:
        if len(_METALS) >= _MOST_METALS:
            _METALS.clear()
        body = shapely.union_all([face.body or face.silhouette, face.silhouette])
        letter = max(2.4, (body.bounds[2] - body.bounds[0]) / 80)
        metal = _METALS[id(face)] = _Metal(face, body.bounds, letter, tuple(_keep_outs(face, letter)))
    return metal


def _draw_once(sheet: Sheet, metal: _Metal, depends_on: tuple[float, ...], draw: Callable[[], None]) -> None:
    """Draw something that is the same on every picture of the face with the same such lengths (mm)."""
    elements = sheet.drawing.elements
    if (before := metal.drawn.get(depends_on)) is not None:
        elements += before
        return
    there = len(elements)
    draw()
    if len(metal.drawn) < _MOST_DRAWN:  # words that run over change the page
        metal.drawn[depends_on] = elements[there:]


def _draw_metal(sheet: Sheet, face: Face) -> None:
    hair = sheet.letter_mm / 12
    if face.body is not None:
        sheet.area(face.body.difference(face.silhouette), fill=WOOD, stroke=INK, stroke_width=hair)
    sheet.area(face.silhouette, fill=METAL, stroke=INK, stroke_width=2 * hair)
    for keep_out in face.keep_outs:
        inside = keep_out.polygon.intersection(face.silhouette)
        fill = PAPER if keep_out.reason == "hole" else KEPT_OUT
        sheet.area(inside, fill=fill, stroke=FAINT, stroke_width=hair)
    for zone in face.zones:
        usable = zone.polygon.intersection(face.silhouette)
        sheet.area(usable, fill="none", stroke=PETROL, stroke_width=hair, stroke_dasharray=_dashes(sheet))


def _keep_outs(face: Face, letter_mm: float) -> Iterator[_Shown]:
    for keep_out in face.keep_outs:
        shown = keep_out.polygon.intersection(face.silhouette)
        if shown.area > 0:
            middle = Point(middle_of(shown))
            needed = _box_of(keep_out.keep_out, middle, letter_mm)
            yield _Shown(keep_out, middle, shown.buffer(0.4 * letter_mm).covers(needed))


def _named_and_numbered(
    metal: _Metal, *, holding: set[str]
) -> tuple[list[tuple[str, Point]], dict[str, list[Point]]]:
    """Keep-outs with room for their name, each with where it goes; and by name those too small for it, which
    get a number. Keep-outs in `holding` bound a mark and are named there instead."""
    named: list[tuple[str, Point]] = []
    numbered: dict[str, list[Point]] = {}
    for shown in metal.keep_outs:
        if shown.has_room:
            named.append((shown.keep_out.keep_out, shown.middle))
        elif shown.keep_out.keep_out not in holding:
            numbered.setdefault(_called(shown.keep_out), []).append(shown.middle)
    return named, numbered


def _called(keep_out: KeepOut) -> str:
    """A keep-out's name without its running number, and why nothing is burned there."""
    name, reason = keep_out.keep_out.rstrip("0123456789 "), keep_out.reason.replace("_", " ")
    return name if reason in name else f"{name}: {reason}"


def _box_of(words: str, middle: Any, letter_mm: float) -> Any:
    half = _LETTER_WIDTH * letter_mm * 0.8 * len(words) / 2
    return box(middle.x - half, middle.y - 0.4 * letter_mm, middle.x + half, middle.y + 0.4 * letter_mm)


def _label(sheet: Sheet, words: str, at: Any, colour: str, *, anchor: str = "middle") -> None:
    """Small words with a rim of paper, so that they can be read over whatever lies there."""
    sheet.text(
        words,
        at.x,
        at.y - 0.3 * sheet.letter_mm,
        fill=colour,
        text_anchor=anchor,
        font_size=f"{0.8 * sheet.letter_mm:.3f}",
        stroke=PAPER,
        stroke_width=sheet.letter_mm / 5,
        paint_order="stroke",
        stroke_linejoin="round",
    )


# --- marks, and what holds them -----------------------------------------------------------------------


def _draw_mark(sheet: Sheet, mark: Mark, process: Process | None) -> None:
    """The mark as the process burns it; as it was drawn where nothing says how it would be burned."""
    sheet.area(burned_areas(mark, process), fill=BURNED)
    _draw_strokes(sheet, mark.outline, process.line_width_mm if process else SOME_LINE_MM, BURNED)


def _draw_strokes(sheet: Sheet, outline: Outline, width_mm: float, colour: str) -> None:
    for stroke in outline.strokes:
        sheet.line(
            stroke.coords,
            stroke=colour,
            stroke_width=width_mm,
            stroke_linecap="round",
            stroke_linejoin="round",
        )


def _draw_overrun(sheet: Sheet, overrun: Overrun) -> None:
    """Dashed edges, and a fill for the part that lies where nothing may be burned."""
    hair = sheet.letter_mm / 14
    areas = MultiPolygon(overrun.outline.areas)
    sheet.area(areas.difference(overrun.region), fill=RUST, fill_opacity=0.55)
    dashed = {"stroke": RUST, "stroke_width": hair, "stroke_dasharray": f"{4 * hair:.3f} {3 * hair:.3f}"}
    sheet.area(areas, fill="none", **dashed)
    for stroke in overrun.outline.strokes:
        sheet.line(stroke.coords, **dashed)


def _dimensions(sheet: Sheet, mark: Mark, *, held: set[Side]) -> None:
    """Height beside the mark and length along it, each with its figure on the line; on sides where nothing
    bounds the mark, if there are any."""
    x0, y0, x1, y1 = mark.outline.bounds_mm
    letter = sheet.letter_mm
    right, over = "before" in held and "after" not in held, "below" in held and "above" not in held
    x = x1 + 0.8 * letter if right else x0 - 0.8 * letter
    y = y1 + 0.8 * letter if over else y0 - 0.8 * letter
    tick = letter / 4
    for line in (
        [(x, y0), (x, y1)],
        [(x - tick, y0), (x + tick, y0)],
        [(x - tick, y1), (x + tick, y1)],
        [(x0, y), (x1, y)],
        [(x0, y - tick), (x0, y + tick)],
        [(x1, y - tick), (x1, y + tick)],
    ):
        sheet.line(line, stroke=PETROL, stroke_width=letter / 16)
    beside = 0.3 * letter if right else -0.3 * letter
    middle = Point(x + beside, (y0 + y1) / 2)
    _label(sheet, f"{y1 - y0:.2f}", middle, PETROL, anchor="start" if right else "end")
    beyond = 0.7 * letter if over else -0.7 * letter
    _label(sheet, f"{x1 - x0:.2f} mm", Point((x0 + x1) / 2, y + beyond), PETROL)


def _draw_bindings(sheet: Sheet, bindings: Sequence[Binding], *, named: set[str]) -> None:
    """A ring where the mark meets what bounds it, and the name of that beside the ring, once: not where a
    keep-out bears its name already."""
    letter = sheet.letter_mm
    away = {
        "before": (-0.8, 0.0, "end"),
        "after": (0.8, 0.0, "start"),
        "above": (0.0, 1.0, "middle"),
        "below": (0.0, -1.0, "middle"),
    }
    spoken_of = set(named)
    for binding in bindings:
        x, y = binding.point
        sheet.line(Point(x, y).buffer(letter * 0.45).exterior.coords, stroke=RUST, stroke_width=letter / 10)
        if _binding_name(binding) in spoken_of:
            continue
        spoken_of.add(_binding_name(binding))
        dx, dy, anchor = away[binding.side]
        _label(sheet, _binding_name(binding), Point(x + dx * letter, y + dy * letter), RUST, anchor=anchor)


def _binding_name(binding: Binding) -> str:
    if binding.kind == "keep_out":
        return binding.name
    return f"edge of {binding.name.replace('_', ' ')}"


def _shown(unit: Box, overruns: Sequence[Overrun]) -> Box:
    """The box (mm) that the picture shows: the whole unit and what runs over it, within limits."""
    x0, y0, x1, y1 = unit
    beyond = _MOST_BEYOND * (x1 - x0)
    for overrun in overruns:
        if overrun.outline.is_empty:
            continue
        a, b, c, d = overrun.outline.bounds_mm
        x0, y0 = min(x0, max(a, x0 - beyond)), min(y0, max(b, y0 - beyond))
        x1, y1 = max(x1, min(c, x1 + beyond)), max(y1, min(d, y1 + beyond))
    return x0, y0, x1, y1


def _dashes(sheet: Sheet) -> str:
    return f"{0.75 * sheet.letter_mm:.3f} {0.42 * sheet.letter_mm:.3f}"
