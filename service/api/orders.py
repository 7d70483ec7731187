"""Orders: taken, looked at, amended, approved, cancelled."""

from __future__ import annotations

from typing import Annotated, Literal

from fastapi import APIRouter, Path, Query, Request, Response
from sqlalchemy.orm import Session

from service.api import wire
from service.api.contract import PNG, SVG, details
from service.api.security import Anyone, Desk, Intake
from service.doorway import AtHand, Route, voice_of
from service.intake import order_rows as rows
from service.intake import orders, proofs, search
from service.intake import take_order as intake
from service.intake.order_answers import (
    OrderAndHistoryAnswer,
    OrderAnswer,
    OrdersAnswer,
    etag_of,
    order_and_history_answer,
    order_answer,
    orders_answer,
)
from service.privacy.export import ExportAnswer, export
from service.records import errors
from service.records.states import JobState
from service.records.tables import Order
from service.records.who import By
from service.requests.inscriptions import Ref
from service.requests.order_in import OrderIn
from service.shop.stores import language_for

router = APIRouter(tags=["orders"], route_class=Route)


@router.post(
    "/v1/orders",
    status_code=201,
    response_model=OrderAnswer,
    openapi_extra=details(
        errors.BadRequest,
        errors.OrderRefTaken,
        errors.TooManyUnits,
        errors.Unengravable,
        errors.WordsErased,
        errors.CheckTooSlow,
        errors.CheckersBusy,
        etag=True,
    ),
)
def take_order(
    tools: AtHand, body: OrderIn, who: Intake, idempotency_key: wire.IdempotencyKey = None
) -> Response:
    """Take an order. A well-formed order is always stored; what can't be engraved is held for the desk."""
    return wire.json_answer(intake.take_order(tools, body, idempotency_key, who=who))


@router.get("/v1/orders", openapi_extra=details(errors.BadRequest))
def list_orders(
    request: Request,
    tools: AtHand,
    response: Response,
    who: Anyone,
    limit: wire.Limit = 50,
    cursor: wire.Cursor = None,
    state: Annotated[
        JobState | None, Query(description="Keep those with a job in that state.", examples=["held"])
    ] = None,
    order_ref: Annotated[
        Ref | None, Query(description="Keep those that the store calls so.", examples=["AQ-2026-0417"])
    ] = None,
    q: Annotated[
        str | None,
        Query(
            max_length=100,
            description="Keep those with all these words, by their beginnings: in reference, buyer, words to"
            " engrave or product. Case and accents don't count.",
            examples=["nan chef"],
        ),
    ] = None,
) -> OrdersAnswer:
    """Orders, newest first; a store sees its own. `order_ref` finds an order by the store's own reference,
    `q` by what people remember of it."""
    sought = () if q is None else search.sought(q, tools.catalogue.current.products.values())
    with tools.database.reading() as session:
        page = rows.page(
            session,
            client=who.sees_client,
            before_id=wire.read_cursor(cursor),
            limit=limit + 1,
            job_state=state.value if state else None,
            order_ref=order_ref,
            sought=sought,
        )
        if len(page) > limit:
            response.headers["Link"] = wire.next_link(request, page[limit - 1].id, limit)
        return orders_answer(session, page[:limit])


@router.get("/v1/orders/{identity}", openapi_extra=details(etag=True))
def get_order(
    tools: AtHand, response: Response, identity: wire.OrderId, who: Anyone
) -> OrderAndHistoryAnswer:
    """One order with its lines, findings and jobs."""
    with tools.database.reading() as session:
        order = orders.visible(session, identity, who=who)
        response.headers["ETag"] = etag_of(order)
        history = rows.history(session, "order", order.id)
        return order_and_history_answer(session, order, history, is_house=who.sees_client is None)


@router.patch(
    "/v1/orders/{identity}/lines/{line_ref}",
    openapi_extra=details(
        errors.BadRequest, errors.MoveNotAllowed, errors.CheckTooSlow, errors.CheckersBusy, etag=True
    ),
)
def amend_line(
    tools: AtHand,
    response: Response,
    identity: wire.OrderId,
    line_ref: wire.LineRef,
    body: wire.AmendIn,
    who: Intake,
    if_match: wire.IfMatch = None,
) -> OrderAnswer:
    """Other words for a line, until a unit of it is in a load. An approval of the old words is void."""
    etag = wire.if_match_of(if_match)
    order, response.headers["ETag"] = intake.amend_line(
        tools, identity, line_ref, body.inscriptions, etag, who=who
    )
    return order


@router.post(
    "/v1/orders/{identity}/approve",
    openapi_extra=details(errors.BadRequest, errors.MoveNotAllowed, etag=True),
)
def approve_order(
    tools: AtHand,
    response: Response,
    identity: wire.OrderId,
    body: wire.ApproveIn,
    who: Desk,
    if_match: wire.IfMatch = None,
) -> OrderAnswer:
    """Let held lines go on: the desk has looked, or (`"by": "buyer"`) the buyer agreed, as `said_by` says.
    Each ends what the line's `holds` say that it ends, and nothing else."""
    etag = wire.if_match_of(if_match)

    def act(session: Session, order: Order, by: By) -> None:
        orders.approve(session, order, body.lines, approver=body.by, said_by=body.said_by, by=by)

    changed, response.headers["ETag"] = intake.change(tools, identity, etag, act, who=who)
    return changed


@router.post(
    "/v1/orders/{identity}/cancel", openapi_extra=details(errors.BadRequest, errors.MoveNotAllowed, etag=True)
)
def cancel_order(
    tools: AtHand,
    response: Response,
    identity: wire.OrderId,
    body: wire.CancelIn,
    who: Intake,
    if_match: wire.IfMatch = None,
) -> OrderAnswer:
    """Cancel an order or some of its lines, until their load has started."""
    etag = wire.if_match_of(if_match)

    def act(session: Session, order: Order, by: By) -> None:
        orders.cancel(session, order, body.lines, by=by, why=body.reason)

    changed, response.headers["ETag"] = intake.change(tools, identity, etag, act, who=who)
    return changed


@router.get("/v1/orders/{identity}/export")
def export_order(tools: AtHand, identity: wire.OrderId, who: Desk) -> ExportAnswer:
    """All that is kept of people by an order, for whoever asks what is known of them: the order, every row
    about it, and which files it is in."""
    return export(tools, identity, who=who)


@router.post(
    "/v1/orders/{identity}/erase", openapi_extra=details(errors.BadRequest, errors.MoveNotAllowed, etag=True)
)
def erase_order(
    tools: AtHand, response: Response, identity: wire.OrderId, body: wire.EraseIn, who: Desk
) -> OrderAnswer:
    """Erase what an order says of people, for good: words, names, notes, outlines, files. Only when no unit
    of it can be engraved any more. States, counts, digests, history stay; a second time changes nothing."""
    from service.privacy import erase as erasing

    erasing.erase(tools, identity, by=tools.by(who), why=body.reason)
    with tools.database.reading() as session:
        order = orders.visible(session, identity, who=who)
        response.headers["ETag"] = etag_of(order)
        return order_answer(session, order)


@router.post(
    "/v1/orders/{identity}/priority",
    openapi_extra=details(errors.BadRequest, errors.MoveNotAllowed, etag=True),
)
def change_priority(
    tools: AtHand,
    response: Response,
    identity: wire.OrderId,
    body: wire.PriorityIn,
    who: Desk,
    if_match: wire.IfMatch = None,
) -> OrderAnswer:
    """Let an order go before others, or after them, until its last unit is released."""
    etag = wire.if_match_of(if_match)

    def act(session: Session, order: Order, by: By) -> None:
        orders.prioritise(session, order, body.priority, by=by, why=body.reason)

    changed, response.headers["ETag"] = intake.change(tools, identity, etag, act, who=who)
    return changed


@router.get(
    "/v1/orders/{identity}/proof.{kind}", openapi_extra=details(errors.CatalogueMissing, files=[SVG, PNG])
)
def get_proof_picture(
    request: Request,
    tools: AtHand,
    identity: wire.OrderId,
    kind: Annotated[str, Path(description="`svg` or `png`.", examples=["svg"])],
    who: Anyone,
    line: Annotated[
        str | None,
        Query(max_length=100, description="The line; left out: the first.", examples=["1"]),
    ] = None,
    face: Annotated[
        str | None,
        Query(max_length=20, description="The face; left out: the first.", examples=["mark_side"]),
    ] = None,
    captions: Annotated[
        Literal["yes", "no"], Query(description="`no`: without words beside the picture.", examples=["yes"])
    ] = "yes",
    drawing: wire.Drawing = "picture",
) -> Response:
    """A picture of one line's face (the first of each, when none is named) as it was approved; without
    captions only numbers are in it."""
    from service.papers import buyers_pictures

    with tools.database.reading() as session:
        shown = proofs.the_face(tools, session, identity, line_ref=line, face=face, who=who)
    is_captioned = captions == "yes"
    if drawing == "measured":
        svg = proofs.measured_svg(shown, is_captioned=is_captioned)
    else:
        voice = voice_of(request, language_for(tools.catalogue.current, who.client))
        svg = buyers_pictures.picture_svg(shown, voice, is_captioned=is_captioned)
    picture, media_type = proofs.picture_file(svg, kind)
    return Response(picture, media_type=media_type, headers={"Content-Disposition": "inline"})
