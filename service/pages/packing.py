"""Packing: boxes gathered by scan or by finger, shelves, packing lists, orders handed over."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated

from fastapi import APIRouter, Query, Request, Response
from fastapi.responses import RedirectResponse
from sqlalchemy.orm import Session

from service.doorway import AtHand
from service.intake import order_rows
from service.loads import load as loads
from service.packing import acts, scans
from service.packing.packing_answers import (
    PackingOrderAnswer,
    PackingScanAnswer,
    order_at_packing,
    packing_answer,
)
from service.packing.pick_ups import PickUps
from service.pages.gate import BenchVisitor, Form, HouseVisitor, Visitor
from service.pages.plate import mark_svg
from service.pages.render import PageRoute, page, status_of
from service.records.errors import NotFound, Refusal
from service.records.tables import Order, OrderLine
from service.requests.check_answers import stored_checked, words_on_metal
from service.shop.tools import Tools

router = APIRouter(include_in_schema=False, route_class=PageRoute)

#: Orders that the first page lists; the count beside them says how many there are.
_SHOWN = 60


@dataclass(frozen=True, slots=True)
class Line:
    """A line of the order that is open: what its units bear, drawn from the frozen marks."""

    line_ref: str
    sku: str
    marks: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Opened:
    """The order that is open on a tablet, with what people wrote about it."""

    order: PackingOrderAnswer
    lines: tuple[Line, ...]
    gift_note: str
    is_erased: bool


@router.get("/packing")
def get_packing(
    request: Request,
    tools: AtHand,
    visitor: HouseVisitor,
    ended: Annotated[str, Query(pattern=r"^(O\d{1,18})?$")] = "",
) -> Response:
    """Orders of which boxes are here, or could be; those that leave first stand first. `ended` is the order
    that was handed over just now."""
    return _packing(request, tools, visitor, ended=ended)


@router.post("/packing/scan")
def post_scan(request: Request, tools: AtHand, visitor: BenchVisitor, form: Form) -> Response:
    """A box on its way to its shelf, or a packing list, which opens its order."""
    try:
        scanned = _scan(tools, visitor, form, is_open=None)
    except Refusal as refusal:
        return _packing(request, tools, visitor, refused=refusal)
    if scanned.what == "order":
        return RedirectResponse(f"/packing/{scanned.order.id}", 303)
    return _packing(request, tools, visitor, scanned=scanned)


@router.get("/packing/{identity}")
def get_order(request: Request, tools: AtHand, identity: str, visitor: HouseVisitor) -> Response:
    """One order: its shelf, its boxes, what goes into the parcel."""
    return _order(request, tools, identity, visitor)


@router.post("/packing/{identity}/scan")
def post_scan_of(
    request: Request, tools: AtHand, identity: str, visitor: BenchVisitor, form: Form
) -> Response:
    """Something was scanned while the order is open; its own packing list hands it over."""
    try:
        scanned = _scan(tools, visitor, form, is_open=identity)
        if scanned.what == "order":
            return _hand_over(tools, identity, visitor)
    except Refusal as refusal:
        return _order(request, tools, identity, visitor, refused=refusal)
    return _order(request, tools, identity, visitor, scanned=scanned)


@router.post("/packing/{identity}/hand-over")
def post_hand_over(
    request: Request, tools: AtHand, identity: str, visitor: BenchVisitor, form: Form
) -> Response:
    """The carrier has it, said by hand."""
    try:
        return _hand_over(tools, identity, visitor)
    except Refusal as refusal:
        return _order(request, tools, identity, visitor, refused=refusal)


@router.post("/packing/{identity}/take-back")
def post_take_back(
    request: Request, tools: AtHand, identity: str, visitor: HouseVisitor, form: Form
) -> Response:
    """It was a mistake: the boxes are still here. Whoever says so second sees them on their shelf."""
    try:
        acts.take_back_hand_over(tools, identity, who=visitor.who)
    except Refusal as refusal:
        return _order(request, tools, identity, visitor, refused=refusal)
    return RedirectResponse(f"/packing/{identity}", 303)


def _scan(tools: Tools, visitor: Visitor, form: Form, *, is_open: str | None) -> PackingScanAnswer:
    """Raises what `scans.scan` raises."""
    return acts.scan(tools, str(form.get("code", ""))[:200], is_open=is_open, who=visitor.who)


def _hand_over(tools: Tools, identity: str, visitor: Visitor) -> Response:
    """Raises what `hand_over` raises. Two people may do it: the second is shown who did it when."""
    acts.hand_over(tools, identity, who=visitor.who)
    return RedirectResponse(f"/packing?ended={identity}", 303)


def _packing(
    request: Request,
    tools: Tools,
    visitor: Visitor,
    *,
    scanned: PackingScanAnswer | None = None,
    refused: Refusal | None = None,
    ended: str = "",
) -> Response:
    shop, now = tools.catalogue.current, tools.clock()
    pick_ups = PickUps.of(shop, now=now)
    with tools.database.reading() as session:
        over = order_at_packing(session, scans.found(session, ended), pick_ups) if ended else None
        packing = packing_answer(session, shop.policy.shelves, pick_ups, now=now, limit=_SHOWN)
    return page(
        request,
        "packing.html",
        visitor,
        status=status_of(refused) if refused else 200,
        refused=refused,
        scanned=scanned,
        ended=over,
        packing=packing,
        products=shop.products,
        now=now,
    )


def _order(
    request: Request,
    tools: Tools,
    identity: str,
    visitor: Visitor,
    *,
    scanned: PackingScanAnswer | None = None,
    refused: Refusal | None = None,
) -> Response:
    shop, now = tools.catalogue.current, tools.clock()
    if isinstance(refused, NotFound):
        raise refused
    with tools.database.reading() as session:
        order = scans.found(session, identity)
        pick_ups = PickUps.of(shop, now=now)
        ended_at = order.handed_over_at
        is_still_here = ended_at is not None and PickUps.of(shop, now=ended_at).may_be_taken_back(
            ended_at, now=now
        )
        opened = Opened(
            order=order_at_packing(session, order, pick_ups),
            lines=tuple(_lines(session, order)),
            gift_note=order.gift_note,
            is_erased=order.erased_at is not None,
        )
    return page(
        request,
        "packing_order.html",
        visitor,
        status=status_of(refused) if refused else 200,
        refused=refused,
        scanned=scanned,
        opened=opened,
        is_still_here=is_still_here,
        shelves=shop.policy.shelves,
        inserts=shop.policy.inserts,
        products=shop.products,
        now=now,
    )


def _lines(session: Session, order: Order) -> list[Line]:
    """What is to be seen on each unit of each line; nothing of an erased one."""
    return [Line(line.line_ref, line.sku, tuple(_marks(session, line))) for line in order.lines]


def _marks(session: Session, line: OrderLine) -> list[str]:
    frozen = order_rows.marks(session, line.id, line.words_revision)
    return [
        mark_svg(loads.mark_value(mark), words_on_metal(stored_checked(checked)))
        for mark, checked in zip(frozen, line.checked, strict=False)
    ]
