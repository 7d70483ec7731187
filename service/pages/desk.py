"""The desk: can we engrave this? What is held, why, and what to do; the buyer's proof."""

from __future__ import annotations

import re
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import Annotated, Any, Literal
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Query, Request, Response
from fastapi.responses import RedirectResponse
from pydantic import BaseModel, ValidationError
from sqlalchemy.orm import Session

from layout.shop.shop import Shop
from service.doorway import AtHand, link_to
from service.intake import check as checks
from service.intake import line_holds, orders, proof_links, search
from service.intake import order_rows as rows
from service.intake import take_order as intake
from service.intake.order_answers import (
    UnpromisedOrderAnswer,
    etag_of,
    order_answer,
    unpromised_order_answer,
)
from service.pages import asking, photographed, remakes, samples
from service.pages.gate import DeskVisitor, Form, Visitor
from service.pages.render import PageRoute, page, status_of
from service.papers import texts, words
from service.photos import photos
from service.plan import board_rows as board
from service.previews import shown_again
from service.privacy import erase as erasing
from service.records.errors import BadRequest, NotFound, Refusal
from service.records.ids import ORDER, number
from service.records.states import JobState, OrderState
from service.records.tables import Order
from service.records.who import By
from service.requests import sessions
from service.requests.order_in import LONGEST_NAME, LONGEST_NOTE, BuyerIn, NotesIn
from service.shop.smallest_sizes import smallest_sizes
from service.shop.tools import Tools
from service.stock import holds

router = APIRouter(include_in_schema=False, route_class=PageRoute)


class _Noted(BaseModel):
    """What a form notes about an order."""

    buyer: BuyerIn
    notes: NotesIn


#: Orders on one page of the list.
_A_PAGE = 30
#: Units stay released when packing has handed their order over: the list's states tell the two apart.
_HANDED_OVER: Mapping[str, bool] = {JobState.RELEASED: False, OrderState.HANDED_OVER: True}
#: Holds of units that a change of the shop's description has caused.
_LOST = {holds.NO_LONGER_FITS, holds.NO_PLACE_LEFT}


# --- can we engrave this? ---


@router.get("/desk")
def get_desk(
    request: Request,
    tools: AtHand,
    visitor: DeskVisitor,
    find: Annotated[str, Query(max_length=100)] = "",
    state: Annotated[JobState | Literal["", "handed_over"], Query()] = "",
    day: Annotated[date | Literal[""], Query()] = "",
    before: Annotated[str, Query(pattern=r"^(O\d{1,18})?$")] = "",
) -> Response:
    """What waits for the desk; orders by whatever is remembered of them, by state and ship-by day, a page at
    a time."""
    shop = tools.catalogue.current
    sought, refused = None, None
    try:
        sought = search.sought(find, shop.products.values()) if find.strip() else []
    except Refusal as refusal:
        refused = refusal
    with tools.database.reading() as session:
        held = [listed(order) for order in board.held_orders(session)]
        matches = (
            rows.page(
                session,
                client=None,
                sought=sought,
                limit=_A_PAGE + 1,
                job_state=state if isinstance(state, JobState) else None,
                handed_over=_HANDED_OVER.get(state),
                ship_by=_whole_day(day, ZoneInfo(shop.policy.time_zone)) if day else None,
                before_id=number(ORDER, before) if before else None,
            )
            if sought is not None
            else []
        )
        shown = [listed(order) for order in matches[:_A_PAGE]]
    return page(
        request,
        "desk.html",
        visitor,
        status=status_of(refused) if refused else 200,
        refused=refused,
        held=held,
        found=shown,
        find=find,
        state=str(state),
        day=str(day),
        states=[*(name.value for name in JobState), OrderState.HANDED_OVER.value],
        older=shown[-1].order.id if len(matches) > _A_PAGE else None,
        products=shop.products,
    )


def _whole_day(day: date, zone: ZoneInfo) -> tuple[datetime, datetime]:
    """Begin and end of one of the shop's days, as moments."""
    return (
        datetime.combine(day, time(), zone),
        datetime.combine(day + timedelta(days=1), time(), zone),
    )


@router.get("/desk/check")
def get_check(
    request: Request,
    tools: AtHand,
    visitor: DeskVisitor,
    sku: Annotated[str, Query(max_length=60)] = "",
    zone: Annotated[str, Query(max_length=60)] = "",
) -> Response:
    """The form for a product and zone, with no words yet."""
    return _check(request, tools, visitor, {"sku": sku, "zone": zone})


@router.post("/desk/check")
def post_check(request: Request, tools: AtHand, visitor: DeskVisitor, form: Form) -> Response:
    """Check what is on the form and show its proof. Words come by POST, so that no address or log holds
    them."""
    return _check(request, tools, visitor, {name: str(value) for name, value in form.items()}, is_asked=True)


@router.post("/desk/fonts")
def post_fonts(request: Request, tools: AtHand, visitor: DeskVisitor, form: Form) -> Response:
    """The same words in every font of the zone, side by side; those that fail say why."""
    given = {name: str(value) for name, value in form.items()}
    shop = tools.catalogue.current
    chosen = asking.chosen(tools, shop, given)
    sheet = samples.sheet(tools, chosen["product"].sku, asking.inscription_of(chosen, given), chosen["fonts"])
    return page(request, "fonts.html", visitor, given=given, chosen=chosen, sheet=sheet)


# --- orders ---


@router.get("/desk/orders/{identity}")
def get_order(request: Request, tools: AtHand, identity: str, visitor: DeskVisitor) -> Response:
    """One order: what holds it up, with one-tap fixes, and its history."""
    return _order(request, tools, identity, visitor)


@router.post("/desk/orders/{identity}/amend")
def post_amend(request: Request, tools: AtHand, identity: str, visitor: DeskVisitor, form: Form) -> Response:
    """New words for a line: a suggestion taken, or typed ones."""

    def work() -> None:
        line_ref = str(form.get("line", ""))
        with tools.database.reading() as session:
            order = _found(session, identity)
            inscriptions = list(orders.line_of(order, line_ref).inscriptions)
        index = _index(form, len(inscriptions))
        suggestion = str(form.get("suggestion", ""))
        if suggestion.startswith("{"):  # of words that were only tried, and are on no record
            inscriptions[index] = asking.suggested(suggestion).model_dump(mode="json")
        elif suggestion:
            inscriptions[index] = _suggested(tools, identity, line_ref, index, suggestion)
        else:
            inscriptions[index] = _retyped(inscriptions[index], form)
        intake.amend_line(
            tools, identity, line_ref, asking.valid(inscriptions), str(form.get("etag", "")), who=visitor.who
        )

    return _do(request, tools, identity, visitor, work)


@router.post("/desk/orders/{identity}/try")
def post_try(request: Request, tools: AtHand, identity: str, visitor: DeskVisitor, form: Form) -> Response:
    """What the check would say of a line with other words, and its picture; nothing is kept."""
    with tools.database.reading() as session:
        line = orders.line_of(_found(session, identity), str(form.get("line", "")))
        inscriptions, sku = list(line.inscriptions), line.sku
    into = str(form.get("into", ""))
    if not re.fullmatch(r"\d{1,3}-\d", into, re.ASCII):
        raise BadRequest("this is no place of the page", field="into")
    result, wrong = None, None
    index = _index(form, len(inscriptions))
    inscriptions[index] = _retyped(inscriptions[index], form)
    try:
        result = asking.check(tools, visitor, sku, asking.valid(inscriptions))
    except Refusal as refusal:
        wrong = refusal
    fonts = tools.catalogue.current.fonts
    return page(
        request,
        "try.html",
        visitor,
        into=into,
        at_index=index,
        given={"words": str(form.get("words", "")), "height": str(form.get("height", ""))},
        zone=inscriptions[index].get("zone", ""),
        fonts=fonts,
        result=result,
        wrong=wrong,
        pictures=samples.suggestion_pictures(tools, result.findings, fonts) if result else {},
    )


@router.get("/desk/orders/{identity}/asked.svg")
def get_asked_picture(
    tools: AtHand,
    identity: str,
    visitor: DeskVisitor,
    line: Annotated[str, Query(max_length=100)],
    face: Annotated[str, Query(max_length=20)],
) -> Response:
    """A picture of what a line asks for, also where it was refused and nothing is frozen. Raises NotFound."""
    with tools.database.reading() as session:
        asked = orders.line_of(_found(session, identity), line)
        inscriptions, sku = asking.valid(asked.inscriptions), asked.sku
        in_force = checks.in_force(session)
    _result, pictures = tools.geometry.proof(
        sku,
        [inscription.value() for inscription in inscriptions],
        in_force=in_force,
        is_captioned=visitor.language == texts.DEFAULT,
        client=visitor.who.client,
    )
    if face not in pictures:
        raise NotFound("there is nothing to show here", line_ref=line)
    return Response(
        pictures[face], media_type="image/svg+xml", headers={"Cache-Control": "private, max-age=60"}
    )


@router.get("/desk/orders/{identity}/shown.svg")
def get_shown_picture(
    tools: AtHand,
    identity: str,
    visitor: DeskVisitor,
    line: Annotated[str, Query(max_length=100)],
    face: Annotated[str, Query(max_length=20)],
) -> Response:
    """What a preview showed the buyer of a line that is another now. Raises NotFound, CheckTooSlow,
    CheckersBusy."""
    with tools.database.reading() as session:
        shown = shown_again.shown_before(tools, session, orders.line_of(_found(session, identity), line))
    if shown is None or face not in shown.faces:
        raise NotFound("there is nothing to show here", line_ref=line)
    picture = shown_again.drawn_again(tools, shown).pictures[face]
    return Response(picture, media_type="image/svg+xml", headers={"Cache-Control": "private, max-age=60"})


@router.post("/desk/orders/{identity}/approve")
def post_approve(
    request: Request, tools: AtHand, identity: str, visitor: DeskVisitor, form: Form
) -> Response:
    """Let a held line go on: the desk has looked at it, or the buyer has told the desk yes."""
    lines = [str(line) for line in form.getlist("line")]
    approver: Any = "buyer" if form.get("by") == "buyer" else "desk"
    said_by = " ".join(str(form.get("said_by", "")).split())[:60]

    def act(session: Session, order: Order, by: By) -> None:
        orders.approve(session, order, lines, approver=approver, said_by=said_by, by=by)

    return _change(request, tools, identity, visitor, form, act)


@router.post("/desk/orders/{identity}/cancel")
def post_cancel(request: Request, tools: AtHand, identity: str, visitor: DeskVisitor, form: Form) -> Response:
    """Cancel a line or the order, as long as its load has not started."""
    lines = [str(line) for line in form.getlist("line")]
    reason = " ".join(str(form.get("reason", "")).split())[:200] or "cancelled by the desk"

    def act(session: Session, order: Order, by: By) -> None:
        orders.cancel(session, order, lines, by=by, why=reason)

    return _change(request, tools, identity, visitor, form, act)


@router.post("/desk/orders/{identity}/priority")
def post_priority(
    request: Request, tools: AtHand, identity: str, visitor: DeskVisitor, form: Form
) -> Response:
    """Let an order go before others, or after them; somebody says why."""
    priority = str(form.get("priority", "")).strip()
    reason = " ".join(str(form.get("reason", "")).split())[:200]

    def act(session: Session, order: Order, by: By) -> None:
        if not (priority.isascii() and priority.isdecimal() and int(priority[:4]) <= 100):
            raise BadRequest("a priority is a whole number from 0 to 100", field="priority")
        orders.prioritise(session, order, int(priority), by=by, why=reason)

    return _change(request, tools, identity, visitor, form, act)


@router.post("/desk/orders/{identity}/notes")
def post_notes(request: Request, tools: AtHand, identity: str, visitor: DeskVisitor, form: Form) -> Response:
    """Who the buyer is, and the notes, as they shall be from now on."""

    def act(session: Session, order: Order, by: By) -> None:
        try:
            noted = _Noted.model_validate(
                {
                    "buyer": {"name": str(form.get("buyer", ""))},
                    "notes": {
                        name: str(form.get(name, "")).replace("\r\n", "\n")
                        for name in ("order", "gift", "bench")
                    },
                }
            )
        except ValidationError as invalid:
            raise asking.unreadable(invalid) from None
        orders.annotate(session, order, buyer=noted.buyer.name, notes=noted.notes.value(), by=by)

    return _change(request, tools, identity, visitor, form, act)


@router.post("/desk/orders/{identity}/remake")
def post_remake(request: Request, tools: AtHand, identity: str, visitor: DeskVisitor, form: Form) -> Response:
    """A released unit once more; the form sent twice has one key, and makes one."""
    return _do(
        request, tools, identity, visitor, lambda: remakes.ask_for(tools, identity, form, who=visitor.who)
    )


@router.post("/desk/orders/{identity}/photo")
def post_photo(request: Request, tools: AtHand, identity: str, visitor: DeskVisitor, form: Form) -> Response:
    """A photo is shown to the buyer, or no longer, or deleted."""
    photo, what = str(form.get("photo", "")), str(form.get("what", ""))

    def work() -> None:
        if what == "delete":
            photos.take_away(tools, photo, who=visitor.who)
        else:
            photos.share(tools, photo, shared=what == "share", who=visitor.who)

    return _do(request, tools, identity, visitor, work)


@router.post("/desk/orders/{identity}/erase")
def post_erase(request: Request, tools: AtHand, identity: str, visitor: DeskVisitor, form: Form) -> Response:
    """Erase what a finished order says of people."""
    reason = " ".join(str(form.get("reason", "")).split())[:200]
    by = tools.by(visitor.who)
    return _do(request, tools, identity, visitor, lambda: erasing.erase(tools, identity, by=by, why=reason))


@router.post("/desk/orders/{identity}/proof-link")
def post_proof_link(
    request: Request, tools: AtHand, identity: str, visitor: DeskVisitor, form: Form
) -> Response:
    """A link to the buyer's proof, shown for sending."""

    def work(session: Session) -> tuple[str, datetime]:
        secret = sessions.secret_of(tools.settings.data)
        return proof_links.make(session, _found(session, identity), secret=secret, by=tools.by(visitor.who))

    token, until = tools.database.write(work)
    link = link_to(request, "get_buyers_proof", token=token)
    return _order(request, tools, identity, visitor, link=link, until=until)


@router.post("/desk/orders/{identity}/withdraw-links")
def post_withdraw_links(
    request: Request, tools: AtHand, identity: str, visitor: DeskVisitor, form: Form
) -> Response:
    """Make every link that was given out void."""

    def work(session: Session) -> None:
        proof_links.withdraw(session, _found(session, identity), by=tools.by(visitor.who))

    return _do(request, tools, identity, visitor, lambda: tools.database.write(work))


@router.post("/desk/orders/{identity}/answer")
def post_answer(request: Request, tools: AtHand, identity: str, visitor: DeskVisitor, form: Form) -> Response:
    """The shop's words to what the buyer wants changed, shown on the buyer's page."""

    def work(session: Session) -> None:
        order = _found(session, identity)
        proof_links.answer_change(session, order, str(form.get("answer", "")), by=tools.by(visitor.who))

    return _do(request, tools, identity, visitor, lambda: tools.database.write(work))


# --- how it is done and shown ---


def _check(
    request: Request, tools: Tools, visitor: Visitor, given: Mapping[str, str], *, is_asked: bool = False
) -> Response:
    shop: Shop = tools.catalogue.current
    chosen = asking.chosen(tools, shop, given)
    result, wrong = None, None
    if is_asked and given.get("words", "").strip():
        try:
            result = checks.check(
                tools,
                chosen["product"].sku,
                [asking.inscription_of(chosen, given)],
                is_captioned=visitor.language == texts.DEFAULT,
            )
        except Refusal as refusal:
            wrong = refusal
    return page(
        request,
        "check.html",
        visitor,
        status=status_of(wrong) if wrong else 200,
        wrong=wrong,
        given=given,
        products=list(shop.products.values()),
        blades=shop.blades,
        fonts=shop.fonts,
        chosen=chosen,
        result=result,
        pictures=samples.suggestion_pictures(tools, result.findings, shop.fonts) if result else {},
    )


def _retyped(before: Mapping[str, Any], form: Form) -> dict[str, Any]:
    """The inscription with the form's changes; a height left empty means the zone's usual one."""
    retyped = dict(before)
    name = {"text": "text", "monogram": "initials", "code": "content"}.get(str(retyped.get("kind", "text")))
    if name and form.get("words") is not None:
        retyped[name] = str(form["words"]).replace("\r\n", "\n")
    if form.get("font"):
        retyped["font"] = str(form["font"])
    retyped.pop("height_mm", None)
    if str(form.get("height", "")).strip():
        retyped.pop("size", None)
        retyped["height_mm"] = str(form["height"]).strip().replace(",", ".")
    return retyped


def _suggested(tools: Tools, identity: str, line_ref: str, index: int, which: str) -> dict[str, Any]:
    """The recorded suggestion that a button names as `finding.suggestion`. Raises BadRequest."""
    with tools.database.reading() as session:
        line = orders.line_of(_found(session, identity), line_ref)
        try:
            finding, suggestion = (int(part) for part in which.split("."))
            line_finding = line.findings[finding]
            if line_finding.get("inscription") != index:
                raise IndexError(which)
            inscription: dict[str, Any] = line_finding["suggestions"][suggestion]
        except (ValueError, IndexError, KeyError):
            raise BadRequest("this suggestion is no longer there", field="suggestion") from None
    return inscription


def _index(form: Form, count: int) -> int:
    text = str(form.get("inscription", "0"))
    if not text.isdecimal() or int(text) >= count:
        raise BadRequest("this line has no such inscription", field="inscription")
    return int(text)


def _change(
    request: Request,
    tools: Tools,
    identity: str,
    visitor: Visitor,
    form: Form,
    act: Callable[[Session, Order, By], None],
) -> Response:
    """Do one act on the order as the page showed it."""
    etag = str(form.get("etag", ""))
    return _do(
        request,
        tools,
        identity,
        visitor,
        lambda: intake.change(tools, identity, etag, act, who=visitor.who),
    )


def _do(request: Request, tools: Tools, identity: str, visitor: Visitor, work: Any) -> Response:
    try:
        work()
    except NotFound:
        raise
    except Refusal as refusal:
        return _order(request, tools, identity, visitor, refused=refusal)
    return RedirectResponse(f"/desk/orders/{identity}", 303)


def _order(
    request: Request,
    tools: Tools,
    identity: str,
    visitor: Visitor,
    *,
    refused: Refusal | None = None,
    **values: Any,
) -> Response:
    with tools.database.reading() as session:
        order = _found(session, identity)
        shown = order_answer(session, order, is_house=True)
        changeable = {line.line_ref for line in order.lines if line_holds.may_still_change(line)}
        begun = {line.line_ref for line in order.lines if any(job.faces_done for job in line.jobs)}
        etag = etag_of(order)
        history = rows.history(session, "order", order.id)
        pictured = {
            line.line_ref for line in order.lines if rows.marks(session, line.id, line.words_revision)
        }
        is_linked = proof_links.is_out(session, order)
        shown_faces = {
            line.line_ref: before.faces
            for line in order.lines
            if (before := shown_again.shown_before(tools, session, line)) is not None
        }
        asked = proof_links.asked_for(session, order)
        of_remakes = remakes.of_order(tools, session, order)
        taken = photographed.of_order(session, order)
    shop = tools.catalogue.current
    return page(
        request,
        "order.html",
        visitor,
        status=status_of(refused) if refused else 200,
        refused=refused,
        order=shown,
        etag=etag,
        history=history,
        products=shop.products,
        fonts=shop.fonts,
        offered=_offered_by_zone(tools, shop, {line.sku for line in shown.lines}),
        pictured=pictured,
        is_linked=is_linked,
        shown_faces=shown_faces,
        differs=words.DIFFERS,
        last_asked=asked[-1] if asked else None,
        longest_name=LONGEST_NAME,
        longest_note=LONGEST_NOTE,
        longest_answer=proof_links.LONGEST_ANSWER,
        changeable=changeable,
        begun=begun,
        pictures=samples.suggestion_pictures(
            tools, [finding for line in shown.lines for finding in line.findings], shop.fonts
        ),
        taken=taken,
        **of_remakes,
        **{"link": None, "until": None, **values},
    )


def _offered_by_zone(tools: Tools, shop: Shop, skus: Collection[str]) -> dict[tuple[str, str], list[str]]:
    """Names of the fonts that may be chosen, by product and zone."""
    folder = tools.settings.font_tables
    return {
        (sku, zone.zone): [
            font.font for font in asking.offered(shop, zone, smallest_sizes(shop, sku, zone, folder))
        ]
        for sku in skus
        if sku in shop.products
        for face in shop.blades[shop.products[sku].blade].faces
        for zone in face.zones
    }


def _found(session: Session, identity: str) -> Order:
    order = rows.find(session, number(ORDER, identity), client=None)
    if order is None:
        raise NotFound("there is no such order", id=identity)
    return order


@dataclass(frozen=True, slots=True)
class Listed:
    """An order in a list, with each reason why it waits given once, and what its buyer wants changed."""

    order: UnpromisedOrderAnswer
    reasons: tuple[str, ...]
    wishes: tuple[str, ...]
    no_longer_fits: bool


def listed(order: Order) -> Listed:
    """An order as lists show it; call it within the transaction that read the order."""
    shown = unpromised_order_answer(order, is_house=True)
    waits = [hold for line in shown.lines for hold in line.holds]
    reasons = tuple(dict.fromkeys(hold.reason for hold in waits))
    wishes = dict.fromkeys(hold.details.wish for hold in waits if hold.details.wish is not None)
    return Listed(shown, reasons, tuple(wishes), no_longer_fits=bool(_LOST & set(reasons)))
