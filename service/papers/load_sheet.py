"""The sheet that goes with a load: plate, every unit with all its words, every pull, code to scan, cautions.

What has no room on a turn's first page goes on to the next; nothing is left out.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import shapely
from reportlab.lib.pagesizes import A4, landscape
from reportlab.lib.units import mm
from shapely import box

from layout.seating.registration import place_points, to_station
from layout.shop.blades import Product
from layout.shop.loads import LoadLayout, SlotFill
from layout.shop.shop import Shop
from service.loads.calibration_answers import LoadCalibrationAnswer
from service.loads.load_answers import LoadAnswer, PullAnswer, SlotAnswer, TurnAnswer
from service.papers import texts
from service.papers.page import (
    BOLD,
    INK,
    MARGIN,
    METAL,
    PALE,
    PLAIN,
    WOOD,
    Window,
    cut,
    draw_code,
    draw_outline,
    draw_rings,
    fitted,
    paper,
    write,
)
from service.papers.voice import Voice


def _(message: str) -> str:
    """Marks a message for the catalogue; it is translated where it is printed."""
    return message


_LOAD = _("Load")
_EMPTY = _("empty")
_GIFT_NOTE = _("Gift note")
#: What is done with every unit; each has a box to tick.
_STEPS = (_("seated"), _("burned"), _("inspected"), _("in its box"))
CAUTIONS = (
    _("Class 4 laser: enclosure closed and interlocked; opened only by trained people, with eyewear for it."),
    _("Fume extraction on before the start. Never burn a plastic or coating of unknown composition."),
    _("Blades are sharp: gloves, edge away from you. Solvent only away from beam, sparks and hot metal."),
    _("The maker's manual, local rules and the laser safety officer come before this sheet."),
)
_SIZE = landscape(A4)
_BOTTOM = 26 * mm
_UNIT, _WORDS, _PULL, _TICKS = 13 * mm, 8.5 * mm, 6 * mm, 5.5 * mm
_NAMES = 44 * mm
_PULLS_WIDTH = 66 * mm
_GUTTER = 4 * mm

#: Draws at the left edge and the top of its room (points), in so much width.
Draw = Callable[[float, float, float], None]


@dataclass(frozen=True, slots=True)
class Cell:
    """Something that takes a height (points) of a column."""

    height: float
    draw: Draw


@dataclass(frozen=True, slots=True)
class Column:
    """Where cells may go: left edge, top and width, in points."""

    x: float
    top: float
    width: float


def load_sheet(shop: Shop, layout: LoadLayout, load: LoadAnswer, voice: Voice) -> bytes:
    """Pages of each turn; the pulls are on those of the first."""
    page, data = paper(_SIZE, f"{load.id} {load.revision}")
    for turn in load.turns:
        fills = {fill.slot: fill for fill in next(t for t in layout.turns if t.turn == turn.turn).fills}
        units = [_unit_cell(page, shop, slot, fills.get(slot.slot), voice) for slot in turn.slots]
        pulls = _pull_cells(page, load.pulls, shop.products, voice) if turn.turn == 1 else []
        columns = partial(_unit_columns, beside=_PULLS_WIDTH + _GUTTER if pulls else 0.0)
        placed = [*_flow(units, columns), *_flow(pulls, _pull_columns)]
        count = max((number for number, *_rest in placed), default=0) + 1
        for number in range(count):
            _frame(page, load, turn, (number + 1, count), voice)
            if number == 0:
                frame = (MARGIN, _SIZE[1] - 105 * mm, _SIZE[0] - 2 * MARGIN, 71 * mm)
                _plate(page, shop, layout, fills, frame, voice)
            for at, column, top, cell in placed:
                if at == number:
                    cell.draw(column.x, top, column.width)
            page.showPage()
    page.save()
    return data.getvalue()


def _flow(
    cells: Sequence[Cell], columns: Callable[[int], Sequence[Column]]
) -> Iterator[tuple[int, Column, float, Cell]]:
    """Each cell with its page, its column and its top: down the columns, then on to the next page."""
    rooms = ((number, column) for number in range(len(cells) + 1) for column in columns(number))
    number, column = next(rooms)
    top = column.top
    for cell in cells:
        while top - cell.height < _BOTTOM and top < column.top:
            number, column = next(rooms)
            top = column.top
        yield number, column, top, cell
        top -= cell.height


def _top(number: int) -> float:
    return float(_SIZE[1] - (109 if number == 0 else 36) * mm)


def _unit_columns(number: int, *, beside: float) -> list[Column]:
    """Two columns on the left of what stands beside them, so wide."""
    width = (_SIZE[0] - 2 * MARGIN - beside - _GUTTER) / 2
    return [Column(MARGIN + at * (width + _GUTTER), _top(number), width) for at in (0, 1)]


def _pull_columns(number: int) -> list[Column]:
    return [Column(_SIZE[0] - MARGIN - _PULLS_WIDTH, _top(number), _PULLS_WIDTH)]


def _frame(page: Any, load: LoadAnswer, turn: TurnAnswer, numbers: tuple[int, int], voice: Voice) -> None:
    """What stands on every page: which load, which turn, the code to scan, the cautions."""
    width, height = _SIZE
    top = height - MARGIN
    say = voice.say
    draw_code(page, load.id, x=width - MARGIN - 18 * mm, y=top - 18 * mm, size=18 * mm)
    heading = f"{say(_LOAD)} {load.id} · {load.plate_copy} · {load.station}"
    write(page, heading, MARGIN, top - 8 * mm, 20, bold=True)
    parts = [
        say(_("turn %(turn)s of %(turns)s")) % {"turn": turn.turn, "turns": len(load.turns)},
        say(_("revision %(number)s")) % {"number": load.revision},
        load.operator,
        say(_("focus %(height)s mm")) % {"height": voice.number(turn.focus_mm)},
        say(_("file %(name)s")) % {"name": turn.file or "–"},
    ]
    if turn.turn == 1 and not load.pulls:
        parts.append(say(_("all units are in hand")))
    if numbers[1] > 1:
        parts.append(say(_("page %(number)s of %(count)s")) % {"number": numbers[0], "count": numbers[1]})
    write(page, " · ".join(parts), MARGIN, top - 15 * mm, 10)
    write(page, _lies(load.calibration, voice), MARGIN, top - 18.5 * mm, 8)
    for number, line in enumerate(reversed(CAUTIONS)):
        sign = "!" if number == len(CAUTIONS) - 1 else " "
        write(page, f"{sign} {say(line)}", MARGIN, 9 * mm + number * 3.6 * mm, 7.5)


def _lies(calibration: LoadCalibrationAnswer, voice: Voice) -> str:
    """By which calibration the plate lies where the file has it."""
    if calibration.measured_at is None:
        return voice.say(_("plate as described, not measured here"))
    measured = {"id": calibration.id, "day": calibration.measured_at.date().isoformat()}
    return voice.say(_("plate as measured on %(day)s (%(id)s)")) % measured


def _unit_cell(page: Any, shop: Shop, slot: SlotAnswer, fill: SlotFill | None, voice: Voice) -> Cell:
    """A slot's number, unit, face, product, order, ship-by time and process, beside them every one of its
    marks, and below a box to tick for each step."""
    marks = fill.marks if fill is not None else ()
    product = shop.products[slot.sku].name if slot.sku in shop.products else slot.sku
    zone = ZoneInfo(shop.policy.time_zone)
    due = texts.day_and_time(slot.ship_by.astimezone(zone), voice.language) if slot.ship_by else ""
    said = [product, " · ".join(filter(None, (slot.order_ref, due))), slot.process]
    steps = [*map(voice.say, _STEPS), *([voice.say(_GIFT_NOTE)] if slot.gift_note else [])]
    height = max(_UNIT, _WORDS * len(marks)) + _TICKS

    def draw(x: float, top: float, width: float) -> None:
        write(page, slot.slot, x, top - 5.5 * mm, 13, bold=True)
        unit, left = slot.job or slot.lot, x + 11 * mm
        up = voice.say(_("%(face)s up")) % {"face": voice.face(slot.face)}
        write(page, cut(f"{unit}  {up}", _NAMES, 8, bold=True), left, top - 3.5 * mm, 8, bold=True)
        for number, line in enumerate(said):
            write(page, cut(line, _NAMES, 7), left, top - (6.6 + 2.9 * number) * mm, 7)
        _ticks(page, steps, left, top - height + 1.6 * mm)
        for number, mark in enumerate(marks):
            window = fitted(
                mark.outline.bounds_mm,
                x=left + _NAMES,
                y=top - (number + 1) * _WORDS + 1.5 * mm,
                width=width - 13 * mm - _NAMES,
                height=_WORDS - 2 * mm,
                largest=1.6,
            )
            draw_outline(page, window, mark.outline)

    return Cell(height, draw)


def _ticks(page: Any, steps: Sequence[str], x: float, y: float) -> None:
    """A box to tick in front of each word, side by side."""
    page.setLineWidth(0.6)
    for step in steps:
        page.rect(x, y, 2.6 * mm, 2.6 * mm)
        write(page, step, x + 3.4 * mm, y + 0.5 * mm, 6.5)
        x += 5.4 * mm + page.stringWidth(step, PLAIN, 6.5)


def _pull_cells(
    page: Any, pulls: Sequence[PullAnswer], products: Mapping[str, Product], voice: Voice
) -> list[Cell]:
    def heading(x: float, top: float, width: float) -> None:
        words = cut(voice.say(_("Fetch these, in this order")), width, 10, bold=True)
        write(page, words, x, top - 4 * mm, 10, bold=True)

    def line(words: str, x: float, top: float, width: float) -> None:
        page.rect(x, top - 4.5 * mm, 3 * mm, 3 * mm)
        write(page, cut(words, width - 5 * mm, 8), x + 5 * mm, top - 4.3 * mm, 8)

    cells = [Cell(_PULL, heading)]
    for pull in pulls:
        name = products[pull.sku].name if pull.sku in products else pull.sku
        place = pull.bin or voice.say(_("bare blades"))
        cells.append(Cell(_PULL, partial(line, f"{place}  × {pull.quantity}  {name}")))
    return cells if pulls else []


def _plate(
    page: Any,
    shop: Shop,
    layout: LoadLayout,
    fills: Mapping[str, SlotFill],
    frame: tuple[float, float, float, float],
    voice: Voice,
) -> None:
    plate = shop.plates[layout.plate]
    width, height = plate.size_mm
    corners = to_station([(0, 0), (width, 0), (width, height), (0, height)], layout.calibration)
    bodies = [_placed(shop, layout, fill, _body(shop, fill).exterior) for fill in fills.values()]
    everything = np.vstack([corners, *bodies])
    extent = (*everything.min(axis=0).tolist(), *everything.max(axis=0).tolist())
    window = fitted(extent, x=frame[0], y=frame[1], width=frame[2], height=frame[3])
    draw_rings(page, window, [corners], stroke=INK, width=1)
    for slot in plate.slots:
        outline = to_station(shapely.get_coordinates(slot.outline.exterior), layout.calibration)
        dash = () if slot.slot in fills else (3, 2)
        draw_rings(page, window, [outline], stroke=PALE, width=0.6, dash=dash)
        if slot.slot in fills:
            _unit(page, window, shop, layout, fills[slot.slot])
        x, y = window.at([(outline.min(axis=0) + outline.max(axis=0)) / 2])[0]
        if slot.slot not in fills:
            write(page, f"{slot.slot} {voice.say(_EMPTY)}", x - 12, y - 4, 9)
            continue
        room = box(*window.at([outline.min(axis=0), outline.max(axis=0)]).ravel())
        units = [shapely.Polygon(window.at(body)) for body in bodies]
        write(page, slot.slot, *_beside(room, units, page.stringWidth(slot.slot, BOLD, 10)), 10, bold=True)


def _beside(room: Any, units: Sequence[Any], width: float) -> tuple[float, float]:
    """Where a slot's number, so wide, covers least of the units: in one of the slot's corners. In points."""
    x0, y0, x1, y1 = room.bounds
    corners = [(x, y) for x in (x0 + 2, x1 - 2 - width) for y in (y1 - 9.5, y0 + 2.5)]

    def covered(corner: tuple[float, float]) -> float:
        letters = box(*corner, corner[0] + width, corner[1] + 7.5)
        return sum(float(letters.intersection(unit).area) for unit in units)

    return min(corners, key=covered)


def _unit(page: Any, window: Window, shop: Shop, layout: LoadLayout, fill: SlotFill) -> None:
    face = shop.blades[fill.blade].face(fill.face)
    if face.body is not None:
        draw_rings(page, window, [_placed(shop, layout, fill, face.body.exterior)], fill=WOOD, width=0.4)
    draw_rings(page, window, [_placed(shop, layout, fill, face.silhouette.exterior)], fill=METAL, width=0.5)
    for mark in fill.marks:
        draw_outline(
            page, window, mark.outline, moved=lambda points: _placed_points(shop, layout, fill, points)
        )


def _body(shop: Shop, fill: SlotFill) -> Any:
    face = shop.blades[fill.blade].face(fill.face)
    return face.body or face.silhouette


def _placed(shop: Shop, layout: LoadLayout, fill: SlotFill, shape: Any) -> Any:
    return _placed_points(shop, layout, fill, shapely.get_coordinates(shape))


def _placed_points(shop: Shop, layout: LoadLayout, fill: SlotFill, points: Any) -> Any:
    seat = shop.plates[layout.plate].slot(fill.slot).seat(fill.blade, fill.face)
    assert seat is not None, "a load's slots were judged before it was granted"
    return place_points(points, seat.pose, layout.calibration)
