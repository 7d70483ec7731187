"""The matrix card: one square for each pair of settings, to find a recipe for a new steel by looking.

Rows of power, or of the distance of rows, by columns of speed; beside each square a single line, whose width
can be measured. Burn files hold no power and no speed: every
square has a layer and a colour of its own (`cells`), and a table says what to set for each. Layers stand in
the file, and in the table, from the gentlest settings to the strongest, so that whoever watches can stop. It
is built by the same fill and the same writers as every burn file, and like the test card it is no load's: for
scrap, never for a product.
"""

from __future__ import annotations

import colorsys
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from shapely.geometry import LineString, box

from layout.burn.test_card import MARGIN_MM, card_words, in_the_middle, moved
from layout.burn.turn import Burn, BurnPart, NotBurnable, pieces_of
from layout.lettering.fonts import open_font
from layout.shop.blades import Surface
from layout.shop.outline import Outline, frozen
from layout.shop.shop import FontSpec, Shop
from layout.shop.stations import LayerStyle, Process, Rows, Station

CELL_MM, GAP_MM = 6.0, 2.5
LABEL_MM = 1.8
#: Rows, and columns, that have a letter, and a number, of their own.
MOST_ROWS = MOST_COLUMNS = 12
LABELS = "LABELS"
_LETTERS = "ABCDEFGHIJKL"
_LABEL_SIGNS = "ABCDEFGHIJKL0123456789.%/ "
_ROW_LABEL_MM = 11.0
_HEAD_MM = 9.0
#: A fraction of a turn after which hues never come close to one another: the golden section.
_HUE_STEP = (math.sqrt(5) - 1) / 2


@dataclass(frozen=True, slots=True)
class Matrix:
    """What is tried: rows of `powers_percent` (one spacing), or of `spacings_mm` (one power), by columns of
    speed. `line_width_mm` is what a line is guessed to be, to keep the squares their size."""

    station: str
    surface: Surface
    powers_percent: tuple[float, ...]
    speeds_mm_s: tuple[float, ...]
    spacings_mm: tuple[float, ...]
    line_width_mm: float
    frequency_khz: float | None = None
    repeats: int = 1
    angle_deg: float = 45.0
    crossed: bool = False

    def __post_init__(self) -> None:
        """Raises ValueError for a matrix that is none."""
        if len(self.powers_percent) > 1 and len(self.spacings_mm) > 1:
            raise ValueError("rows are of power or of spacing, not of both: give one of either")
        for name, values, most in (
            ("powers", self.powers_percent, MOST_ROWS),
            ("spacings", self.spacings_mm, MOST_ROWS),
            ("speeds", self.speeds_mm_s, MOST_COLUMNS),
        ):
            if not 1 <= len(values) <= most:
                raise ValueError(f"{name}: from 1 to {most} of them")
            if len(set(values)) < len(values):
                raise ValueError(f"{name}: the same one stands twice")
        if max(self.powers_percent) > 100:
            raise ValueError("powers: 100 % is the most")

    @property
    def rows(self) -> tuple[tuple[float, float], ...]:
        """Power and spacing of each row."""
        return tuple((power, spacing) for power in self.powers_percent for spacing in self.spacings_mm)

    @property
    def is_of_spacing(self) -> bool:
        """Whether its rows are of the distance of rows."""
        return len(self.spacings_mm) > 1


@dataclass(frozen=True, slots=True)
class Cell:
    """One square. `dose` is the energy for an area as a multiple of the gentlest square's: power over speed
    and spacing, as every pass of a row brings it."""

    cell: str
    power_percent: float
    speed_mm_s: float
    spacing_mm: float
    dose: float
    style: LayerStyle


def cells(matrix: Matrix) -> tuple[Cell, ...]:
    """All squares, the gentlest first.

    >>> card = Matrix("north", Surface("steel", "satin"), (20, 40), (500, 1000), (0.03,), 0.05)
    >>> [(cell.cell, cell.dose) for cell in cells(card)]
    [('A2', 1.0), ('A1', 2.0), ('B2', 2.0), ('B1', 4.0)]
    """
    least = min(power / spacing for power, spacing in matrix.rows) / max(matrix.speeds_mm_s)
    made = [
        Cell(
            f"{_LETTERS[row]}{column + 1}",
            power,
            speed,
            spacing,
            round(power / (speed * spacing) / least, 2),
            LayerStyle(f"CELL-{_LETTERS[row]}{column + 1}", colour(row * len(matrix.speeds_mm_s) + column)),
        )
        for row, (power, spacing) in enumerate(matrix.rows)
        for column, speed in enumerate(matrix.speeds_mm_s)
    ]
    return tuple(sorted(made, key=lambda cell: (cell.dose, cell.cell)))


def label_settings(matrix: Matrix) -> Cell:
    """What the labels are proposed to be burned with: the square in the middle of all."""
    every = cells(matrix)
    return replace(every[len(every) // 2], cell=LABELS, style=LayerStyle(LABELS, "#000000"))


def card_size_mm(matrix: Matrix) -> tuple[float, float]:
    """Width and height of the scrap that takes the card, a margin around it included."""
    pitch = CELL_MM + GAP_MM
    return (
        2 * MARGIN_MM + _ROW_LABEL_MM + pitch * len(matrix.speeds_mm_s),
        2 * MARGIN_MM + _HEAD_MM + pitch * len(matrix.rows) - GAP_MM,
    )


def station_of_card(station: Station, matrix: Matrix) -> Station:
    """The station as it marks this card's layers in a file."""
    styles = {cell.cell: cell.style for cell in (*cells(matrix), label_settings(matrix))}
    return replace(station, layers=styles, centre_layers={})


def matrix_burn(shop: Shop, matrix: Matrix) -> Burn:
    """The card in the middle of its station's field.

    Raises NotBurnable when the field is smaller than the card, or the shop has no font to label it with.
    """
    station = shop.stations[matrix.station]
    width, height = card_size_mm(matrix)
    x0, y0, x1, y1 = station.field_box_mm
    if x1 - x0 < width or y1 - y0 < height:
        raise NotBurnable(
            "card",
            f"the field of {station.station} is smaller than the card, {width:g} x {height:g} mm: try less",
        )
    font = _label_font(shop)
    labels = label_settings(matrix)
    return Burn(
        (
            _part(matrix, labels, list(_labels(matrix, font, width, height)), station),
            *(_part(matrix, cell, [_square(cell, width, height)], station) for cell in cells(matrix)),
        ),
        station.field_box_mm,
    )


def _part(matrix: Matrix, cell: Cell, outlines: Sequence[Outline], station: Station) -> BurnPart:
    recipe = recipe_of(matrix, cell)
    pieces = [
        piece for outline in outlines for piece in pieces_of(outline, recipe, as_rows=station.fill == "rows")
    ]
    placed = tuple(in_the_middle(pieces, station))
    return BurnPart(cell.cell, cell.cell, matrix.line_width_mm, placed)


def recipe_of(matrix: Matrix, cell: Cell) -> Process:
    """The recipe that a square is burned with, not proven by it: that takes a test card."""
    return Process(
        process=cell.cell,
        station=matrix.station,
        surface=matrix.surface,
        power_percent=cell.power_percent,
        speed_mm_s=cell.speed_mm_s,
        frequency_khz=matrix.frequency_khz,
        rows=Rows(cell.spacing_mm, matrix.angle_deg, matrix.crossed),
        edge_line=False,
        edge_allowance_mm=matrix.line_width_mm / 2,
        repeats=matrix.repeats,
        line_width_mm=matrix.line_width_mm,
        focus_tolerance_mm=1.0,
        test_card=None,
    )


def _corner(width: float, height: float) -> tuple[float, float]:
    """The left upper corner of the first square, from the card's middle."""
    return MARGIN_MM + _ROW_LABEL_MM - width / 2, height / 2 - MARGIN_MM - _HEAD_MM


def _square(cell: Cell, width: float, height: float) -> Outline:
    left, top = _corner(width, height)
    row, column = _LETTERS.index(cell.cell[0]), int(cell.cell[1:]) - 1
    x, y = left + column * (CELL_MM + GAP_MM), top - row * (CELL_MM + GAP_MM)
    line = x + CELL_MM + GAP_MM / 2
    return frozen([box(x, y - CELL_MM, x + CELL_MM, y)], [LineString([(line, y - CELL_MM), (line, y)])])


def _labels(matrix: Matrix, font: FontSpec, width: float, height: float) -> Iterator[Outline]:
    """What stands beside the squares: each row's letter and value, each column's number and speed."""
    left, top = _corner(width, height)
    pitch = CELL_MM + GAP_MM
    for column, speed in enumerate(matrix.speeds_mm_s):
        x = left + column * pitch
        yield _label(f"{column + 1}", font, x, top + 2.0 + LABEL_MM, pitch - 1)
        yield _label(f"{speed:g}", font, x, top + 1.0, pitch - 1)
    for row, (power, spacing) in enumerate(matrix.rows):
        y = top - row * pitch - CELL_MM
        yield _label(_LETTERS[row], font, left - _ROW_LABEL_MM, y + 1.0 + LABEL_MM + 1.0, _ROW_LABEL_MM - 1)
        value = f"{spacing:g}" if matrix.is_of_spacing else f"{power:g}%"
        yield _label(value, font, left - _ROW_LABEL_MM, y + 1.0, _ROW_LABEL_MM - 1)


def _label(text: str, font: FontSpec, x: float, y: float, most_mm: float) -> Outline:
    """Words whose baseline begins there, as tall as they go into the width."""
    words = card_words(text, font, LABEL_MM)
    wide = words.bounds_mm[2] - words.bounds_mm[0]
    if wide > most_mm:
        words = card_words(text, font, LABEL_MM * most_mm / wide)
    return moved(words, x - words.bounds_mm[0], y)


def _label_font(shop: Shop) -> FontSpec:
    """A font of single lines where the shop has one with all signs of labels, else the first with them."""
    for spec in sorted(shop.fonts.values(), key=lambda font: (font.kind != "single_line", font.font)):
        if open_font(spec).covers(_LABEL_SIGNS):
            return spec
    raise NotBurnable("card", "the shop has no font with plain letters and digits")


def colour(index: int) -> str:
    """One of many colours that differ: by hue, and in turns by how light they are; CSS hex."""
    red, green, blue = colorsys.hls_to_rgb((index * _HUE_STEP) % 1, (0.35, 0.5, 0.62)[index % 3], 0.75)
    return f"#{round(red * 255):02x}{round(green * 255):02x}{round(blue * 255):02x}"
