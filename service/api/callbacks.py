"""Where stores want to be told: register, list, rotate the secret, resend, remove."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Any

from fastapi import APIRouter, Depends, Response
from pydantic import BaseModel, ConfigDict, Field
from sqlalchemy.orm import Session

from service.api import wire
from service.api.security import caller
from service.callbacks import callback_rows as rows
from service.callbacks import deliveries as callbacks
from service.doorway import AtHand
from service.records import ids
from service.records.tables import Callback, Delivery, Event
from service.records.who import Role, Who
from service.requests.answers import AnswerBody
from service.requests.idempotency import Answer, create_once, created

router = APIRouter(prefix="/v1/callbacks")

StoreOrOwner = Annotated[Who, Depends(caller(Role.STORE, Role.OWNER))]
_SHOWN = 50


class CallbackIn(BaseModel):
    model_config = ConfigDict(extra="forbid")

    url: Annotated[str, Field(min_length=8, max_length=500)]
    client: Annotated[str | None, Field(min_length=1, max_length=60)] = None


class RegisteredAnswer(AnswerBody):
    """A callback just registered, with the secret that signs what goes there: it is shown here only."""

    id: str = Field(description="The callback.", examples=["CB1"])
    client: str = Field(description="The store whose events go there.", examples=["garden-shop"])
    url: str = Field(description="Where they go.", examples=["https://shop.example/told"])
    rotated_at: datetime | None = Field(description="When its secret was changed last.")
    previous_secret_until: datetime | None = Field(description="Until when the one before signs as well.")
    created_at: datetime = Field(description="When it was registered.")
    disabled_at: datetime | None = Field(description="When sending to it was ended.")
    disabled_why: str | None = Field(description="Why it was ended.")
    secret: str = Field(description="Signs every delivery (Standard Webhooks).", examples=["whsec_..."])


class ResendIn(BaseModel):
    """`deliveries` left out: all that were not delivered."""

    model_config = ConfigDict(extra="forbid")

    deliveries: Annotated[list[str] | None, Field(min_length=1, max_length=500)] = None


@router.get("")
def listed(tools: AtHand, who: StoreOrOwner) -> dict[str, Any]:
    """The callbacks of the caller's store (the owner: of all), without their secrets."""
    with tools.database.reading() as session:
        return {"callbacks": [_shown(callback) for callback in callbacks.listed(session, who=who)]}


@router.post("", status_code=201)
def register(
    tools: AtHand, wanted: CallbackIn, who: StoreOrOwner, idempotency_key: wire.IdempotencyKey = None
) -> Response:
    """Register an address. The secret that signs is shown here, once (and again to the same key only)."""

    def work(session: Session) -> Answer:
        callback = callbacks.register(
            session,
            wanted.url,
            client=wanted.client,
            by=tools.by(who),
            loopback_allowed=tools.settings.callbacks_to_loopback,
        )
        shown = RegisteredAnswer(**_shown(callback), secret=callback.secret)
        return created(shown, {"Location": f"/v1/callbacks/{shown.id}"})

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
def one(tools: AtHand, callback: str, who: StoreOrOwner) -> dict[str, Any]:
    """One callback with its newest deliveries."""
    with tools.database.reading() as session:
        found = callbacks.find(session, callback, who=who)
        sent = rows.deliveries_of(session, found.id, limit=_SHOWN)
        return {**_shown(found), "deliveries": [_delivery(delivery, event) for delivery, event in sent]}


@router.post("/{callback}/rotate-secret")
def rotate(tools: AtHand, callback: str, who: StoreOrOwner) -> dict[str, Any]:
    """A new secret, shown once; the old one signs as well for a day."""
    rotated = tools.database.write(
        lambda session: callbacks.rotate(
            session, callbacks.find(session, callback, who=who), now=tools.clock()
        )
    )
    return {**_shown(rotated), "secret": rotated.secret}


@router.post("/{callback}/resend")
def resend(tools: AtHand, callback: str, wanted: ResendIn, who: StoreOrOwner) -> dict[str, int]:
    """Send again what was not delivered, or the deliveries named."""
    only = None if wanted.deliveries is None else [callbacks.delivery_id(name) for name in wanted.deliveries]
    count = tools.database.write(
        lambda session: callbacks.resend(
            session, callbacks.find(session, callback, who=who), now=tools.clock(), only=only
        )
    )
    return {"resent": count}


@router.delete("/{callback}", status_code=204)
def remove(tools: AtHand, callback: str, who: StoreOrOwner) -> Response:
    """Send nothing there any more."""
    tools.database.write(
        lambda session: callbacks.remove(
            session, callbacks.find(session, callback, who=who), now=tools.clock()
        )
    )
    return Response(status_code=204)


def _shown(callback: Callback) -> dict[str, Any]:
    return {
        "id": ids.public(ids.CALLBACK, callback.id),
        "client": callback.client,
        "url": callback.url,
        "rotated_at": callback.rotated_at,
        "previous_secret_until": callbacks.previous_until(callback),
        "created_at": callback.created_at,
        "disabled_at": callback.disabled_at,
        "disabled_why": callback.disabled_why,
    }


def _delivery(delivery: Delivery, event: Event) -> dict[str, Any]:
    return {
        "id": callbacks.public_delivery(delivery),
        "webhook_id": f"ev_{event.id}",
        "type": event.type,
        "at": event.at,
        "attempts": delivery.attempts,
        "delivered_at": delivery.delivered_at,
        "next_at": delivery.next_at,
        "last_status": delivery.last_status,
        "last_error": delivery.last_error,
    }
