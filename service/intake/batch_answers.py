"""What a batch of orders is answered with: how far it is, and what became of each order."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from pydantic import Field

from service.records.ids import BATCH, ORDER, public
from service.records.states import BatchResult
from service.records.tables import Batch, BatchOrder
from service.requests.answers import AnswerBody, Moment, OrLeftOut
from service.requests.problem_answers import Problem


class BatchOrderAnswer(AnswerBody):
    """One order of a batch."""

    position: int = Field(description="Its place in the request, from 0.", examples=[0])
    order_ref: str = Field(
        description="The store's own reference; empty where none can be read.", examples=["AQ-2026-0417"]
    )
    result: BatchResult = Field(
        description="`waiting`; `taken`; `held`: taken, and a line waits for a person; `refused`, as the"
        " order alone would have been; `failed`: tried in vain, the same request and key try again.",
        examples=["taken"],
    )
    order: OrLeftOut[str] = Field(
        default=None, description="The order, where it was taken.", examples=["O17"]
    )
    problem: OrLeftOut[Problem] = Field(
        default=None, description="Why it was refused or failed: what `POST /v1/orders` would have answered."
    )


class BatchAnswer(AnswerBody):
    """Many orders handed in at once, and what became of each."""

    id: str = Field(description="The batch.", examples=["BATCH3"])
    created_at: Moment = Field(description="When it was handed in.")
    finished_at: OrLeftOut[Moment] = Field(
        default=None, description="When the last order was looked at; left out: some wait."
    )
    total: int = Field(description="Orders in it.", examples=[3])
    waiting: int = Field(description="Those that wait to be looked at.", examples=[1])
    taken: int = Field(description="Those that were taken, held ones included.", examples=[1])
    refused: int = Field(description="Those that were refused.", examples=[1])
    failed: int = Field(description="Those that were given up.", examples=[0])
    orders: tuple[BatchOrderAnswer, ...] = Field(description="Each order, in the request's order.")


def batch_answer(batch: Batch, orders: Sequence[BatchOrder]) -> BatchAnswer:
    counts = Counter(BatchResult(order.result) for order in orders)
    return BatchAnswer(
        id=public(BATCH, batch.id),
        created_at=batch.created_at,
        finished_at=batch.finished_at,
        total=len(orders),
        waiting=counts[BatchResult.WAITING],
        taken=counts[BatchResult.TAKEN] + counts[BatchResult.HELD],
        refused=counts[BatchResult.REFUSED],
        failed=counts[BatchResult.FAILED],
        orders=tuple(_order_answer(order) for order in orders),
    )


def _order_answer(order: BatchOrder) -> BatchOrderAnswer:
    return BatchOrderAnswer(
        position=order.position,
        order_ref=order.order_ref,
        result=BatchResult(order.result),
        order=public(ORDER, order.order_id) if order.order_id is not None else None,
        problem=Problem.model_validate(order.problem) if order.problem is not None else None,
    )
