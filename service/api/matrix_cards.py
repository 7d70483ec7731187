"""Matrix cards: many settings on one piece of scrap, what to set for each, and a chosen one as a process."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Depends, Path, Query, Request, Response

from service.api import wire
from service.api.contract import BURN_FILES, CSV, PDF, details
from service.api.security import Bench, Owner
from service.doorway import AtHand, Route, voice_of
from service.papers.matrix_sheet import matrix_sheet
from service.proving import matrix_cards
from service.proving.matrix_answers import ChosenCellAnswer, MatrixCardAnswer
from service.proving.matrix_cards import Wanted
from service.records import errors
from service.shop.catalogue import read

router = APIRouter(tags=["test cards"], route_class=Route)

_NUMBERS = r"^[0-9., ;]{1,200}$"


def wanted(
    station: Annotated[
        str, Query(max_length=60, description="The station that burns it.", examples=["north"])
    ],
    material: Annotated[
        str,
        Query(max_length=60, description="The material, as products name it.", examples=["stainless_4116"]),
    ],
    finish: Annotated[
        str, Query(max_length=60, description="Its finish, as products name it.", examples=["blasted"])
    ],
    powers: Annotated[
        str, Query(pattern=_NUMBERS, description="Powers in %, one row each.", examples=["20,35,50"])
    ] = Wanted.powers,
    speeds: Annotated[
        str, Query(pattern=_NUMBERS, description="Speeds in mm/s, one column each.", examples=["400,800"])
    ] = Wanted.speeds,
    spacings: Annotated[
        str,
        Query(
            pattern=_NUMBERS,
            description="Distance of the rows in mm; several of them, and one power: one row each.",
            examples=["0.03"],
        ),
    ] = Wanted.spacings,
    line_width_mm: Annotated[
        float,
        Query(gt=0, le=2, description="Width of a line, in mm, as far as it is known.", examples=[0.05]),
    ] = Wanted.line_width_mm,
    frequency_khz: Annotated[
        float | None,
        Query(
            gt=0, le=10_000, description="Frequency in kHz; left out for a laser without one.", examples=[45]
        ),
    ] = None,
    repeats: Annotated[
        int, Query(ge=1, le=50, description="How often everything is burned.", examples=[1])
    ] = Wanted.repeats,
) -> Wanted:
    """The card that is asked for."""
    return Wanted(station, material, finish, powers, speeds, spacings, line_width_mm, frequency_khz, repeats)


Asked = Annotated[Wanted, Depends(wanted)]
_REFUSALS = (errors.BadRequest, errors.CheckTooSlow, errors.CheckersBusy)


@router.get("/v1/matrix-cards", openapi_extra=details(*_REFUSALS))
def get_matrix_card(tools: AtHand, asked: Asked, who: Bench) -> MatrixCardAnswer:
    """A card of squares to find a recipe with: what to set at the laser for each of its layers."""
    return matrix_cards.card(tools, matrix_cards.matrix_of(tools.catalogue.current, asked))


@router.get(
    "/v1/matrix-cards/settings.csv",
    response_class=Response,
    openapi_extra=details(*_REFUSALS, files=[CSV], etag=True),
)
def get_matrix_settings_csv(request: Request, tools: AtHand, asked: Asked, who: Bench) -> Response:
    """The same as a table, labels first, then the squares from the gentlest to the strongest."""
    card = matrix_cards.card(tools, matrix_cards.matrix_of(tools.catalogue.current, asked))
    return wire.csv_answer(
        request, matrix_cards.settings_csv(card), f"MATRIX-{asked.station}-{card.code}.csv"
    )


@router.get(
    "/v1/matrix-cards/settings.pdf",
    response_class=Response,
    openapi_extra=details(*_REFUSALS, files=[PDF], etag=True),
)
def get_matrix_settings_pdf(request: Request, tools: AtHand, asked: Asked, who: Bench) -> Response:
    """The same on paper, for the laser."""
    card = matrix_cards.card(tools, matrix_cards.matrix_of(tools.catalogue.current, asked))
    name = f"MATRIX-{card.station}-{card.code}-settings.pdf"
    return wire.pdf_answer(request, matrix_sheet(card, voice_of(request)), name)


@router.get(
    "/v1/matrix-cards/card.{kind}",
    response_class=Response,
    openapi_extra=details(*_REFUSALS, files=BURN_FILES, etag=True),
)
def get_matrix_card_file(
    request: Request, tools: AtHand, kind: wire.BurnFormat, asked: Asked, who: Bench
) -> Response:
    """The card to burn on scrap of the material; never on a product."""
    matrix = matrix_cards.matrix_of(tools.catalogue.current, asked)
    return wire.file_answer(request, matrix_cards.card_file(tools, matrix, kind), "attachment")


@router.get("/v1/matrix-cards/cells/{cell}", openapi_extra=details(errors.BadRequest))
def get_matrix_cell(
    tools: AtHand,
    cell: Annotated[
        str, Path(pattern=r"^[A-La-l][0-9]{1,2}$", description="Row and column.", examples=["B3"])
    ],
    asked: Asked,
    who: Owner,
    process: Annotated[
        str,
        Query(
            pattern=r"^[A-Za-z0-9 _.'#-]{0,60}$",
            description="What a new process shall be called; a recipe for this surface keeps its name.",
            examples=["steel-north"],
        ),
    ] = "",
) -> ChosenCellAnswer:
    """A square as a process: the files of the shop's description as they would be. Nothing is changed."""
    shop = tools.catalogue.current
    matrix = matrix_cards.matrix_of(shop, asked)
    content = read(tools.catalogue.described.source)
    return matrix_cards.chosen(content, shop, matrix, cell, process)
