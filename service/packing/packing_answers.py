"""Orders at packing as the service answers them: which boxes are here, and where the others are."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime
from typing import Literal

from pydantic import Field
from sqlalchemy.orm import Session

from service.packing import packing_rows as rows
from service.packing.pick_ups import PickUps
from service.records.ids import JOB, LOAD, ORDER, public
from service.records.states import JobState, LoadState, OrderState
from service.records.tables import Job, Order
from service.requests.answers import AnswerBody, Moment, OrLeftOut


class PackingUnitAnswer(AnswerBody):
    """One unit of an order, and where its box is."""

    job: str = Field(description="The unit; its box bears this label.", examples=["J42"])
    line_ref: str = Field(description="The store's own name of its line.", examples=["1"])
    sku: str = Field(description="The product.", examples=["AQ-PARER-OAK"])
    state: JobState = Field(description="The unit's state.", examples=["released"])
    gathered_at: OrLeftOut[Moment] = Field(
        default=None, description="When packing scanned its box; left out: it has not been scanned."
    )
    is_plain: bool = Field(
        description="Whether nothing is engraved on it: packing fetches it from its bin.", examples=[False]
    )
    bin: OrLeftOut[str] = Field(
        default=None, description="Where a plain unit is to be fetched from.", examples=["A-01"]
    )
    load: OrLeftOut[str] = Field(
        default=None, description="The load that holds it, while one does.", examples=["L5"]
    )
    load_state: OrLeftOut[LoadState] = Field(
        default=None, description="What is done with that load.", examples=["burned"]
    )
    station: OrLeftOut[str] = Field(default=None, description="Where that load is.", examples=["north"])


class PackingOrderAnswer(AnswerBody):
    """An order at packing."""

    id: str = Field(description="The order; its packing list bears this code.", examples=["O17"])
    order_ref: str = Field(description="The store's own reference.", examples=["AQ-2026-0417"])
    client: str = Field(description="The store that posted it.", examples=["alder-quay"])
    state: OrderState = Field(description="The order's state.", examples=["released"])
    ship_by: Moment = Field(description="When the order must be handed over.")
    leaves_by: Moment | None = Field(
        description="The last cut-off of the carrier before that; null: the shop names none."
    )
    shelf: OrLeftOut[str] = Field(
        default=None,
        description="Its shelf of the packing rack, from its first box on; left out: no box is here, a single"
        " unit needs none, or none was free.",
        examples=["P2"],
    )
    has_gift_note: bool = Field(
        description="Whether a card with the buyer's words goes into the parcel.", examples=[False]
    )
    units: tuple[PackingUnitAnswer, ...] = Field(
        description="Its units that are neither cancelled nor scrapped."
    )
    gathered: int = Field(description="How many of their boxes packing has.", examples=[2])
    is_complete: bool = Field(description="Whether packing has all of them.", examples=[False])
    handed_over_at: OrLeftOut[Moment] = Field(
        default=None, description="When it was handed over; left out: it was not."
    )
    handed_over_by: OrLeftOut[str] = Field(default=None, description="Who did that.", examples=["Ada"])

    @property
    def to_come(self) -> tuple[PackingUnitAnswer, ...]:
        """Units whose boxes have not been scanned."""
        return tuple(unit for unit in self.units if unit.gathered_at is None)


class ToFetchAnswer(AnswerBody):
    """Units on which nothing is engraved, to be fetched from a bin."""

    bin: str = Field(description="Where they stand.", examples=["A-01"])
    sku: str = Field(description="The product.", examples=["AQ-PARER-OAK"])
    units: int = Field(description="How many.", examples=[2])


class ShelfAnswer(AnswerBody):
    """A shelf of the packing rack."""

    shelf: str = Field(description="Its name.", examples=["P2"])
    order: str | None = Field(description="The order that stands there; null: it is free.", examples=["O17"])


class PackingAnswer(AnswerBody):
    """What packing has, and the rack."""

    orders: tuple[PackingOrderAnswer, ...] = Field(
        description="Orders with a unit released or to be fetched, not handed over; the soonest to be shipped"
        " first."
    )
    waiting: int = Field(description="How many such orders there are, listed or not.", examples=[7])
    next_cutoff: Moment | None = Field(description="The carrier's next cut-off; null: the shop names none.")
    to_fetch: tuple[ToFetchAnswer, ...] = Field(
        description="Units on which nothing is engraved, to be fetched from their bins, in walking order."
    )
    shelves: tuple[ShelfAnswer, ...] = Field(
        description="The shelves, in the order in which they are filled."
    )


class PackingScanAnswer(AnswerBody):
    """What a scan at packing meant."""

    what: Literal["gathered", "gathered_before", "fetched", "shelf", "order"] = Field(
        description="`gathered`: the box is here now; `gathered_before`: it was, nothing was changed;"
        " `fetched`: a product's barcode, a plain unit of it is here now;"
        " `shelf`: the order stands there; `order`: a packing list, nothing was changed.",
        examples=["gathered"],
    )
    job: OrLeftOut[str] = Field(default=None, description="The unit of the box.", examples=["J42"])
    order: PackingOrderAnswer = Field(description="The order that it belongs to.")


def order_at_packing(session: Session, order: Order, pick_ups: PickUps) -> PackingOrderAnswer:
    """One order, with its boxes."""
    return _orders(session, [order], pick_ups)[0]


def packing_answer(
    session: Session, shelves: Iterable[str], pick_ups: PickUps, *, now: datetime, limit: int
) -> PackingAnswer:
    """What packing has."""
    standing = rows.standing(session)
    taken = {shelf: public(ORDER, order_id) for shelf, (order_id, _) in standing.items()}
    return PackingAnswer(
        orders=tuple(_orders(session, rows.at_packing(session, limit=limit), pick_ups)),
        waiting=rows.count_at_packing(session),
        next_cutoff=pick_ups.next_after(now),
        to_fetch=tuple(
            ToFetchAnswer(bin=found.bin, sku=found.sku, units=found.units) for found in rows.to_fetch(session)
        ),
        shelves=tuple(ShelfAnswer(shelf=shelf, order=taken.get(shelf)) for shelf in shelves),
    )


def _orders(session: Session, orders: Sequence[Order], pick_ups: PickUps) -> list[PackingOrderAnswer]:
    holding = rows.holding(session, [job.id for order in orders for job in order.units])
    return [_order(order, holding, pick_ups) for order in orders]


def _order(order: Order, holding: dict[int, rows.Holding], pick_ups: PickUps) -> PackingOrderAnswer:
    units = tuple(_unit(job, holding.get(job.id)) for job in order.units)
    gathered = sum(unit.gathered_at is not None for unit in units)
    return PackingOrderAnswer(
        id=public(ORDER, order.id),
        order_ref=order.order_ref,
        client=order.client,
        state=order.state,
        ship_by=order.ship_by,
        leaves_by=pick_ups.last_before(order.ship_by),
        shelf=order.shelf,
        has_gift_note=bool(order.gift_note),
        units=units,
        gathered=gathered,
        is_complete=bool(units) and gathered == len(units),
        handed_over_at=order.handed_over_at,
        handed_over_by=order.handed_over_by,
    )


def _unit(job: Job, held: rows.Holding | None) -> PackingUnitAnswer:
    return PackingUnitAnswer(
        job=public(JOB, job.id),
        line_ref=job.line.line_ref,
        sku=job.sku,
        state=JobState(job.state),
        gathered_at=job.gathered_at,
        is_plain=job.is_plain,
        bin=job.bin if job.is_plain else None,
        load=public(LOAD, held.load) if held else None,
        load_state=LoadState(held.state) if held else None,
        station=held.station if held else None,
    )
