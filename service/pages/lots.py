"""Lots of bare blades: ordered, counted through their loads, handed over to assembly."""

from __future__ import annotations

import secrets
from datetime import date, datetime, time
from typing import Any
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Request, Response
from fastapi.responses import RedirectResponse
from sqlalchemy.orm import Session

from layout.shop.inscriptions import ArtworkInscription
from layout.shop.shop import Shop
from service.doorway import AtHand
from service.intake import take_lot as intake_lots
from service.loads import lot_rows as rows
from service.loads import lots
from service.pages.fields import millimetres
from service.pages.gate import BenchVisitor, Form, HouseVisitor, OwnerVisitor, Visitor
from service.pages.render import PageRoute, page, status_of
from service.records.errors import BadRequest, Refusal
from service.records.ids import LOT, public
from service.requests.inscriptions import plausible
from service.shop.tools import Tools

router = APIRouter(include_in_schema=False, route_class=PageRoute)

_SHOWN = 60
_MOST = 100_000


@router.get("/lots")
def get_lots(request: Request, tools: AtHand, visitor: HouseVisitor) -> Response:
    """Lots in hand with their counts, then those that are finished."""
    return _lots(request, tools, visitor)


@router.post("/lots")
def post_lot(request: Request, tools: AtHand, visitor: OwnerVisitor, form: Form) -> Response:
    """A new lot of bare blades to be marked; the form's own key makes sure it is only made once."""
    try:
        wanted = _wanted(tools.catalogue.current, form)
        intake_lots.take_lot(tools, wanted, str(form.get("key", "")), who=visitor.who)
    except Refusal as refusal:
        return _lots(request, tools, visitor, refused=refusal, typed=form)
    return RedirectResponse("/lots", 303)


@router.post("/lots/{identity}/hand-over")
def post_hand_over(
    request: Request, tools: AtHand, identity: str, visitor: BenchVisitor, form: Form
) -> Response:
    """Hand over to assembly what was marked."""
    etag = str(form.get("etag", ""))

    def work(session: Session) -> None:
        lots.hand_over(session, identity, etag, by=tools.by(visitor.who))

    return _done(request, tools, visitor, work)


@router.post("/lots/{identity}/cancel")
def post_cancel(
    request: Request, tools: AtHand, identity: str, visitor: OwnerVisitor, form: Form
) -> Response:
    """Mark no more of a lot."""
    etag = str(form.get("etag", ""))
    why = " ".join(str(form.get("why", "")).split())[:200]

    def work(session: Session) -> None:
        if not why or not why.isprintable():
            raise BadRequest("say why the lot is cancelled", field="why")
        lots.cancel(session, identity, etag, why=why, by=tools.by(visitor.who))

    return _done(request, tools, visitor, work)


def _done(request: Request, tools: Tools, visitor: Visitor, work: Any) -> Response:
    try:
        tools.database.write(work)
    except Refusal as refusal:
        return _lots(request, tools, visitor, refused=refusal)
    return RedirectResponse("/lots", 303)


def _lots(
    request: Request, tools: Tools, visitor: Visitor, *, refused: Refusal | None = None, typed: Any = None
) -> Response:
    shop: Shop = tools.catalogue.current
    with tools.database.reading() as session:
        listed = [
            {
                "id": public(LOT, lot.id),
                "lot": lot,
                "etag": lots.etag_of(lot),
                "can_go": lots.may_be_handed_over(lot),
            }
            for lot in rows.newest(session, limit=_SHOWN)
        ]
    return page(
        request,
        "lots.html",
        visitor,
        status=status_of(refused) if refused else 200,
        refused=refused,
        listed=listed,
        places=places_for_marks(shop),
        marks=[a for a in shop.artworks.values() if a.use == "mark"],
        products=shop.products,
        key=secrets.token_hex(12),
        typed=typed or {},
        today=tools.clock().date().isoformat(),
        now=tools.clock(),
    )


def places_for_marks(shop: Shop) -> list[tuple[str, str, str]]:
    """(product, zone, name) of every zone of a bare blade that takes a library mark."""
    return [
        (product.sku, zone.zone, product.name)
        for product in shop.products.values()
        if shop.blades[product.blade].bare
        for face in shop.blades[product.blade].faces
        for zone in face.zones
        if "artwork" in zone.kinds
    ]


def _wanted(shop: Shop, form: Form) -> lots.LotWanted:
    sku, _, zone = str(form.get("place", "")).partition("|")
    artwork = str(form.get("artwork", ""))
    if (sku, zone) not in {place[:2] for place in places_for_marks(shop)} or artwork not in shop.artworks:
        raise BadRequest("choose a bare blade and a mark for it", field="place")
    count = str(form.get("quantity", "")).strip()
    if not (count.isascii() and count.isdecimal() and 0 < int(count[:7]) <= _MOST and len(count) < 7):
        raise BadRequest("a quantity is a whole number of blades", field="quantity")
    try:
        day = date.fromisoformat(str(form.get("due", "")))
        zone_of_shop = ZoneInfo(shop.policy.time_zone)
        due = plausible(datetime.combine(day, time(23, 59), tzinfo=zone_of_shop))
    except ValueError:
        raise BadRequest("say by which day the blades are wanted", field="due") from None
    width = millimetres(form, "width_mm", most=500)
    return lots.LotWanted(sku, (ArtworkInscription(zone, artwork, width),), int(count), due)
