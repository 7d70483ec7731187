"""Assembly by tablet: what is to be built, units inspected point by point and put into bins."""

from __future__ import annotations

import secrets
from collections.abc import Mapping
from datetime import date, datetime, time, timedelta
from typing import Annotated, Any, Literal
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Query, Request, Response
from fastapi.responses import RedirectResponse

from layout.shop.inscriptions import ArtworkInscription
from layout.shop.shop import Shop
from service.assembly import acts, built_units, failures, scans, work_orders
from service.assembly import work_order_rows as rows
from service.assembly.scans import AssemblyScanAnswer
from service.assembly.work_order_answers import in_work_answer, work_order_answer, work_orders_answer
from service.doorway import AtHand
from service.pages.bins import at_bin
from service.pages.fields import whole_number
from service.pages.gate import BenchVisitor, Form, HouseVisitor, OwnerVisitor, Visitor
from service.pages.lots import places_for_marks
from service.pages.render import PageRoute, page, status_of
from service.records.errors import BadRequest, NotFound, Refusal
from service.records.ids import WORK_ORDER, number
from service.records.states import UnitState
from service.requests.order_in import end_of_day
from service.shop.tools import Tools
from service.stock import stock_rows

router = APIRouter(include_in_schema=False, route_class=PageRoute)

#: Work orders on a page, and days for which failures are counted, if nobody says otherwise.
_SHOWN, _USUAL_DAYS = 60, 28

UnitCode = Annotated[str, Query(pattern=r"^(U\d{1,18})?$")]
#: What a tablet is told of what it has just done.
Said = Literal["", "passed", "rework", "given_up", "stocked"]


@router.get("/assembly")
def get_assembly(
    request: Request,
    tools: AtHand,
    visitor: HouseVisitor,
    unit: UnitCode = "",
    bin_name: Annotated[str, Query(alias="bin", max_length=60)] = "",
    said: Annotated[Said, Query()] = "",
) -> Response:
    """Work orders, units in work, and the unit that is open. `said` is what was done with it just now."""
    return _assembly(request, tools, visitor, unit=unit, bin_name=bin_name, said=said)


@router.post("/assembly/scan")
def post_scan(request: Request, tools: AtHand, visitor: BenchVisitor, form: Form) -> Response:
    """A unit is opened, or goes into the open bin; a bin takes the open unit, or is held open for many."""
    unit, bin_name = str(form.get("unit", ""))[:20], str(form.get("bin", ""))[:60]
    code = str(form.get("code", ""))[:200]
    try:
        scanned = acts.scan(tools, code, unit=unit or None, bin_name=bin_name or None, who=visitor.who)
    except Refusal as refusal:
        return _assembly(request, tools, visitor, refused=refusal, unit=unit, bin_name=bin_name)
    if scanned.what == "work_order":
        return RedirectResponse(f"/assembly/{scanned.work_order}", 303)
    held = scanned.bin if scanned.what == "bin" else bin_name
    return _assembly(request, tools, visitor, scanned=scanned, bin_name=held or "")


@router.post("/assembly/units/{identity}/pass")
def post_pass(request: Request, tools: AtHand, identity: str, visitor: BenchVisitor, form: Form) -> Response:
    """Every point was looked at and is good."""
    points = [str(point) for point in form.getlist("point")]
    try:
        acts.passes(tools, identity, points, who=visitor.who)
    except Refusal as refusal:
        return _assembly(request, tools, visitor, refused=refusal, unit=identity)
    return RedirectResponse(f"/assembly?unit={identity}&said=passed", 303)


@router.post("/assembly/units/{identity}/bad")
def post_bad(request: Request, tools: AtHand, identity: str, visitor: BenchVisitor, form: Form) -> Response:
    """A point is not good: to rework, or given up."""
    reason, note = str(form.get("reason", ""))[:120], " ".join(str(form.get("note", "")).split())
    act = acts.give_up if form.get("what") == "give_up" else acts.fails
    said = "given_up" if form.get("what") == "give_up" else "rework"
    try:
        if len(note) > built_units.LONGEST_NOTE or not note.isprintable():
            raise BadRequest("say it in fewer words", field="note")
        act(tools, identity, reason, note, who=visitor.who)
    except Refusal as refusal:
        return _assembly(request, tools, visitor, refused=refusal, unit=identity)
    return RedirectResponse(f"/assembly?unit={identity}&said={said}", 303)


@router.post("/assembly/units/{identity}/put-in")
def post_put_in(
    request: Request, tools: AtHand, identity: str, visitor: BenchVisitor, form: Form
) -> Response:
    """It stands in a bin, said by finger."""
    try:
        acts.put_in(tools, identity, str(form.get("into", ""))[:60], who=visitor.who)
    except Refusal as refusal:
        return _assembly(request, tools, visitor, refused=refusal, unit=identity)
    return RedirectResponse(f"/assembly?unit={identity}&said=stocked", 303)


@router.get("/assembly/new")
def get_new(
    request: Request,
    tools: AtHand,
    visitor: OwnerVisitor,
    sku: Annotated[str, Query(max_length=60)] = "",
    quantity: Annotated[int, Query(ge=1, le=100_000)] = 1,
    due: Annotated[date | Literal[""], Query()] = "",
) -> Response:
    """A work order to be made, as the build plan proposes it."""
    proposed = {"sku": sku, "quantity": str(min(quantity, work_orders.MOST)), "due": str(due)}
    return _new(request, tools, visitor, typed=proposed)


@router.post("/assembly/new")
def post_new(request: Request, tools: AtHand, visitor: OwnerVisitor, form: Form) -> Response:
    """A new work order; the form's own key makes sure that it is made once."""
    try:
        wanted = _wanted(tools, form)
        made = work_orders.make(tools, wanted, str(form.get("key", "")) or None, who=visitor.who)
    except Refusal as refusal:
        return _new(request, tools, visitor, typed=form, refused=refusal)
    return RedirectResponse(made.headers["Location"].replace("/v1/work-orders", "/assembly"), 303)


@router.get("/assembly/failures")
def get_failures(
    request: Request,
    tools: AtHand,
    visitor: HouseVisitor,
    since: Annotated[date | Literal[""], Query(alias="from")] = "",
    until: Annotated[date | Literal[""], Query(alias="to")] = "",
) -> Response:
    """What failed the inspection before boxing, by product and reason."""
    today = _today(tools)
    last = until or today
    first = since or last - timedelta(days=_USUAL_DAYS - 1)
    refused, counted = None, None
    try:
        counted = failures.failures(tools, first, last)
    except Refusal as refusal:
        refused = refusal
    return page(
        request,
        "assembly_failures.html",
        visitor,
        status=status_of(refused) if refused else 200,
        refused=refused,
        counted=counted,
        first=first,
        last=last,
        products=tools.catalogue.current.products,
    )


@router.get("/assembly/{identity}")
def get_work_order(request: Request, tools: AtHand, identity: str, visitor: HouseVisitor) -> Response:
    """One work order, unit by unit."""
    return _work_order(request, tools, identity, visitor)


@router.post("/assembly/{identity}/cancel")
def post_cancel(
    request: Request, tools: AtHand, identity: str, visitor: OwnerVisitor, form: Form
) -> Response:
    """Build no more of it."""
    why = " ".join(str(form.get("why", "")).split())[:200]
    try:
        if not why or not why.isprintable():
            raise BadRequest("say why it is cancelled", field="why")
        acts.cancel(tools, identity, str(form.get("etag", "")), why, who=visitor.who)
    except Refusal as refusal:
        return _work_order(request, tools, identity, visitor, refused=refusal)
    return RedirectResponse(f"/assembly/{identity}", 303)


def _today(tools: Tools) -> date:
    return tools.clock().astimezone(ZoneInfo(tools.catalogue.current.policy.time_zone)).date()


def _assembly(
    request: Request,
    tools: Tools,
    visitor: Visitor,
    *,
    refused: Refusal | None = None,
    scanned: AssemblyScanAnswer | None = None,
    unit: str = "",
    bin_name: str = "",
    said: Said = "",
) -> Response:
    shop = tools.catalogue.current
    with tools.database.reading() as session:
        if scanned is None and unit:
            try:
                scanned = scans.said_of(session, "inspect", unit, shop=shop)
            except NotFound:
                if refused is None:
                    raise
        opened = scanned if scanned is not None and scanned.unit is not None else None
        orders = work_orders_answer(session, rows.open_orders(session, limit=_SHOWN)).work_orders
        units = in_work_answer(session).units
        bins = stock_rows.bins(session)
    return page(
        request,
        "assembly.html",
        visitor,
        status=status_of(refused) if refused else 200,
        refused=refused,
        scanned=scanned,
        opened=opened,
        said=said or (scanned.what if scanned is not None and not unit else ""),
        held=bin_name,
        orders=orders,
        units=units,
        bins=bins,
        other=built_units.OTHER,
        longest_note=built_units.LONGEST_NOTE,
        states=UnitState,
        products=shop.products,
        now=tools.clock(),
    )


def _work_order(
    request: Request, tools: Tools, identity: str, visitor: Visitor, *, refused: Refusal | None = None
) -> Response:
    """Raises NotFound for a work order that is not there."""
    with tools.database.reading() as session:
        order = rows.find(session, number(WORK_ORDER, identity))
        if order is None:
            raise NotFound("there is nothing at this address")
        answer, etag = work_order_answer(session, order), work_orders.etag_of(order)
    return page(
        request,
        "work_order.html",
        visitor,
        status=status_of(refused) if refused else 200,
        refused=refused,
        order=answer,
        etag=etag,
        products=tools.catalogue.current.products,
        at_bin=at_bin,
        now=tools.clock(),
    )


def _new(
    request: Request,
    tools: Tools,
    visitor: Visitor,
    *,
    typed: Mapping[str, Any],
    refused: Refusal | None = None,
) -> Response:
    shop = tools.catalogue.current
    sku = str(typed.get("sku", ""))
    product = shop.products.get(sku)
    with tools.database.reading() as session:
        seen = rows.being_built(session, sku)
    return page(
        request,
        "work_order_new.html",
        visitor,
        status=status_of(refused) if refused else 200,
        refused=refused,
        typed=typed,
        product=product,
        seen=seen,
        built=[p for p in shop.products.values() if not shop.blades[p.blade].bare],
        marks=_marks(shop, product.built_from if product is not None else None),
        products=shop.products,
        key=secrets.token_urlsafe(24),
        today=_today(tools).isoformat(),
        most=work_orders.MOST,
    )


def _marks(shop: Shop, bare: str | None) -> list[tuple[str, str, str]]:
    """(zone, artwork, name) of every mark of the library that may go on a bare blade."""
    return [
        (zone, artwork.artwork, artwork.name)
        for sku, zone, _ in places_for_marks(shop)
        if sku == bare
        for artwork in shop.artworks.values()
        if artwork.use == "mark"
    ]


def _wanted(tools: Tools, form: Form) -> work_orders.WorkOrderWanted:
    """Raises BadRequest."""
    shop = tools.catalogue.current
    zone = ZoneInfo(shop.policy.time_zone)
    sku = str(form.get("sku", ""))
    quantity = whole_number(form, "quantity", most=work_orders.MOST)
    try:
        day = date.fromisoformat(str(form.get("due", "")))
        due = end_of_day(day, zone)
    except ValueError:
        raise BadRequest("say by which day they are to be built", field="due") from None
    seen = whole_number(form, "seen", most=1_000_000, least=0) if form.get("seen") else None
    mark = None
    if place := str(form.get("mark", "")):
        where, _, artwork = place.partition("|")
        product = shop.products.get(sku)
        bare = product.built_from if product is not None else None
        if (where, artwork) not in {known[:2] for known in _marks(shop, bare)}:
            raise BadRequest("choose a mark for its bare blade", field="mark")
        mark = work_orders.MarkWanted(
            (ArtworkInscription(where, artwork, None),), _before(due, shop, tools.clock())
        )
    return work_orders.WorkOrderWanted(sku, quantity, due, mark, seen)


def _before(due: datetime, shop: Shop, now: datetime) -> datetime:
    """When the house mark is to be on the blades: so many days ahead, but not in the past."""
    ahead = due - timedelta(days=shop.policy.assembly.house_mark_days)
    zone = ZoneInfo(shop.policy.time_zone)
    return max(ahead, datetime.combine(now.astimezone(zone).date(), time(23, 59), tzinfo=zone))
