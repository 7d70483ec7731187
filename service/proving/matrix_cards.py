"""Matrix cards: many settings on one piece of scrap, the file to burn, what to set for each of its layers,
and the square that was chosen as a process of the shop's description.

Nothing is kept of a card: it is whatever its settings say, and the same settings give the same files. A
chosen square is a recipe on paper; its process is usable once its test card is on record, as every other.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from layout.burn.formats import MEDIA_TYPES, WRITERS
from layout.burn.matrix_card import Matrix, cells, colour, matrix_burn, station_of_card
from layout.burn.turn import NotBurnable
from layout.shop.blades import Surface
from layout.shop.shop import Shop
from service.proving.matrix_answers import (
    AddedFileAnswer,
    ChosenCellAnswer,
    MatrixCardAnswer,
    matrix_answer,
    settings_rows,
)
from service.records.errors import BadRequest, NotFound
from service.requests.served import Served
from service.requests.sheet_files import csv_text
from service.shop import additions
from service.shop.tools import Tools

#: Squares of a card: a person has to set each of them.
MOST_CELLS = 100
LEAST_SPACING_MM = 0.005
_COLUMNS = (
    "layer",
    "colour",
    "power_percent",
    "speed_mm_s",
    "frequency_khz",
    "spacing_mm",
    "repeats",
    "dose",
)


@dataclass(frozen=True)
class Wanted:
    """A card as it is asked for: numbers in a row, with commas between."""

    station: str
    material: str
    finish: str
    powers: str = "20, 35, 50, 65, 80"
    speeds: str = "200, 400, 800, 1200, 1600, 2400"
    spacings: str = "0.03"
    line_width_mm: float = 0.05
    frequency_khz: float | None = None
    repeats: int = 1


def matrix_of(shop: Shop, wanted: Wanted) -> Matrix:
    """The card's settings as values. Raises BadRequest for what can be no card."""
    if wanted.station not in shop.stations:
        raise BadRequest(f"there is no station {wanted.station}", field="station")
    spot = shop.stations[wanted.station].spot_mm
    if not spot <= wanted.line_width_mm <= 2:
        raise BadRequest(
            f"a line is at least as wide as the spot, {spot:g} mm, and at most 2 mm", field="line_width_mm"
        )
    if not 1 <= wanted.repeats <= 50:
        raise BadRequest("from 1 to 50 repeats", field="repeats")
    if wanted.frequency_khz is not None and not 0 < wanted.frequency_khz <= 10_000:
        raise BadRequest("a frequency is above 0 and at most 10000 kHz", field="frequency_khz")
    for field, words in (("material", wanted.material), ("finish", wanted.finish)):
        if not words.strip():
            raise BadRequest(f"say which {field} it is for, as your products name it", field=field)
    spacings = _numbers(wanted.spacings, "spacings", most=1)
    if min(spacings) < LEAST_SPACING_MM:
        raise BadRequest(f"rows are at least {LEAST_SPACING_MM} mm apart", field="spacings")
    try:
        matrix = Matrix(
            station=wanted.station,
            surface=Surface(wanted.material.strip(), wanted.finish.strip()),
            powers_percent=_numbers(wanted.powers, "powers", most=100),
            speeds_mm_s=_numbers(wanted.speeds, "speeds", most=100_000),
            spacings_mm=spacings,
            line_width_mm=wanted.line_width_mm,
            frequency_khz=wanted.frequency_khz,
            repeats=wanted.repeats,
        )
    except ValueError as error:
        raise BadRequest(f"{error}", field="matrix") from error
    if len(matrix.rows) * len(matrix.speeds_mm_s) > MOST_CELLS:
        raise BadRequest(f"at most {MOST_CELLS} squares: each of them has to be set by hand", field="speeds")
    return matrix


def card(tools: Tools, matrix: Matrix) -> MatrixCardAnswer:
    """What to set for each layer. Raises BadRequest when no card can be made, CheckTooSlow, CheckersBusy."""
    shop = tools.catalogue.current
    _, code = _built(tools, matrix, shop.stations[matrix.station].formats[0])
    return matrix_answer(matrix, code=code, fills_itself=shop.stations[matrix.station].fill == "outline")


def card_file(tools: Tools, matrix: Matrix, format_name: str) -> Served:
    """The card in one of its station's formats. Raises NotFound for another, BadRequest when no card can be
    made, CheckTooSlow, CheckersBusy."""
    if format_name not in tools.catalogue.current.stations[matrix.station].formats:
        raise NotFound(f"the station {matrix.station} reads no {format_name}", id=format_name)
    data, code = _built(tools, matrix, format_name)
    return Served.of(data, f"MATRIX-{matrix.station}-{code}.{format_name}", MEDIA_TYPES[format_name])


def settings_csv(answer: MatrixCardAnswer) -> str:
    """The table of settings for a spreadsheet."""
    return csv_text(_COLUMNS, [[row.get(name, "") for name in _COLUMNS] for row in settings_rows(answer)])


def chosen(
    content: Mapping[str, str], shop: Shop, matrix: Matrix, cell: str, process: str
) -> ChosenCellAnswer:
    """The square as a process of a description, `content` its files: a new one of that name, or the station's
    recipe for this surface with the square's settings, which then needs a new test card.

    Raises NotFound for a square that the card has not, BadRequest for a name that can't be taken.
    """
    square = next((one for one in cells(matrix) if one.cell == cell.strip().upper()), None)
    if square is None:
        raise NotFound(f"the card has no square {cell}", id=cell)
    before = shop.recipe_for(matrix.station, matrix.surface)
    name = before.process if before is not None else process.strip()
    if not name:
        raise BadRequest("say what the process shall be called", field="process")
    recipe: dict[str, Any] = {
        "process": name,
        "station": matrix.station,
        "material": matrix.surface.material,
        "finish": matrix.surface.finish,
        "power_percent": square.power_percent,
        "speed_mm_s": square.speed_mm_s,
        **({} if matrix.frequency_khz is None else {"frequency_khz": matrix.frequency_khz}),
        "rows": {
            "spacing_mm": square.spacing_mm,
            "angle_deg": matrix.angle_deg,
            "crossed": matrix.crossed,
        },
        "repeats": matrix.repeats,
        "line_width_mm": matrix.line_width_mm,
    }
    if before is None:
        recipe |= {
            "edge_line": True,
            "edge_allowance_mm": round(matrix.line_width_mm / 2, 4),
            "focus_tolerance_mm": 1.0,
        }
    files = additions.with_process(content, recipe, map(colour, range(10_000)))
    return ChosenCellAnswer(
        process=name, files=tuple(AddedFileAnswer(name=file, text=text) for file, text in files.items())
    )


def build(shop: Shop, matrix: Matrix, format_name: str) -> tuple[bytes, str]:
    """The file and its short code; runs in a geometry process."""
    burn = matrix_burn(shop, matrix)
    return WRITERS[format_name](burn, station_of_card(shop.stations[matrix.station], matrix)), burn.short_code


def _built(tools: Tools, matrix: Matrix, format_name: str) -> tuple[bytes, str]:
    try:
        built: tuple[bytes, str] = tools.geometry.work(
            build, shop_of_matrix(tools.catalogue.current), matrix, format_name
        )
    except NotBurnable as error:
        raise BadRequest(f"no card can be made: {error}", field="matrix") from error
    return built


def shop_of_matrix(shop: Shop) -> Shop:
    """The shop with no more than the card needs, which is cheap to hand to another process."""
    return replace(shop, products={}, blades={}, plates={}, artworks={}, stores={})


def _numbers(text: str, field: str, *, most: float) -> tuple[float, ...]:
    try:
        numbers = tuple(float(part.strip().replace(" ", "")) for part in text.replace(";", ",").split(","))
    except ValueError:
        raise BadRequest(f"{field}: numbers with commas between, such as 20, 35, 50", field=field) from None
    if not all(0 < number <= most for number in numbers):
        raise BadRequest(f"{field}: above 0 and at most {most:g}", field=field)
    return numbers
