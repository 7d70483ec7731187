"""A card of many settings to burn on scrap: what to try, the files, what to set, and the square that was
chosen as a process."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any
from urllib.parse import urlencode

from fastapi import APIRouter, Request, Response
from sqlalchemy.orm import Session

from layout.shop.shop import Shop
from service.doorway import AtHand, voice_of
from service.pages.cautions import hazards
from service.pages.gate import Form, OwnerVisitor, Visitor
from service.pages.render import PageRoute, page, saved, status_of
from service.papers.matrix_sheet import matrix_sheet
from service.proving import matrix_cards
from service.proving.matrix_answers import MatrixCardAnswer
from service.proving.matrix_cards import Wanted
from service.records.errors import BadRequest, Refusal
from service.requests.served import Served
from service.shop import additions
from service.shop.tools import Tools

router = APIRouter(include_in_schema=False, route_class=PageRoute)

_MOST_LETTERS = 200
_FIELDS = (
    "station",
    "material",
    "finish",
    "powers",
    "speeds",
    "spacings",
    "line_width_mm",
    "frequency_khz",
    "repeats",
)


@router.get("/owner/matrix")
def get_matrix(request: Request, tools: AtHand, visitor: OwnerVisitor) -> Response:
    """What to try, and once that is said the card."""
    return _shown(request, tools, visitor, request.query_params)


@router.get("/owner/matrix/card.{kind}")
def get_matrix_file(request: Request, tools: AtHand, kind: str, visitor: OwnerVisitor) -> Response:
    """The card itself, to be burned on scrap."""
    matrix = matrix_cards.matrix_of(tools.catalogue.current, _wanted(request.query_params))
    return saved(matrix_cards.card_file(tools, matrix, kind))


@router.get("/owner/matrix/settings.{kind}")
def get_matrix_settings(request: Request, tools: AtHand, kind: str, visitor: OwnerVisitor) -> Response:
    """What to set for each layer: on paper, or as a table."""
    wanted = _wanted(request.query_params)
    card = matrix_cards.card(tools, matrix_cards.matrix_of(tools.catalogue.current, wanted))
    stem = f"MATRIX-{card.station}-{card.code}"
    if kind == "pdf":
        return saved(
            Served.of(matrix_sheet(card, voice_of(request)), f"{stem}-settings.pdf", "application/pdf")
        )
    return saved(Served.of(matrix_cards.settings_csv(card), f"{stem}.csv", "text/csv; charset=utf-8"))


@router.post("/owner/matrix/choose")
def post_choice(request: Request, tools: AtHand, visitor: OwnerVisitor, form: Form) -> Response:
    """Write the chosen square into the draft of the shop's description."""
    shop: Shop = tools.catalogue.current
    process = str(form.get("process", "")).strip()

    def work(session: Session) -> str:
        matrix = matrix_cards.matrix_of(shop, _wanted(form))
        cell = str(form.get("cell", ""))
        named: list[str] = []

        def make(content: Mapping[str, str]) -> dict[str, str]:
            chosen = matrix_cards.chosen(content, shop, matrix, cell, process)
            named.append(chosen.process)
            return {file.name: file.text for file in chosen.files}

        additions.write_to_draft(session, make, by=tools.by(visitor.who))
        return named[0]

    try:
        written = tools.database.write(work)
    except Refusal as refusal:
        return _shown(request, tools, visitor, form, refused=refusal)
    return _shown(request, tools, visitor, form, written=written)


def _shown(
    request: Request,
    tools: Tools,
    visitor: Visitor,
    given: Mapping[str, Any],
    *,
    refused: Refusal | None = None,
    **more: Any,
) -> Response:
    shop: Shop = tools.catalogue.current
    card: MatrixCardAnswer | None = None
    if given and refused is None:
        try:
            card = matrix_cards.card(tools, matrix_cards.matrix_of(shop, _wanted(given)))
        except Refusal as refusal:
            refused = refusal
    typed = {name: str(given.get(name, "")) for name in _FIELDS}
    query = urlencode({name: value for name, value in typed.items() if value})
    columns = len({cell.speed_mm_s for cell in card.cells}) if card else 0
    before = next(
        (
            process.process
            for process in shop.processes.values()
            if (process.station, process.surface.material, process.surface.finish)
            == (typed["station"], typed["material"], typed["finish"])
        ),
        None,
    )
    return page(
        request,
        "matrix.html",
        visitor,
        status=status_of(refused) if refused else 200,
        refused=refused,
        stations=list(shop.stations.values()),
        formats=shop.stations[card.station].formats if card else (),
        materials=sorted({product.surface.material for product in shop.products.values()}),
        finishes=sorted({product.surface.finish for product in shop.products.values()}),
        typed=typed if given else {**typed, **_first()},
        card=card,
        grid=_grid(card, columns) if card else (),
        query=query,
        before=before,
        hazards=hazards([card.material], [card.finish]) if card else frozenset(),
        **{"written": None, **more},
    )


def _grid(card: MatrixCardAnswer, columns: int) -> list[list[Any]]:
    """The squares row by row, as they lie on the metal."""
    by_place = sorted(card.cells, key=lambda cell: (cell.cell[0], int(cell.cell[1:])))
    return [by_place[at : at + columns] for at in range(0, len(by_place), columns)]


def _first() -> dict[str, str]:
    """What the form proposes."""
    return {
        "powers": Wanted.powers,
        "speeds": Wanted.speeds,
        "spacings": Wanted.spacings,
        "line_width_mm": f"{Wanted.line_width_mm:g}",
        "repeats": str(Wanted.repeats),
    }


def _wanted(given: Mapping[str, Any]) -> Wanted:
    """The card that a form or an address asks for. Raises BadRequest."""
    text = {name: str(given.get(name, "")).strip()[:_MOST_LETTERS] for name in _FIELDS}
    return Wanted(
        text["station"],
        text["material"],
        text["finish"],
        text["powers"] or Wanted.powers,
        text["speeds"] or Wanted.speeds,
        text["spacings"] or Wanted.spacings,
        _number(text, "line_width_mm") or Wanted.line_width_mm,
        _number(text, "frequency_khz"),
        int(_number(text, "repeats") or 1),
    )


def _number(text: Mapping[str, str], field: str) -> float | None:
    typed = text[field].replace(",", ".")
    if not typed:
        return None
    try:
        number = float(typed)
    except ValueError:
        number = float("nan")
    if not 0 < number < 100_000:
        raise BadRequest("this is a number above 0", field=field)
    return number
