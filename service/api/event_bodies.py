"""What a store is told by callback, as the description of the HTTP surface shows it (`webhooks`).

Bodies are thin: what happened, when, and the ids. The store reads the rest with its key. One entry for every
kind of event in `service.records.outgoing.TOLD`.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated

from fastapi import APIRouter, Header
from pydantic import ConfigDict, Field

from service.requests.answers import AnswerBody, Moment, OrLeftOut

_LINE_REF = Field(description="The store's own name of the line.", examples=["1"])
_JOB = Field(description="The unit.", examples=["J42"])


class OrderTold(AnswerBody):
    """Which order it is about."""

    order: str = Field(description="The order.", examples=["O17"])
    order_ref: str = Field(description="The store's own reference.", examples=["AQ-2026-0417"])
    test: OrLeftOut[bool] = Field(
        default=None, description="`true` in the sandbox: nothing of it will be made.", examples=[True]
    )


class HeldTold(OrderTold):
    """An order, or the unit of it that waits."""

    line_ref: OrLeftOut[str] = Field(
        default=None,
        description="The line, where a single unit waits; left out where the order does.",
        examples=["1"],
    )
    job: OrLeftOut[str] = Field(default=None, description="The unit.", examples=["J42"])
    state: OrLeftOut[str] = Field(default=None, description="Its state.", examples=["short"])
    reason: OrLeftOut[str] = Field(default=None, description="Why it waits.", examples=["missing"])


class UnitTold(OrderTold):
    """Which unit of an order it is about."""

    line_ref: str = _LINE_REF
    job: str = _JOB


class ScrappedTold(UnitTold):
    """A spoiled unit and the one that replaces it."""

    replacement: str = Field(description="The job that replaces it.", examples=["J57"])


class RemadeTold(UnitTold):
    """A released unit and the one that is made for it."""

    remake: str = Field(description="The remake.", examples=["R3"])
    replacement: str = Field(description="The job that is made.", examples=["J57"])
    replacement_order: str = Field(
        description="Its order; the same where the first unit had not left.", examples=["O30"]
    )
    replacement_order_ref: str = Field(
        description="The reference of that order.", examples=["AQ-2026-0417-R1"]
    )


class PromiseTold(OrderTold):
    """An order and its new promise."""

    engraved_by: Moment = Field(description="By when all its units will be engraved.")


class PingTold(AnswerBody):
    """Which callback is tried."""

    callback: str = Field(description="The callback.", examples=["CB1"])
    test: OrLeftOut[bool] = Field(default=None, description="`true` in the sandbox.", examples=[True])


class EventBody(AnswerBody):
    """The body of a callback."""

    model_config = ConfigDict(defer_build=False)  # the web framework warns of bodies that are not ready

    type: str = Field(description="What happened.", examples=["order.accepted"])
    timestamp: Moment = Field(description="When it happened.")


class OrderEventBody(EventBody):
    """Something happened to an order."""

    data: OrderTold = Field(description="To which.")


class HeldEventBody(EventBody):
    """An order waits for a person, or a unit of it for stock or a person."""

    data: HeldTold = Field(description="Which, and why.")


class UnitEventBody(EventBody):
    """Something happened to a unit."""

    data: UnitTold = Field(description="To which.")


class ScrappedEventBody(EventBody):
    """A unit was spoiled."""

    data: ScrappedTold = Field(description="Which, and what replaces it.")


class RemadeEventBody(EventBody):
    """A unit is made once more."""

    data: RemadeTold = Field(description="Which, and by which order.")


class PromiseEventBody(EventBody):
    """A promise has changed."""

    data: PromiseTold = Field(description="Whose, and to when.")


class PingEventBody(EventBody):
    """Nothing has happened: the receiver is tried."""

    data: PingTold = Field(description="Which callback it went to.")


_Id = Annotated[
    str, Header(alias="webhook-id", description="The same at every attempt: keep it.", examples=["ev_31"])
]
_Timestamp = Annotated[
    str,
    Header(
        alias="webhook-timestamp",
        description="When this attempt was made, in seconds since 1970.",
        examples=["1795939200"],
    ),
]
_Signature = Annotated[
    str,
    Header(
        alias="webhook-signature",
        description="`v1,` and the base64 HMAC-SHA256 of id, timestamp and body, joined by full stops;"
        " several are parted by spaces (Standard Webhooks 1.0.0).",
        examples=["v1,K5oZfzN95Z9UVu1EsfQmfVNQhnkZ2pj9o9NDN/H/pI4="],
    ),
]

_EVENTS: tuple[tuple[str, type[EventBody], str], ...] = (
    ("order.accepted", OrderEventBody, "Every unit of the order can be engraved."),
    ("order.held", HeldEventBody, "The order waits for a person, or one of its units for stock."),
    (
        "order.change_requested",
        OrderEventBody,
        "The buyer asked for a change on the proof's page; the order waits for an answer.",
    ),
    ("order.released", OrderEventBody, "Every unit that is not cancelled was handed to packing."),
    ("order.handed_over", OrderEventBody, "Packing has given every box of the order to the carrier."),
    (
        "order.hand_over_taken_back",
        OrderEventBody,
        "It was a mistake that the order was handed over: its boxes are still at packing.",
    ),
    ("order.remade", RemadeEventBody, "A unit of the order, released before, is made once more."),
    ("order.cancelled", OrderEventBody, "Nothing is left of the order."),
    ("job.engraved", UnitEventBody, "Every face of the unit is on the metal; not inspected yet."),
    ("job.scrapped", ScrappedEventBody, "The unit was spoiled; another is made in its place."),
    (
        "ping",
        PingEventBody,
        "Nothing has happened: the shop tries whether the address takes what it is sent.",
    ),
    ("promise.changed", PromiseEventBody, "The order will be engraved by another time than was promised."),
)


def webhooks() -> APIRouter:
    """A route for every event, for the description alone: no request is ever sent to them."""
    router = APIRouter()
    for name, body, what in _EVENTS:
        router.post(name, tags=["callbacks"], summary=name, description=what)(_taking(name, body))
    return router


def _taking(name: str, body: type[EventBody]) -> Callable[..., None]:
    def take(event: EventBody, webhook_id: _Id, timestamp: _Timestamp, signature: _Signature) -> None:
        """Never called."""

    take.__name__ = name.replace(".", "_")
    take.__annotations__["event"] = body
    return take
