"""Remakes as the service answers them."""

from __future__ import annotations

from pydantic import Field
from sqlalchemy.orm import Session

from service.records.errors import NotFound
from service.records.ids import JOB, ORDER, REMAKE, public
from service.records.states import JobState, ReturnState
from service.records.tables import Job, Order, OrderLine, Remake
from service.remakes import remake_rows as rows
from service.requests.answers import AnswerBody, Moment, OrLeftOut


class RemadeUnitAnswer(AnswerBody):
    """A unit that is made for another, and its order."""

    job: str = Field(description="The job.", examples=["J57"])
    state: JobState = Field(description="Its state.", examples=["ready"])
    hold_reason: OrLeftOut[str] = Field(
        default=None,
        description="Why it waits for a person; `no_longer_fits` and `no_place_left`: the shop as it is now"
        " can't engrave what was approved.",
        examples=["no_longer_fits"],
    )
    order: str = Field(
        description="Its order: a new one, or the same where the first unit had not left.", examples=["O30"]
    )
    order_ref: str = Field(description="The reference of that order.", examples=["AQ-2026-0417-R1"])


class RemakeAnswer(AnswerBody):
    """A released unit that another is made for."""

    id: str = Field(description="The remake.", examples=["R3"])
    order: str = Field(description="The order of the first unit.", examples=["O17"])
    order_ref: str = Field(description="The store's own reference of it.", examples=["AQ-2026-0417"])
    client: str = Field(description="Its store.", examples=["alder-quay"])
    line_ref: str = Field(description="The line, by the store's own name.", examples=["1"])
    unit: int = Field(description="Which unit of the line it is, from 1.", examples=[1])
    job: str = Field(description="The first unit.", examples=["J42"])
    sku: str = Field(description="The store's number of the product.", examples=["AQ-PARER-OAK"])
    reason: str = Field(description="Why another is made.", examples=["damaged"])
    note: OrLeftOut[str] = Field(
        default=None, description="What was noted; left out: nothing.", examples=["Tip bent in the post."]
    )
    pays: str = Field(description="Who pays for it.", examples=["carrier"])
    is_reworded: bool = Field(
        description="Whether other words are engraved, checked anew; else the outlines that were approved.",
        examples=[False],
    )
    created_at: Moment = Field(description="When it was asked for.")
    made: RemadeUnitAnswer = Field(description="The unit that is made instead.")
    returned: ReturnState = Field(
        description="What became of the first unit: `awaited`, `not_returned`, `polishing` (its mark is"
        " polished away), `stocked` (back in a bin) or `scrapped`.",
        examples=["awaited"],
    )
    must_be_polished: bool = Field(
        description="Whether the first unit bears its mark, which must be polished away before it may go back"
        " into a bin; `false` once that is settled.",
        examples=[True],
    )
    bin: OrLeftOut[str] = Field(default=None, description="The bin into which it was put.", examples=["A-01"])


class RemakesAnswer(AnswerBody):
    """A page of remakes."""

    remakes: tuple[RemakeAnswer, ...] = Field(description="Newest first.")


def remakes_answer(
    session: Session,
    *,
    client: str | None,
    limit: int,
    before_id: int | None = None,
    order_id: int | None = None,
    state: str | None = None,
) -> RemakesAnswer:
    """A page of remakes; see `remake_rows.page`."""
    found = rows.page(
        session, client=client, limit=limit, before_id=before_id, order_id=order_id, state=state
    )
    return RemakesAnswer(remakes=tuple(_answer(*row) for row in found))


def remake_answer(session: Session, remake_id: int, *, client: str | None) -> RemakeAnswer:
    """One remake. Raises NotFound, also for another store's."""
    found = rows.page(session, client=client, limit=1, remake_id=remake_id)
    if not found:
        raise NotFound("there is no such remake", id=public(REMAKE, remake_id))
    return _answer(*found[0])


def must_be_polished(remake: Remake, first: Job) -> bool:
    """Whether the first unit bears its mark as far as is known, so that it may not go into a bin yet."""
    unsettled = {ReturnState.AWAITED, ReturnState.NOT_RETURNED}
    return bool(first.faces_done) and ReturnState(remake.state) in unsettled


def _answer(
    remake: Remake, first: Job, line: OrderLine, order: Order, made: Job, made_in: Order
) -> RemakeAnswer:
    return RemakeAnswer(
        id=public(REMAKE, remake.id),
        order=public(ORDER, order.id),
        order_ref=order.order_ref,
        client=order.client,
        line_ref=line.line_ref,
        unit=first.unit,
        job=public(JOB, first.id),
        sku=first.sku,
        reason=remake.reason,
        note=remake.note or None,
        pays=remake.pays,
        is_reworded=remake.is_reworded,
        created_at=remake.created_at,
        made=RemadeUnitAnswer(
            job=public(JOB, made.id),
            state=JobState(made.state),
            hold_reason=made.hold_reason,
            order=public(ORDER, made_in.id),
            order_ref=made_in.order_ref,
        ),
        returned=ReturnState(remake.state),
        must_be_polished=must_be_polished(remake, first),
        bin=remake.bin,
    )
