"""The queue of units to fetch, and of those that go back, as the service answers it."""

from __future__ import annotations

from pydantic import Field

from service.loads.load_answers import PullAnswer, pull_answer
from service.loads.pull_rows import Pull
from service.records.ids import LOAD, public
from service.requests.answers import AnswerBody
from service.stock.stock_answers import PutBackAnswer


class QueuedPullAnswer(PullAnswer):
    """Units to fetch, and the load that they are for."""

    load: str | None = Field(
        description="The load that waits for them; null: none has them yet.", examples=["L5"]
    )
    planned: int | None = Field(
        description="The number of the planned load that will; null: a claimed load has them, or the plan"
        " does not know them yet.",
        examples=[4],
    )
    station: str | None = Field(description="The planned load's station.", examples=["fibre-1"])


class PullsAnswer(AnswerBody):
    """All units that are to be fetched or put back."""

    pulls: tuple[QueuedPullAnswer, ...] = Field(
        description="Claimed loads first, then the next planned ones; in walking order within each."
    )
    put_backs: tuple[PutBackAnswer, ...] = Field(
        description="Units of cancelled jobs that were fetched already, in walking order."
    )


def queued_pull_answer(pull: Pull) -> QueuedPullAnswer:
    """Units to fetch, and the load that they are for."""
    return QueuedPullAnswer(
        **dict(pull_answer(pull)),
        load=public(LOAD, pull.load) if pull.load is not None else None,
        planned=pull.planned,
        station=pull.station,
    )
