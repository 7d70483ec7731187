"""Test cards: what is proven at each station and what is missing; recording, withdrawing, and the files to
burn."""

from __future__ import annotations

from datetime import date
from typing import Any

from fastapi import APIRouter, Request, Response
from sqlalchemy.orm import Session

from service.doorway import AtHand
from service.loads import proving_rows as rows
from service.pages.fields import millimetres
from service.pages.gate import Form, OwnerVisitor, Visitor
from service.pages.render import PageRoute, page, saved, status_of
from service.proving import test_card_file as card_files
from service.proving import test_cards
from service.proving.test_card_answers import card_record_answer
from service.records.errors import BadRequest, Refusal
from service.shop.tools import Tools

router = APIRouter(include_in_schema=False, route_class=PageRoute)

_SHOWN = 50


@router.get("/owner/test-cards")
def get_cards(request: Request, tools: AtHand, visitor: OwnerVisitor) -> Response:
    """Every process by station, and the record of cards."""
    return _cards(request, tools, visitor)


@router.post("/owner/test-cards")
def post_card(request: Request, tools: AtHand, visitor: OwnerVisitor, form: Form) -> Response:
    """Record a card of a process."""
    process = str(form.get("process", ""))

    def work(session: Session) -> None:
        test_cards.record(
            session,
            tools.catalogue.current,
            process,
            _card(form, visitor),
            by=tools.by(visitor.who),
        )

    try:
        tools.database.write(work)
    except Refusal as refusal:
        return _cards(request, tools, visitor, refused=refusal)
    return _cards(request, tools, visitor, recorded=process)


@router.post("/owner/test-cards/withdraw")
def post_withdraw(request: Request, tools: AtHand, visitor: OwnerVisitor, form: Form) -> Response:
    """Withdraw a card: its process no longer counts as proven."""
    process = str(form.get("process", ""))
    why = _line(form, "why", 250)

    def work(session: Session) -> tuple[str, ...]:
        if not why:
            raise BadRequest("say why the card is withdrawn", field="why")
        shop = tools.catalogue.current
        return test_cards.withdraw(session, shop, process, why, by=tools.by(visitor.who))[1]

    try:
        taken = tools.database.write(work)
    except Refusal as refusal:
        return _cards(request, tools, visitor, refused=refusal)
    return _cards(request, tools, visitor, withdrawn=process, taken=taken)


@router.get("/owner/test-cards/{process}.{kind}")
def get_card_file(tools: AtHand, process: str, kind: str, visitor: OwnerVisitor) -> Response:
    """The card itself, to be burned on scrap."""
    return saved(card_files.card_file(tools, process, kind))


def _cards(
    request: Request, tools: Tools, visitor: Visitor, *, refused: Refusal | None = None, **shown: Any
) -> Response:
    shop = tools.catalogue.current
    with tools.database.reading() as session:
        processes = test_cards.status(session, shop)
        record = [
            card_record_answer(row)
            for row in rows.test_cards_page(session, before_id=None, limit=_SHOWN, process=None)
        ]
    return page(
        request,
        "test_cards.html",
        visitor,
        status=status_of(refused) if refused else 200,
        refused=refused,
        stations=list(shop.stations.values()),
        processes=processes,
        record=record,
        today=tools.clock().date().isoformat(),
        **{"recorded": None, "withdrawn": None, "taken": (), **shown},
    )


def _card(form: Form, visitor: Visitor) -> test_cards.Card:
    try:
        burned_on = date.fromisoformat(str(form.get("burned_on", "")))
    except ValueError:
        raise BadRequest("say on which day the card was burned", field="burned_on") from None
    return test_cards.Card(
        burned_on,
        _line(form, "by", 60) or visitor.who.name,
        _line(form, "note", 250),
        millimetres(form, "line_width_mm", most=5),
        millimetres(form, "spot_mm", most=5),
    )


def _line(form: Form, name: str, most: int) -> str:
    line = " ".join(str(form.get(name, "")).split())[:most]
    if not line.isprintable():
        raise BadRequest("this can't be kept: it holds what can't be printed", field=name)
    return line
