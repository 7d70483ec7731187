"""Packing: boxes gathered by scan, orders handed over to the carrier."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter
from pydantic import AfterValidator, Field
from sqlalchemy.orm import Session

from service.api import wire
from service.api.contract import details
from service.api.security import Bench, House
from service.doorway import AtHand
from service.packing import scans
from service.packing.hand_over import hand_over
from service.packing.packing_answers import (
    PackingAnswer,
    PackingOrderAnswer,
    PackingScanAnswer,
    order_at_packing,
    packing_answer,
)
from service.packing.pick_ups import PickUps
from service.records import errors
from service.requests.inscriptions import Strict, storable

router = APIRouter(tags=["packing"])


class PackingScanIn(Strict):
    code: Annotated[str, Field(min_length=1, max_length=200), AfterValidator(storable)] = Field(
        description="What the scanner read: a box's label, a shelf's, the code of a packing list.",
        examples=["J42"],
    )
    order: Annotated[str, Field(max_length=20), AfterValidator(storable)] | None = Field(
        default=None,
        description="The order that is open on the tablet: boxes and lists of others are refused, and a shelf"
        " is that order's. Left out: none.",
        examples=["O17"],
    )


@router.get("/v1/packing")
def list_packing(tools: AtHand, who: House, limit: wire.Limit = 50) -> PackingAnswer:
    """Orders of which packing has, or could have, a box; where their other boxes are; the rack."""
    shop, now = tools.catalogue.current, tools.clock()
    with tools.database.reading() as session:
        return packing_answer(session, shop.policy.shelves, PickUps.of(shop, now=now), now=now, limit=limit)


@router.post("/v1/packing/scan", openapi_extra=details(errors.NotFound, errors.WrongBox, errors.WrongShelf))
def scan_at_packing(tools: AtHand, body: PackingScanIn, who: Bench) -> PackingScanAnswer:
    """A box, a shelf or a packing list was scanned. Scanning it again changes nothing."""

    def work(session: Session) -> PackingScanAnswer:
        shop = tools.catalogue.current
        return scans.scan(session, body.code, is_open=body.order, shop=shop, by=tools.by(who))

    return tools.database.write(work)


@router.post(
    "/v1/orders/{identity}/hand-over",
    openapi_extra=details(errors.BoxesMissing, errors.MoveNotAllowed),
)
def hand_over_order(tools: AtHand, identity: wire.OrderId, who: Bench) -> PackingOrderAnswer:
    """The carrier has the order, every box of it. A second time changes nothing."""

    def work(session: Session) -> PackingOrderAnswer:
        by = tools.by(who)
        order, _ = hand_over(session, identity, by=by)
        return order_at_packing(session, order, PickUps.of(tools.catalogue.current, now=by.at))

    return tools.database.write(work)
