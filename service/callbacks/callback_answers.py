"""Where stores want to be told, and what was sent there, as the service answers it."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime

from pydantic import Field

from service.callbacks.deliveries import previous_until, public_delivery
from service.records.ids import CALLBACK, public
from service.records.tables import Callback, Delivery, Event
from service.requests.answers import AnswerBody

_AT = ["2026-11-30T16:00:00Z"]


class CallbackAnswer(AnswerBody):
    """An address to which a store's events go."""

    id: str = Field(description="The callback.", examples=["CB1"])
    client: str = Field(description="The store whose events go there.", examples=["garden-shop"])
    url: str = Field(description="Where they go.", examples=["https://shop.example/told"])
    rotated_at: datetime | None = Field(
        description="When its secret was changed last; null: never.", examples=_AT
    )
    previous_secret_until: datetime | None = Field(
        description="Until when the secret before signs as well; null: there was none.", examples=_AT
    )
    created_at: datetime = Field(description="When it was registered.", examples=_AT)
    disabled_at: datetime | None = Field(
        description="When sending to it was ended; null: it is in force.", examples=_AT
    )
    disabled_why: str | None = Field(description="Why it was ended.", examples=["removed"])


class CallbacksAnswer(AnswerBody):
    """Callbacks, without their secrets."""

    callbacks: tuple[CallbackAnswer, ...] = Field(description="In the order in which they were registered.")


class CallbackAndSecretAnswer(CallbackAnswer):
    """A callback with the secret that signs what goes there: it is shown when it is made, and only then."""

    secret: str | None = Field(
        description="Signs every delivery (Standard Webhooks); null when the answer is given again.",
        examples=["whsec_..."],
    )


class TryAnswer(AnswerBody):
    """One attempt to deliver."""

    at: datetime = Field(description="When it was over.", examples=_AT)
    status: int | None = Field(description="HTTP status of the answer; null: none came.", examples=[503])
    error: str | None = Field(description="What went wrong, where no answer came.", examples=["timed out"])


class DeliveryAnswer(AnswerBody):
    """One event on its way to a callback."""

    id: str = Field(description="The delivery.", examples=["DV12"])
    webhook_id: str = Field(description="Sent as `webhook-id` with every attempt.", examples=["ev_31"])
    type: str = Field(description="The event.", examples=["order.accepted"])
    at: datetime = Field(description="When it happened.", examples=_AT)
    attempts: int = Field(description="How often it was sent.", examples=[1])
    delivered_at: datetime | None = Field(description="When it was taken; null: not yet.", examples=_AT)
    next_at: datetime | None = Field(description="When it is sent next; null: not any more.", examples=_AT)
    last_status: int | None = Field(
        description="HTTP status of the last attempt; null: no answer came.", examples=[204]
    )
    last_error: str | None = Field(description="What went wrong at the last attempt.", examples=["timed out"])
    tries: tuple[TryAnswer, ...] = Field(description="The last ten attempts, the oldest first.")


class CallbackAndDeliveriesAnswer(CallbackAnswer):
    """A callback with its newest deliveries."""

    deliveries: tuple[DeliveryAnswer, ...] = Field(description="The newest first.")


class DeliveriesAnswer(AnswerBody):
    """A page of deliveries."""

    deliveries: tuple[DeliveryAnswer, ...] = Field(description="The newest first.")


class ResentAnswer(AnswerBody):
    """How many deliveries are sent again."""

    resent: int = Field(description="How many.", examples=[3])


def callback_answer(callback: Callback) -> CallbackAnswer:
    """A callback without its secret."""
    return CallbackAnswer(
        id=public(CALLBACK, callback.id),
        client=callback.client,
        url=callback.url,
        rotated_at=callback.rotated_at,
        previous_secret_until=previous_until(callback),
        created_at=callback.created_at,
        disabled_at=callback.disabled_at,
        disabled_why=callback.disabled_why,
    )


def callback_and_secret_answer(callback: Callback) -> CallbackAndSecretAnswer:
    """A callback with the secret just made for it."""
    return CallbackAndSecretAnswer(**dict(callback_answer(callback)), secret=callback.secret)


def callback_and_deliveries_answer(
    callback: Callback, sent: Sequence[tuple[Delivery, Event]]
) -> CallbackAndDeliveriesAnswer:
    """A callback with what was sent there."""
    return CallbackAndDeliveriesAnswer(
        **dict(callback_answer(callback)), deliveries=deliveries_answer(sent).deliveries
    )


def deliveries_answer(sent: Iterable[tuple[Delivery, Event]]) -> DeliveriesAnswer:
    """Deliveries with their events, in that order."""
    return DeliveriesAnswer(deliveries=tuple(_delivery_answer(delivery, event) for delivery, event in sent))


def _delivery_answer(delivery: Delivery, event: Event) -> DeliveryAnswer:
    return DeliveryAnswer(
        id=public_delivery(delivery),
        webhook_id=f"ev_{event.id}",
        type=event.type,
        at=event.at,
        attempts=delivery.attempts,
        delivered_at=delivery.delivered_at,
        next_at=delivery.next_at,
        last_status=delivery.last_status,
        last_error=delivery.last_error,
        tries=tuple(TryAnswer.model_validate(one, strict=False) for one in delivery.tries),
    )
