"""Lots of bare blades for the house mark."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query, Request, Response
from pydantic import AfterValidator, Field
from sqlalchemy.orm import Session

from service.api import wire
from service.api.contract import details
from service.api.security import Bench, House, Owner
from service.doorway import AtHand, Route
from service.intake import order_rows
from service.intake import take_lot as intake_lots
from service.loads import lot_rows as rows
from service.loads import lots
from service.loads.lot_answers import LotAnswer, LotsAnswer, lot_answer
from service.records import errors
from service.records.errors import NotFound
from service.records.ids import LOT, number
from service.records.states import LotState
from service.requests.inscriptions import InscriptionsIn, Moment, Name, Strict, Whole, storable

router = APIRouter(tags=["lots"], route_class=Route)


class LotIn(Strict):
    sku: Name = Field(description="The bare blade, as a product.", examples=["AQ-BLANK-PARER"])
    inscriptions: InscriptionsIn = Field(description="What each of them gets.")
    quantity: Whole = Field(ge=1, le=100_000, description="How many.", examples=[200])
    due: Moment = Field(description="When they are wanted.", examples=["2026-12-04T16:00:00Z"])


class CancelLotIn(Strict):
    reason: Annotated[str, Field(min_length=1, max_length=200), AfterValidator(storable)] = Field(
        description="Why; it goes to the history.", examples=["no steel"]
    )


@router.post(
    "/v1/lots",
    status_code=201,
    response_model=LotAnswer,
    openapi_extra=details(
        errors.BadRequest, errors.Unengravable, errors.CheckTooSlow, errors.CheckersBusy, etag=True
    ),
)
def add_lot(tools: AtHand, body: LotIn, who: Owner, idempotency_key: wire.IdempotencyKey = None) -> Response:
    """Ask for a quantity of bare blades to be marked."""
    inscriptions = tuple(inscription.value() for inscription in body.inscriptions)
    wanted = lots.LotWanted(body.sku, inscriptions, body.quantity, body.due)
    return wire.json_answer(intake_lots.take_lot(tools, wanted, idempotency_key, who=who))


@router.get("/v1/lots")
def list_lots(
    request: Request,
    tools: AtHand,
    response: Response,
    who: House,
    limit: wire.Limit = 50,
    cursor: wire.Cursor = None,
    state: Annotated[
        LotState | None, Query(description="Keep those in that state.", examples=["open"])
    ] = None,
) -> LotsAnswer:
    """Lots with their counts, oldest first."""
    with tools.database.reading() as session:
        page = rows.page(
            session,
            after_id=wire.read_cursor(cursor),
            limit=limit + 1,
            state=state.value if state else None,
        )
        if len(page) > limit:
            response.headers["Link"] = wire.next_link(request, page[limit - 1].id, limit)
        return LotsAnswer(lots=tuple(lot_answer(lot) for lot in page[:limit]))


@router.get("/v1/lots/{identity}", openapi_extra=details(etag=True))
def get_lot(tools: AtHand, response: Response, identity: wire.LotId, who: House) -> LotAnswer:
    """One lot with its history."""
    with tools.database.reading() as session:
        lot = rows.find(session, number(LOT, identity))
        if lot is None:
            raise NotFound("no such lot", id=identity)
        response.headers["ETag"] = lots.etag_of(lot)
        return lot_answer(lot, order_rows.history(session, "lot", lot.id))


@router.post("/v1/lots/{identity}/cancel", openapi_extra=details(errors.MoveNotAllowed, etag=True))
def cancel_lot(
    tools: AtHand,
    response: Response,
    identity: wire.LotId,
    body: CancelLotIn,
    who: Owner,
    if_match: wire.IfMatch = None,
) -> LotAnswer:
    """Mark no more blades of a lot; what was marked before can still be handed over."""
    etag = wire.if_match_of(if_match)

    def work(session: Session) -> LotAnswer:
        lot = lots.cancel(session, identity, etag, why=body.reason, by=tools.by(who))
        response.headers["ETag"] = lots.etag_of(lot)
        return lot_answer(lot)

    return tools.database.write(work)


@router.post("/v1/lots/{identity}/hand-over", openapi_extra=details(errors.MoveNotAllowed, etag=True))
def hand_over_lot(
    tools: AtHand, response: Response, identity: wire.LotId, who: Bench, if_match: wire.IfMatch = None
) -> LotAnswer:
    """Give a finished lot to assembly."""
    etag = wire.if_match_of(if_match)

    def work(session: Session) -> LotAnswer:
        lot = lots.hand_over(session, identity, etag, by=tools.by(who))
        response.headers["ETag"] = lots.etag_of(lot)
        return lot_answer(lot)

    return tools.database.write(work)
