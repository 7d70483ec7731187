"""Lots of bare blades as the service answers them."""

from __future__ import annotations

from collections.abc import Sequence

from pydantic import Field

from service.records.ids import LOT, public
from service.records.states import LotState
from service.records.tables import History, Lot
from service.requests.answers import AnswerBody, Moment, MoveAnswer, OrLeftOut, moves_answer
from service.requests.inscription_answers import InscriptionAnswer, stored_inscription


class LotAnswer(AnswerBody):
    """A quantity of bare blades that get the house mark: counted, not numbered one by one."""

    id: str = Field(description="The lot.", examples=["LOT3"])
    state: LotState = Field(
        description="`open`: blades wait or are in loads; `done`: all are marked or scrapped; `handed_over`:"
        " to assembly; `cancelled`.",
        examples=["open"],
    )
    sku: str = Field(description="The bare blade, as a product.", examples=["AQ-BLANK-PARER"])
    inscriptions: tuple[InscriptionAnswer, ...] = Field(description="What each of them gets.")
    quantity: int = Field(description="How many were asked for.", examples=[200])
    waiting: int = Field(description="Blades that no load has yet.", examples=[120])
    loaded: int = Field(description="Blades in loads.", examples=[8])
    marked: int = Field(description="Blades that are marked and passed inspection.", examples=[70])
    scrapped: int = Field(description="Blades that were spoiled.", examples=[2])
    burn_seconds: float | None = Field(
        description="Time at the laser to expect for one blade, in seconds.", examples=[6.5]
    )
    due: Moment = Field(description="When they are wanted.")
    created_at: Moment = Field(description="When they were asked for.")
    history: OrLeftOut[tuple[MoveAnswer, ...]] = Field(
        default=None, description="What happened to it, oldest first; left out where lots are listed."
    )


class LotsAnswer(AnswerBody):
    """A page of lots."""

    lots: tuple[LotAnswer, ...] = Field(description="Oldest first.")


def lot_answer(lot: Lot, history: Sequence[History] = ()) -> LotAnswer:
    return LotAnswer(
        id=public(LOT, lot.id),
        state=LotState(lot.state),
        sku=lot.sku,
        inscriptions=tuple(stored_inscription(stored) for stored in lot.inscriptions),
        quantity=lot.quantity,
        waiting=lot.waiting,
        loaded=lot.loaded,
        marked=lot.marked,
        scrapped=lot.scrapped,
        burn_seconds=lot.burn_seconds,
        due=lot.due,
        created_at=lot.created_at,
        history=moves_answer(history) or None,
    )
