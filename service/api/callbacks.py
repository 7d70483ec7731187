"""Where stores want to be told: register, list, what was given up, rotate the secret, resend, remove."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Depends, Request, Response
from pydantic import Field
from sqlalchemy.orm import Session

from service.api import wire
from service.api.contract import details
from service.api.security import caller
from service.callbacks import callback_rows as rows
from service.callbacks import deliveries as callbacks
from service.callbacks.callback_answers import (
    CallbackAndDeliveriesAnswer,
    CallbackAndSecretAnswer,
    CallbacksAnswer,
    DeliveriesAnswer,
    ResentAnswer,
    callback_and_deliveries_answer,
    callback_and_secret_answer,
    callback_answer,
    deliveries_answer,
)
from service.doorway import AtHand, Route
from service.records import errors
from service.records.who import Role, Who
from service.requests.idempotency import Answer, create_once, created
from service.requests.inscriptions import Strict

router = APIRouter(prefix="/v1/callbacks", tags=["callbacks"], route_class=Route)

StoreOrOwner = Annotated[Who, Depends(caller(Role.STORE, Role.OWNER))]
_SHOWN = 50


class CallbackIn(Strict):
    url: Annotated[str, Field(min_length=8, max_length=500)] = Field(
        description="Where the store wants to be told; HTTPS, a public address.",
        examples=["https://shop.example/told"],
    )
    client: Annotated[str | None, Field(min_length=1, max_length=60)] = Field(
        default=None,
        description="The store whose events go there: for the owner, who registers for any.",
        examples=["garden-shop"],
    )


class ResendIn(Strict):
    """`deliveries` left out: all that were not delivered."""

    deliveries: Annotated[list[str] | None, Field(min_length=1, max_length=500)] = Field(
        default=None, description="Which deliveries; left out: all that were not taken.", examples=[["DV12"]]
    )


@router.get("")
def list_callbacks(tools: AtHand, who: StoreOrOwner) -> CallbacksAnswer:
    """The callbacks of the caller's store (the owner: of all), without their secrets."""
    with tools.database.reading() as session:
        return CallbacksAnswer(callbacks=tuple(map(callback_answer, callbacks.listed(session, who=who))))


@router.post(
    "", status_code=201, response_model=CallbackAndSecretAnswer, openapi_extra=details(errors.BadRequest)
)
def register_callback(
    tools: AtHand, wanted: CallbackIn, who: StoreOrOwner, idempotency_key: wire.IdempotencyKey = None
) -> Response:
    """Register an address; a `ping` goes there at once. The secret that signs is shown here, once: the same
    key again is answered without it. Whoever missed it asks for a new one (`rotate-secret`)."""

    def work(session: Session) -> Answer:
        callback = callbacks.register(
            session,
            wanted.url,
            client=wanted.client,
            by=tools.by(who),
            loopback_allowed=tools.settings.callbacks_to_loopback,
        )
        shown = callback_and_secret_answer(callback)
        kept = shown.model_copy(update={"secret": None})
        return created(shown, {"Location": f"/v1/callbacks/{shown.id}"}, kept=kept)

    return wire.json_answer(
        create_once(
            tools.database,
            tools.clock,
            client=who.client,
            route="POST /v1/callbacks",
            header=idempotency_key,
            body=wanted.model_dump(mode="json"),
            work=work,
        )
    )


@router.get("/{callback}")
def get_callback(tools: AtHand, callback: wire.CallbackId, who: StoreOrOwner) -> CallbackAndDeliveriesAnswer:
    """One callback with its newest deliveries."""
    with tools.database.reading() as session:
        row = callbacks.find(session, callback, who=who)
        sent = rows.deliveries_of(session, row.id, limit=_SHOWN)
        return callback_and_deliveries_answer(row, sent)


@router.get("/{callback}/given-up", openapi_extra=details(errors.BadRequest))
def list_given_up(
    request: Request,
    tools: AtHand,
    response: Response,
    callback: wire.CallbackId,
    who: StoreOrOwner,
    limit: wire.Limit = 50,
    cursor: wire.Cursor = None,
) -> DeliveriesAnswer:
    """What was not taken and is not tried any more, newest first: its three days are over, or nothing is sent
    to its callback. `resend` sends it again, one or all."""
    with tools.database.reading() as session:
        row = callbacks.find(session, callback, who=who)
        page = rows.given_up(session, row, before_id=wire.read_cursor(cursor), limit=limit + 1)
        if len(page) > limit:
            response.headers["Link"] = wire.next_link(request, page[limit - 1][0].id, limit)
        return deliveries_answer(page[:limit])


@router.post("/{callback}/rotate-secret")
def rotate_callback_secret(
    tools: AtHand, callback: wire.CallbackId, who: StoreOrOwner
) -> CallbackAndSecretAnswer:
    """A new secret, shown once; the old one signs as well for a day."""

    def work(session: Session) -> CallbackAndSecretAnswer:
        row = callbacks.find(session, callback, who=who)
        return callback_and_secret_answer(callbacks.rotate(session, row, by=tools.by(who)))

    return tools.database.write(work)


@router.post("/{callback}/resend", openapi_extra=details(errors.MoveNotAllowed))
def resend_deliveries(
    tools: AtHand, callback: wire.CallbackId, wanted: ResendIn, who: StoreOrOwner
) -> ResentAnswer:
    """Send again what was not delivered, or the deliveries named."""
    only = None if wanted.deliveries is None else [callbacks.delivery_id(name) for name in wanted.deliveries]
    count = tools.database.write(
        lambda session: callbacks.resend(
            session, callbacks.find(session, callback, who=who), by=tools.by(who), only=only
        )
    )
    return ResentAnswer(resent=count)


@router.delete("/{callback}", status_code=204)
def remove_callback(tools: AtHand, callback: wire.CallbackId, who: StoreOrOwner) -> Response:
    """Send nothing there any more."""
    tools.database.write(
        lambda session: callbacks.remove(
            session, callbacks.find(session, callback, who=who), by=tools.by(who)
        )
    )
    return Response(status_code=204)
