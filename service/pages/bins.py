"""The store room by tablet: what bins hold, bins counted by scanner or finger, boxes moved, their history."""

from __future__ import annotations

import secrets
from typing import Annotated, Literal
from urllib.parse import urlencode

from fastapi import APIRouter, Query, Request, Response
from fastapi.responses import RedirectResponse

from service.doorway import AtHand
from service.pages.fields import whole_number
from service.pages.gate import Form, HouseVisitor, Visitor
from service.pages.render import PageRoute, page, status_of
from service.records.errors import CountJumps, NotFound, Refusal, WrongBox
from service.records.ids import COUNT, number
from service.shop.tools import Tools
from service.stock import acts, count_rows, counting, stock_rows
from service.stock.stock_answers import (
    BinCountAnswer,
    bin_count_answer,
    bin_counts_answer,
    changes_answer,
    in_hands_answer,
)

router = APIRouter(include_in_schema=False, route_class=PageRoute)

#: Changes of a bin on a page; older ones a page further.
_CHANGES = 30

BinName = Annotated[str, Query(alias="bin", max_length=60)]


def at_bin(name: str) -> str:
    """Where a bin's page is; its name may hold anything."""
    return f"/stock/bin?{urlencode({'bin': name})}"


@router.get("/stock")
def get_store_room(request: Request, tools: AtHand, visitor: HouseVisitor) -> Response:
    """Bins, those being counted, and units that are in no bin."""
    return _store_room(request, tools, visitor)


@router.post("/stock/scan")
def post_scan(request: Request, tools: AtHand, visitor: HouseVisitor, form: Form) -> Response:
    """A bin's label opens the bin; a box's barcode says where its product stands."""
    code = str(form.get("code", ""))[:200]
    product = tools.catalogue.current.product_of(code.strip())
    if product is not None:
        return _store_room(request, tools, visitor, sku=product.sku)
    try:
        with tools.database.reading() as session:
            return RedirectResponse(at_bin(counting.bin_of(session, code)), 303)
    except Refusal as refusal:
        return _store_room(request, tools, visitor, refused=refusal)


@router.get("/stock/bin")
def get_bin(
    request: Request,
    tools: AtHand,
    visitor: HouseVisitor,
    bin_name: BinName = "",
    before: Annotated[int | None, Query(ge=1)] = None,
    done: Annotated[Literal["counted", "moved", ""], Query()] = "",
) -> Response:
    """One bin: what it holds, and how that came. `done` is what was done just now."""
    return _bin(request, tools, visitor, bin_name, before=before, done=done)


@router.post("/stock/bin/scan")
def post_scan_at_bin(request: Request, tools: AtHand, visitor: HouseVisitor, form: Form) -> Response:
    """Boxes are taken from the open bin one by one; another bin's label is where they go, or, with none in
    hand, that bin is opened. What is in hand stands in the page itself: sent twice, it is the same."""
    bin_name, sku = str(form.get("bin", ""))[:60], str(form.get("sku", ""))
    code = str(form.get("code", ""))[:200].strip()
    product = tools.catalogue.current.product_of(code)
    units = 0
    try:
        units = whole_number(form, "units", most=counting.MOST) if sku else 0
        if product is not None:
            if sku and product.sku != sku:
                raise WrongBox(
                    "one product at a time: first scan the bin that these boxes go into", scanned=code
                )
            return _bin(request, tools, visitor, bin_name, moving=(product.sku, units + 1))
        with tools.database.reading() as session:
            to = counting.bin_of(session, code)
            here = counting.bin_of(session, bin_name)
        if not sku or to == here:
            return RedirectResponse(at_bin(to), 303)
        return _move(request, tools, visitor, form, to=to, units=units)
    except Refusal as refusal:
        moving = (sku, units) if sku and units else None
        return _bin(request, tools, visitor, bin_name, refused=refusal, moving=moving)


@router.post("/stock/move")
def post_move(request: Request, tools: AtHand, visitor: HouseVisitor, form: Form) -> Response:
    """Boxes moved to another bin, said by finger."""
    units = 1
    try:
        units = whole_number(form, "units", most=counting.MOST)
        return _move(request, tools, visitor, form, to=str(form.get("to", "")), units=units)
    except Refusal as refusal:
        bin_name, sku = str(form.get("bin", ""))[:60], str(form.get("sku", ""))
        moving = (sku, units) if sku else None
        return _bin(request, tools, visitor, bin_name, refused=refusal, moving=moving)


@router.post("/stock/count")
def post_begin(request: Request, tools: AtHand, visitor: HouseVisitor, form: Form) -> Response:
    """Count a bin; whoever counts it already is joined."""
    try:
        count = acts.begin(tools, str(form.get("bin", ""))[:60], who=visitor.who)
    except Refusal as refusal:
        return _store_room(request, tools, visitor, refused=refusal)
    return RedirectResponse(f"/stock/counts/{count.id}", 303)


@router.get("/stock/counts/{identity}")
def get_count(request: Request, tools: AtHand, identity: str, visitor: HouseVisitor) -> Response:
    """A bin being counted: what is on record, what was counted, the difference."""
    return _count(request, tools, identity, visitor)


@router.post("/stock/counts/{identity}/scan")
def post_scan_at_count(
    request: Request, tools: AtHand, identity: str, visitor: HouseVisitor, form: Form
) -> Response:
    """One more box."""
    code = str(form.get("code", ""))[:200]
    try:
        acts.scan(tools, identity, _etag(form), code, who=visitor.who)
    except Refusal as refusal:
        return _count(request, tools, identity, visitor, refused=refusal)
    product = tools.catalogue.current.product_of(code.strip())
    return _count(request, tools, identity, visitor, scanned=product.sku if product else "")


@router.post("/stock/counts/{identity}/counted")
def post_counted(
    request: Request, tools: AtHand, identity: str, visitor: HouseVisitor, form: Form
) -> Response:
    """How many boxes of a product stand there, typed."""
    try:
        units = None if form.get("none") else whole_number(form, "units", most=counting.MOST, least=0)
        acts.say(tools, identity, _etag(form), {str(form.get("sku", "")): units}, who=visitor.who)
    except Refusal as refusal:
        return _count(request, tools, identity, visitor, refused=refusal)
    return RedirectResponse(f"/stock/counts/{identity}", 303)


@router.post("/stock/counts/{identity}/take")
def post_take(request: Request, tools: AtHand, identity: str, visitor: HouseVisitor, form: Form) -> Response:
    """Set the bin to what was counted; jumps that were confirmed come as `sure`."""
    sure = [str(sku) for sku in form.getlist("sure")]
    try:
        taken = acts.take(tools, identity, _etag(form), sure, who=visitor.who)
    except Refusal as refusal:
        return _count(request, tools, identity, visitor, refused=refusal)
    return RedirectResponse(f"{at_bin(taken.bin)}&done=counted", 303)


@router.post("/stock/counts/{identity}/drop")
def post_drop(request: Request, tools: AtHand, identity: str, visitor: HouseVisitor, form: Form) -> Response:
    """Forget what was counted."""
    try:
        dropped = acts.drop(tools, identity, _etag(form), who=visitor.who)
    except Refusal as refusal:
        return _count(request, tools, identity, visitor, refused=refusal)
    return RedirectResponse(at_bin(dropped.bin), 303)


def _etag(form: Form) -> str:
    return str(form.get("etag", ""))


def _move(request: Request, tools: Tools, visitor: Visitor, form: Form, *, to: str, units: int) -> Response:
    """Raises what `acts.move` raises."""
    came_from, sku = str(form.get("bin", ""))[:60], str(form.get("sku", ""))
    acts.move(tools, came_from, to[:60], sku, units, str(form.get("key", "")) or None, who=visitor.who)
    return RedirectResponse(f"{at_bin(to)}&done=moved", 303)


def _store_room(
    request: Request,
    tools: Tools,
    visitor: Visitor,
    *,
    refused: Refusal | None = None,
    sku: str | None = None,
) -> Response:
    shop = tools.catalogue.current
    with tools.database.reading() as session:
        counts = bin_counts_answer(session, shop.policy.count_jump).counts
        in_hand = in_hands_answer(session).units
        bins = stock_rows.bins(session)
        stands = stock_rows.bins_with(session, sku) if sku else []
    return page(
        request,
        "store_room.html",
        visitor,
        status=status_of(refused) if refused else 200,
        refused=refused,
        counts=counts,
        in_hand=in_hand,
        bins=bins,
        sku=sku,
        stands=stands,
        products=shop.products,
        at_bin=at_bin,
    )


def _bin(
    request: Request,
    tools: Tools,
    visitor: Visitor,
    bin_name: str,
    *,
    refused: Refusal | None = None,
    moving: tuple[str, int] | None = None,
    before: int | None = None,
    done: str = "",
) -> Response:
    """Raises NotFound for a bin that is not there."""
    shop = tools.catalogue.current
    with tools.database.reading() as session:
        try:
            name = counting.bin_of(session, bin_name)
        except WrongBox:
            raise NotFound("there is nothing at this address") from None
        holds = [row for row in count_rows.in_bin(session, name) if row.boxed]
        some = count_rows.changes(session, name, limit=_CHANGES + 1, before_id=before)
        count = count_rows.open_one(session, name)
        counted_by = None if count is None else count.began_by
        bins = [other for other in stock_rows.bins(session) if other != name]
    return page(
        request,
        "bin.html",
        visitor,
        status=status_of(refused) if refused else 200,
        refused=refused,
        name=name,
        holds=holds,
        changes=changes_answer(some[:_CHANGES]).changes,
        older=some[_CHANGES - 1].id if len(some) > _CHANGES else None,
        counted_by=counted_by,
        moving=moving,
        key=secrets.token_urlsafe(24),
        bins=bins,
        products=shop.products,
        at_bin=at_bin,
        done=done,
    )


def _count(
    request: Request,
    tools: Tools,
    identity: str,
    visitor: Visitor,
    *,
    refused: Refusal | None = None,
    scanned: str = "",
) -> Response:
    """Raises NotFound for a count that is not there."""
    shop = tools.catalogue.current
    with tools.database.reading() as session:
        count = count_rows.find(session, number(COUNT, identity))
        if count is None:
            raise NotFound("there is nothing at this address")
        answer: BinCountAnswer = bin_count_answer(session, count, shop.policy.count_jump)
    return page(
        request,
        "bin_count.html",
        visitor,
        status=status_of(refused) if refused else 200,
        # Which figures jump is asked in the form itself.
        refused=refused,
        asked=isinstance(refused, CountJumps),
        count=answer,
        scanned=next((line for line in answer.lines if line.sku == scanned), None),
        products=shop.products,
        at_bin=at_bin,
    )
