"""Packing: boxes gathered by scan, orders handed over to the carrier."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter
from pydantic import AfterValidator, Field

from service.api import wire
from service.api.contract import details
from service.api.security import Bench, House
from service.doorway import AtHand, Route
from service.packing import acts
from service.packing.packing_answers import (
    PackingAnswer,
    PackingOrderAnswer,
    PackingScanAnswer,
    packing_answer,
)
from service.packing.pick_ups import PickUps
from service.records import errors
from service.requests.inscriptions import Strict, storable

router = APIRouter(tags=["packing"], route_class=Route)


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
    return acts.scan(tools, body.code, is_open=body.order, who=who)


@router.post(
    "/v1/orders/{identity}/hand-over",
    openapi_extra=details(errors.BoxesMissing, errors.MoveNotAllowed),
)
def hand_over_order(tools: AtHand, identity: wire.OrderId, who: Bench) -> PackingOrderAnswer:
    """The carrier has the order, every box of it. A second time changes nothing."""
    return acts.hand_over(tools, identity, who=who)


@router.delete("/v1/orders/{identity}/hand-over", openapi_extra=details(errors.MoveNotAllowed))
def take_back_hand_over(tools: AtHand, identity: wire.OrderId, who: House) -> PackingOrderAnswer:
    """The hand-over was a mistake, and the boxes are still here: only until the carrier's next cut-off after
    it (the end of the day where the shop names no carrier). Its store is told. A second time changes
    nothing."""
    return acts.take_back_hand_over(tools, identity, who=who)
