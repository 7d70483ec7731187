"""Many orders at once, and what became of them."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Path, Response
from pydantic import Field, SkipValidation

from service.api import wire
from service.api.contract import details
from service.api.security import Intake
from service.doorway import AtHand, Route
from service.intake import batches
from service.intake.batch_answers import BatchAnswer
from service.requests.inscriptions import Strict
from service.requests.order_in import OrderIn

router = APIRouter(tags=["orders"], route_class=Route)

ADDRESS = "/v1/orders/batch"
#: 500 orders of a line or two; no other body of the surface is so large.
LARGEST_BATCH = 2**20


class BatchIn(Strict):
    # Each order is read by itself, so that a wrong one is refused alone.
    orders: Annotated[list[SkipValidation[OrderIn]], Field(min_length=1, max_length=batches.MOST_ORDERS)] = (
        Field(description="Orders, each as `POST /v1/orders` takes it.")
    )


@router.post(
    ADDRESS,
    status_code=202,
    response_model=BatchAnswer,
    max_body_size=LARGEST_BATCH,
    openapi_extra=details(),
)
def take_batch(
    tools: AtHand, body: BatchIn, who: Intake, idempotency_key: wire.IdempotencyKey = None
) -> Response:
    """Hand in many orders at once; they are taken one by one behind this answer. A wrong one stops no other.
    The same request under the same key answers how far the batch is."""
    return wire.json_answer(batches.hand_in(tools, body.orders, idempotency_key, who=who))


@router.get("/v1/batches/{identity}")
def get_batch(
    tools: AtHand,
    identity: Annotated[str, Path(description="The batch.", examples=["BATCH3"])],
    who: Intake,
) -> BatchAnswer:
    """How far a batch is, and what became of each order; kept as long as an Idempotency-Key is remembered."""
    return batches.look_up(tools, identity, who=who)
