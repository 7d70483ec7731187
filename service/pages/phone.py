"""An order taken at the desk, by telephone or over the counter: checked as it is typed, posted as a store
would post it. It also takes "as order X, line 2": the same again."""

from __future__ import annotations

import json
import secrets
from collections.abc import Mapping
from datetime import date, datetime, timedelta
from typing import Annotated, Any
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Query, Request, Response
from fastapi.responses import RedirectResponse
from pydantic import BaseModel, Field, TypeAdapter, ValidationError

from layout.shop.findings import Verdict
from layout.shop.shop import Shop
from service.doorway import AtHand
from service.intake import orders
from service.intake import take_order as intake
from service.pages import asking, samples
from service.pages.gate import DeskVisitor, Form, Visitor
from service.pages.render import PageRoute, page, status_of
from service.records.errors import BadRequest, MoveNotAllowed, NotFound, Refusal
from service.requests.inscription_answers import (
    InscriptionAnswer,
    TextAnswer,
    inscription_answer,
    stored_inscription,
)
from service.requests.order_in import LONGEST_NAME, LONGEST_NOTE, OrderIn, SameAsIn, end_of_day
from service.shop.tools import Tools

router = APIRouter(include_in_schema=False, route_class=PageRoute)

#: An order is to be handed over so many days from now, if nobody says otherwise.
_USUAL_DAYS = 7
_MARKS: TypeAdapter[list[Any]] = TypeAdapter(list[InscriptionAnswer])


class Kept(BaseModel):
    """A line of the order that was put aside while another is typed."""

    sku: str = Field(max_length=60)
    quantity: str = Field(max_length=9)
    marks: list[InscriptionAnswer]
    same_as: SameAsIn | None = None


_KEPT: TypeAdapter[list[Kept]] = TypeAdapter(list[Kept])


@router.get("/desk/phone")
def get_phone_order(
    request: Request,
    tools: AtHand,
    visitor: DeskVisitor,
    as_order: Annotated[str, Query(alias="as", pattern=r"^(O\d{1,18})?$")] = "",
    line: Annotated[str, Query(max_length=100)] = "",
) -> Response:
    """An empty form, or one filled in as a line of an order has it."""
    try:
        given = _as_line(tools, visitor, as_order, line) if as_order else {}
    except MoveNotAllowed as refusal:
        return _form(request, tools, visitor, {}, refused=refusal)
    return _form(request, tools, visitor, given)


@router.post("/desk/phone")
def post_phone_order(request: Request, tools: AtHand, visitor: DeskVisitor, form: Form) -> Response:
    """Check what is on the form, or take the order. A form sent twice has one key, and makes one order."""
    given = {name: str(value) for name, value in form.items()}
    try:
        given |= _changed(tools, visitor, given)
        if given.get("do") != "take":
            return _form(request, tools, visitor, given)
        body = _order(tools, visitor, given)
        answer = intake.take_order(tools, body, given.get("key"), who=visitor.who)
    except Refusal as refusal:
        return _form(request, tools, visitor, given, refused=refusal)
    return RedirectResponse(f"/desk/orders/{answer.headers['Location'].rsplit('/', 1)[1]}", 303)


@router.get("/desk/fonts/{font}.svg")
def get_font_picture(tools: AtHand, font: str, visitor: DeskVisitor) -> Response:
    """A font's name in its own letters."""
    shop = tools.catalogue.current
    if font not in shop.fonts:
        raise NotFound("there is no such font", font=font)
    return Response(
        samples.font_picture(tools, shop.fonts[font]),
        media_type="image/svg+xml",
        headers={"Cache-Control": "private, max-age=3600"},
    )


def _form(
    request: Request,
    tools: Tools,
    visitor: Visitor,
    given: Mapping[str, str],
    *,
    refused: Refusal | None = None,
) -> Response:
    shop: Shop = tools.catalogue.current
    chosen = asking.chosen(tools, shop, given)
    result, wrong, more, as_before = None, None, [], None
    try:
        more = _more(given)
        asked = asking.valid(_asked(chosen, given, more)) if _is_asked(given, more) else []
        if asked:
            result = asking.check(tools, visitor, chosen["product"].sku, asked)
            as_before = _same_as(tools, visitor, given, chosen["product"].sku, asked)
    except Refusal as refusal:
        wrong = refusal
    kept = _kept(given, shop)
    trouble = refused or wrong
    key = given.get("key") or secrets.token_hex(12)
    today = tools.clock().astimezone(ZoneInfo(shop.policy.time_zone)).date()
    return page(
        request,
        "phone.html",
        visitor,
        status=status_of(trouble) if trouble else 200,
        refused=refused,
        wrong=wrong,
        given=given,
        key=key,
        reference=given.get("order_ref", f"T-{today:%y%m%d}-{key[:4].upper()}"),
        ship_by=given.get("ship_by") or (today + timedelta(days=_USUAL_DAYS)).isoformat(),
        more=more,
        more_json=_json(more),
        kept=kept,
        kept_json=_KEPT.dump_json(kept).decode(),
        names={product.sku: product.name for product in shop.products.values()},
        products=list(shop.products.values()),
        blades=shop.blades,
        fonts=shop.fonts,
        chosen=chosen,
        result=result,
        as_before=as_before,
        pictures=samples.suggestion_pictures(tools, result.findings, shop.fonts) if result else {},
        longest_name=LONGEST_NAME,
        longest_note=LONGEST_NOTE,
    )


def _is_asked(given: Mapping[str, str], more: list[Any]) -> bool:
    return bool(given.get("words", "").strip() or more)


def _asked(chosen: Mapping[str, Any], given: Mapping[str, str], more: list[Any]) -> list[Any]:
    """Every inscription of the form, the one that is being typed first. Nothing typed is nothing asked for
    there, if something else is."""
    typed = [asking.text_of(chosen, given)] if given.get("words", "").strip() or not more else []
    return [*typed, *(mark.model_dump(mode="json") for mark in more)]


def _more(given: Mapping[str, str]) -> list[Any]:
    """Inscriptions of the form beside the one that is being typed. Raises BadRequest."""
    try:
        return _MARKS.validate_json(given.get("more") or "[]")
    except ValueError:
        raise BadRequest("the other places can't be read", field="more") from None


def _changed(tools: Tools, visitor: Visitor, given: Mapping[str, str]) -> dict[str, str]:
    """What a button of the form changes on it: a suggestion taken, one more place, or one less."""
    if given.get("suggestion"):
        taken = asking.suggested(given["suggestion"])
        return _fields_of(taken) if isinstance(taken, TextAnswer) else {}
    more = _more(given)
    if given.get("do") == "another" and given.get("words", "").strip():
        chosen = asking.chosen(tools, tools.catalogue.current, given)
        more.insert(0, inscription_answer(asking.inscription_of(chosen, given)))
        return {"words": "", "height": "", "more": _json(more)}
    if given.get("do") == "line" and _is_asked(given, more):
        return _put_aside(tools, visitor, given, more)
    gone = given.get("drop_line", "")
    if gone.isdecimal():
        kept = _kept(given, tools.catalogue.current)
        return {"lines": _KEPT.dump_json(kept[: int(gone)] + kept[int(gone) + 1 :]).decode()}
    drop = given.get("drop", "")
    if drop.isdecimal() and int(drop) < len(more):
        del more[int(drop)]
        return {"more": _json(more)}
    return {}


def _put_aside(tools: Tools, visitor: Visitor, given: Mapping[str, str], more: list[Any]) -> dict[str, str]:
    """The form with what is typed kept as a line of the order, ready for another product."""
    shop = tools.catalogue.current
    chosen = asking.chosen(tools, shop, given)
    asked, sku = asking.valid(_asked(chosen, given, more)), chosen["product"].sku
    marks = [inscription_answer(mark.value()) for mark in asked]
    same_as = _same_as(tools, visitor, given, sku, asked)
    line = Kept(sku=sku, quantity=_quantity(given), marks=marks, same_as=same_as)
    kept = _KEPT.dump_json([*_kept(given, shop), line]).decode()
    typed = ("words", "height", "size", "align", "letter_spacing", "more", "quantity", "as_order", "as_line")
    return {**dict.fromkeys(typed, ""), "lines": kept}


def _kept(given: Mapping[str, str], shop: Shop) -> list[Kept]:
    """Lines of the form beside the one that is being typed. Raises BadRequest."""
    try:
        kept = _KEPT.validate_json(given.get("lines") or "[]")
    except ValueError:
        kept = [Kept(sku="", quantity="", marks=[])]
    if any(line.sku not in shop.products for line in kept):
        raise BadRequest("the other lines can't be read", field="lines")
    return kept


def _json(more: list[Any]) -> str:
    return json.dumps([mark.model_dump(mode="json") for mark in more], ensure_ascii=False)


def _fields_of(text: TextAnswer, words: str = "") -> dict[str, str]:
    """The fields of a form that asks for an inscription. `words`: its lines as they were set, where it was
    broken into more lines than were typed."""
    return {
        "zone": text.zone,
        "words": words or text.text,
        "font": text.font,
        "height": f"{text.height_mm:g}" if text.height_mm else "",
        "size": text.size or "",
        "align": text.align or "",
        "letter_spacing": f"{text.letter_spacing:g}" if text.letter_spacing else "",
    }


def _as_line(tools: Tools, visitor: Visitor, identity: str, line_ref: str) -> dict[str, str]:
    """The form as a line of an order has it; reference, buyer's notes and date are left to whoever calls.
    Raises NotFound, MoveNotAllowed (its words were erased)."""
    with tools.database.reading() as session:
        order = orders.visible(session, identity, who=visitor.who)
        if order.erased_at is not None:
            raise MoveNotAllowed("its words were erased, so the same can't be ordered again; ask the buyer")
        line = orders.line_of(order, line_ref) if line_ref else order.lines[0]
        asked = [stored_inscription(stored) for stored in line.inscriptions]
        lines = [checked.get("lines") or () for checked in line.checked]
        given = {"sku": line.sku, "quantity": str(line.quantity), "buyer": order.buyer}
        if line.verdict != Verdict.REFUSE.value:
            given |= {"as_order": identity, "as_line": line.line_ref}
    for at, mark in enumerate(asked):
        if isinstance(mark, TextAnswer):
            given |= _fields_of(mark, "\n".join(lines[at]) if at < len(lines) else "")
            del asked[at]
            break
    return given | {"more": _json([mark.model_copy(update={"same_size_as": None}) for mark in asked])}


def _same_as(
    tools: Tools, visitor: Visitor, given: Mapping[str, str], sku: str, asked: list[Any]
) -> SameAsIn | None:
    """The line that the form was filled in from, while nothing of its product and words was changed since:
    its approved outlines are taken over, where the shop still burns them well. Raises as `_as_line` does."""
    identity, line_ref = given.get("as_order", ""), given.get("as_line", "")
    if not identity or not line_ref:
        return None
    then = _as_line(tools, visitor, identity, line_ref)
    of_then = asking.valid(_asked(asking.chosen(tools, tools.catalogue.current, then), then, _more(then)))
    is_same = (sku, asked) == (then["sku"], of_then)
    return SameAsIn(order=identity, line_ref=line_ref) if is_same else None


def _order(tools: Tools, visitor: Visitor, given: Mapping[str, str]) -> OrderIn:
    """The order as a store would post it. Raises BadRequest."""
    shop = tools.catalogue.current
    chosen = asking.chosen(tools, shop, given)
    more, wanted = _more(given), _kept(given, shop)
    lines = [
        (
            line.sku,
            line.quantity,
            _wanted(asking.valid([mark.model_dump(mode="json") for mark in line.marks]), line.same_as),
        )
        for line in wanted
    ]
    if _is_asked(given, more) or not wanted:
        asked = asking.valid(_asked(chosen, given, more))
        sku = chosen["product"].sku
        lines.append((sku, _quantity(given), _wanted(asked, _same_as(tools, visitor, given, sku, asked))))
    notes = {name: given.get(f"{name}_note", "").replace("\r\n", "\n") for name in ("order", "gift", "bench")}
    posted = {
        "order_ref": given.get("order_ref", "").strip(),
        "ship_by": _end_of_day(given.get("ship_by", ""), ZoneInfo(shop.policy.time_zone)),
        "proof": "buyer" if given.get("proof") == "buyer" else "none",
        "buyer": {"name": given["buyer"]} if given.get("buyer", "").strip() else None,
        "notes": notes if any(note.strip() for note in notes.values()) else None,
        "lines": [
            {"line_ref": str(number), "sku": sku, "quantity": int(quantity), **wants}
            for number, (sku, quantity, wants) in enumerate(lines, start=1)
        ],
    }
    try:
        return OrderIn.model_validate(posted)
    except ValidationError as invalid:
        raise asking.unreadable(invalid) from None


def _wanted(asked: list[Any], same_as: SameAsIn | None) -> dict[str, Any]:
    """What a line asks for: what an earlier one bears, or these words."""
    return {"inscriptions": asked} if same_as is None else {"same_as": same_as}


def _quantity(given: Mapping[str, str]) -> str:
    quantity = given.get("quantity", "").strip() or "1"
    if not (quantity.isascii() and quantity.isdecimal()):
        raise BadRequest("a quantity is a whole number", field="quantity")
    return quantity[:9]


def _end_of_day(typed: str, zone: ZoneInfo) -> datetime:
    """A day alone means its end, as in a file of orders. Raises BadRequest."""
    try:
        return end_of_day(date.fromisoformat(typed), zone)
    except ValueError:
        raise BadRequest("enter the day it must be handed over by", field="ship_by") from None
