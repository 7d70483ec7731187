"""Test cards: which processes are proven, recording a card, withdrawing one, the card itself to burn."""

from __future__ import annotations

from datetime import date
from typing import Annotated, Literal

from fastapi import APIRouter, Query, Request, Response
from pydantic import AfterValidator, Field, model_validator

from service.api import wire
from service.api.contract import BURN_FILES, details
from service.api.security import Bench, House, Owner
from service.doorway import AtHand, Route
from service.loads import proving_rows as rows
from service.proving import test_card_file as card_files
from service.proving import test_cards
from service.proving.test_card_answers import (
    NewCardRecordAnswer,
    TestCardsAnswer,
    card_record_answer,
)
from service.records import errors
from service.requests.inscriptions import Decimal, Name, Strict, storable

router = APIRouter(tags=["test cards"], route_class=Route)

Note = Annotated[str, Field(max_length=250), AfterValidator(storable)]
Width = Annotated[Decimal, Field(gt=0, le=5)]


class CardIn(Strict):
    """A card that was burned (`burned_on`), or a withdrawal (`withdrawn`, with the reason in `note`)."""

    process: Name = Field(description="The process.", examples=["steel-satin"])
    burned_on: date | None = Field(
        default=None, description="The day on which the card was burned.", examples=["2026-11-02"]
    )
    withdrawn: Literal[True] | None = Field(
        default=None, description="True: the process counts as proven no longer.", examples=[True]
    )
    by: Name | None = Field(
        default=None, description="Who burned it; left out: whoever sends this.", examples=["Kit"]
    )
    note: Note = Field(
        default="", description="What was seen; of a withdrawal, why.", examples=["even, no discolouration"]
    )
    line_width_mm: Width | None = Field(
        default=None, description="The line's width as measured on the card, in mm.", examples=[0.06]
    )
    spot_mm: Width | None = Field(
        default=None, description="The spot's diameter as measured, in mm.", examples=[0.05]
    )

    @model_validator(mode="after")
    def _is_one_thing(self) -> CardIn:
        if (self.burned_on is None) == (self.withdrawn is None):
            raise ValueError("say when the card was burned, or that it is withdrawn")
        if self.withdrawn and not self.note.strip():
            raise ValueError("say in note why the card is withdrawn")
        if self.withdrawn and (self.line_width_mm or self.spot_mm or self.by):
            raise ValueError("a withdrawal has a note only")
        return self


@router.post(
    "/v1/test-cards",
    status_code=201,
    response_model=NewCardRecordAnswer,
    openapi_extra=details(errors.BadRequest, errors.TestCardRefused),
)
def record_test_card(
    tools: AtHand, body: CardIn, who: Owner, idempotency_key: wire.IdempotencyKey = None
) -> Response:
    """Put on record that a process was proven, or that it counts as proven no longer."""
    card = None
    if body.burned_on is not None:
        card = test_cards.Card(
            body.burned_on, body.by or who.name, body.note.strip(), body.line_width_mm, body.spot_mm
        )
    card_request = test_cards.CardRequest(body.process, card, body.note.strip())
    return wire.json_answer(test_cards.take(tools, card_request, idempotency_key, who=who))


@router.get("/v1/test-cards")
def list_test_cards(
    request: Request,
    tools: AtHand,
    response: Response,
    who: House,
    limit: wire.Limit = 50,
    cursor: wire.Cursor = None,
    process: Annotated[
        str | None, Query(max_length=60, description="Keep that process's.", examples=["steel-satin"])
    ] = None,
) -> TestCardsAnswer:
    """Every process with whether it is usable, and the record of cards and withdrawals, newest first."""
    with tools.database.reading() as session:
        page = rows.test_cards_page(
            session, before_id=wire.read_cursor(cursor), limit=limit + 1, process=process
        )
        if len(page) > limit:
            response.headers["Link"] = wire.next_link(request, page[limit - 1].id, limit)
        return TestCardsAnswer(
            processes=test_cards.status(session, tools.catalogue.current),
            test_cards=tuple(card_record_answer(row) for row in page[:limit]),
        )


@router.get(
    "/v1/processes/{process}/test-card.{kind}",
    openapi_extra=details(
        errors.BadRequest, errors.CheckTooSlow, errors.CheckersBusy, files=BURN_FILES, etag=True
    ),
)
def get_test_card_file(
    request: Request, tools: AtHand, process: wire.Process, kind: wire.BurnFormat, who: Bench
) -> Response:
    """The card to burn on scrap of the process's material; never for a product."""
    return wire.file_answer(request, card_files.card_file(tools, process, kind), "attachment")
