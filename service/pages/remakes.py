"""The desk: a released unit made once more, what became of the first one, and what was spoiled why."""

from __future__ import annotations

import secrets
from collections.abc import Mapping
from datetime import date, timedelta
from typing import Annotated, Any, Literal, get_args
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Query, Request, Response
from fastapi.responses import RedirectResponse
from pydantic import ValidationError
from sqlalchemy.orm import Session

from service.doorway import AtHand
from service.intake import orders
from service.pages import asking
from service.pages.gate import DeskVisitor, Form, Visitor
from service.pages.render import PageRoute, page, status_of
from service.records.errors import BadRequest, Refusal
from service.records.ids import JOB, REMAKE, number, public
from service.records.states import JobState, ReturnState
from service.records.tables import Order
from service.records.who import Who
from service.remakes import returned, spoiled
from service.remakes.remake import remake
from service.remakes.remake_answers import RemakeAnswer, remakes_answer
from service.remakes.remake_in import LONGEST_REMARK, Pays, Reason, RemakeIn
from service.requests.idempotency import Answer
from service.requests.order_in import end_of_day
from service.shop.tools import Tools
from service.stock import stock_rows

router = APIRouter(include_in_schema=False, route_class=PageRoute)

#: Remakes on a page of the list, and at most on the page of an order.
_A_PAGE, _OF_AN_ORDER = 30, 100
#: What was spoiled is counted for so many days, if nobody says otherwise; a remake is wanted in as many.
_USUAL_DAYS, _WANTED_IN_DAYS = 28, 7
#: The field of a stored inscription that says what is engraved.
_WORDS = {"text": "text", "monogram": "initials", "code": "content"}


def of_order(tools: Tools, session: Session, order: Order) -> Mapping[str, Any]:
    """What the page of an order shows of remakes: those asked for, and the units that may be, by line."""
    remakes = remakes_answer(session, client=None, limit=_OF_AN_ORDER, order_id=order.id).remakes
    called_off = {JobState.CANCELLED}
    made = {remake.job for remake in remakes if remake.made.state not in called_off}
    units = {
        line.line_ref: [
            (job.unit, public(JOB, job.id))
            for job in line.jobs
            if job.state == JobState.RELEASED.value and public(JOB, job.id) not in made
        ]
        for line in order.lines
    }
    today = tools.clock().astimezone(ZoneInfo(tools.catalogue.current.policy.time_zone)).date()
    return {
        "remakes": remakes,
        "units_released": units if order.erased_at is None else {},
        "remake_reasons": get_args(Reason),
        "payers": get_args(Pays),
        "longest_remark": LONGEST_REMARK,
        "remake_by": (today + timedelta(days=_WANTED_IN_DAYS)).isoformat(),
        "remake_key": secrets.token_urlsafe(24),
        "bins": stock_rows.bins(session),
    }


def ask_for(tools: Tools, identity: str, form: Form, *, who: Who) -> Answer:
    """A unit once more, as the form on its order's page says. Raises as `remake` does."""
    line_ref, ship_by = str(form.get("line", "")), str(form.get("ship_by", "")).strip()
    wanted: dict[str, Any] = {
        "line_ref": line_ref,
        "unit": _whole(form, "unit"),
        "reason": str(form.get("reason", "")),
        "pays": str(form.get("pays", "")),
        "note": " ".join(str(form.get("note", "")).split()),
    }
    with tools.database.reading() as session:
        order = orders.visible(session, identity, who=who)
        stored = list(orders.line_of(order, line_ref).inscriptions)
    typed = [_retyped(inscription, form, index) for index, inscription in enumerate(stored)]
    if typed != stored:
        wanted["inscriptions"] = typed
    try:
        if ship_by:
            zone = ZoneInfo(tools.catalogue.current.policy.time_zone)
            wanted["ship_by"] = end_of_day(date.fromisoformat(ship_by), zone)
        body = RemakeIn.model_validate(wanted)
    except ValidationError as invalid:
        raise asking.unreadable(invalid) from None
    except ValueError:
        raise BadRequest("enter the day it must be handed over by", field="ship_by") from None
    return remake(tools, identity, body, str(form.get("key", "")) or None, who=who)


@router.get("/desk/remakes")
def get_remakes(
    request: Request,
    tools: AtHand,
    visitor: DeskVisitor,
    state: Annotated[ReturnState | Literal[""], Query()] = "",
    before: Annotated[str, Query(pattern=r"^(R\d{1,18})?$")] = "",
    since: Annotated[date | Literal[""], Query(alias="from")] = "",
    until: Annotated[date | Literal[""], Query(alias="to")] = "",
) -> Response:
    """Units made once more, newest first, and what was spoiled in some days."""
    return _remakes(request, tools, visitor, state=state, before=before, since=since, until=until)


@router.post("/desk/remakes/{identity}/returned")
def post_returned(
    request: Request, tools: AtHand, identity: str, visitor: DeskVisitor, form: Form
) -> Response:
    """What became of the first unit."""
    said, bin_name = str(form.get("returned", "")), str(form.get("bin", "")).strip()
    try:
        if said not in set(ReturnState):
            raise BadRequest("say what became of it", field="returned")
        to = ReturnState(said)
        into = bin_name[:30] if bin_name and to is ReturnState.STOCKED else None
        returned.say_once(tools, identity, to, into, who=visitor.who)
    except Refusal as refusal:
        return _remakes(request, tools, visitor, refused=refusal)
    return RedirectResponse("/desk/remakes", 303)


def _remakes(
    request: Request,
    tools: Tools,
    visitor: Visitor,
    *,
    state: ReturnState | Literal[""] = "",
    before: str = "",
    since: date | Literal[""] = "",
    until: date | Literal[""] = "",
    refused: Refusal | None = None,
) -> Response:
    today = tools.clock().astimezone(ZoneInfo(tools.catalogue.current.policy.time_zone)).date()
    last = until or today
    first = since or last - timedelta(days=_USUAL_DAYS - 1)
    counted = None
    try:
        counted = spoiled.spoiled(tools, first, last)
    except Refusal as refusal:
        refused = refused or refusal
    with tools.database.reading() as session:
        found = remakes_answer(
            session,
            client=None,
            limit=_A_PAGE + 1,
            before_id=number(REMAKE, before) if before else None,
            state=state or None,
        ).remakes
        bins = stock_rows.bins(session)
    shown: tuple[RemakeAnswer, ...] = found[:_A_PAGE]
    return page(
        request,
        "remakes.html",
        visitor,
        status=status_of(refused) if refused else 200,
        refused=refused,
        remakes=shown,
        older=shown[-1].id if len(found) > _A_PAGE else None,
        state=str(state),
        states=[name.value for name in ReturnState],
        spoiled=counted,
        since=first.isoformat(),
        until=last.isoformat(),
        products=tools.catalogue.current.products,
        bins=bins,
    )


def _retyped(before: Mapping[str, Any], form: Form, index: int) -> dict[str, Any]:
    """A stored inscription with the words of the form."""
    retyped = dict(before)
    name = _WORDS.get(str(retyped.get("kind", "text")))
    given = form.get(f"words-{index}")
    if name is not None and given is not None:
        retyped[name] = str(given).replace("\r\n", "\n")
    return retyped


def _whole(form: Form, name: str) -> int:
    text = str(form.get(name, "1"))
    if not (text.isascii() and text.isdecimal()) or len(text) > 2:
        raise BadRequest("this is no unit of the line", field=name)
    return int(text)
