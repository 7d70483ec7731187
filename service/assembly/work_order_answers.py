"""Work orders and the units that assembly builds, as the service answers them."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from pydantic import Field
from sqlalchemy.orm import Session

from service.assembly import work_order_rows as rows
from service.intake import order_rows
from service.records.ids import LOT, UNIT, WORK_ORDER, public
from service.records.states import LotState, UnitState, WorkOrderState
from service.records.tables import BuiltUnit, Lot, WorkOrder
from service.requests.answers import AnswerBody, Moment, MoveAnswer, OrLeftOut, moves_answer

_SKU = Field(description="The product.", examples=["AQ-PARER-OAK"])


class LotAheadAnswer(AnswerBody):
    """The lot in which the bare blades of a work order get their house mark."""

    id: str = Field(description="The lot.", examples=["LOT3"])
    state: LotState = Field(description="Its state.", examples=["open"])
    quantity: int = Field(description="Blades in it.", examples=[12])
    marked: int = Field(description="Blades that are marked.", examples=[7])
    due: Moment = Field(description="When they are wanted.")


class BuiltUnitAnswer(AnswerBody):
    """One unit of a work order."""

    id: str = Field(description="The unit, as its label says.", examples=["U17"])
    work_order: str = Field(description="Its work order.", examples=["W5"])
    number: int = Field(description="Its number within the work order, from 1.", examples=[3])
    sku: str = _SKU
    state: UnitState = Field(
        description="`to_build`: not inspected yet; `rework`: a point of the inspection failed; `reworked`:"
        " back from rework, to be inspected again; `passed`: to be put into a bin; `stocked`; `given_up`;"
        " `cancelled`: never built.",
        examples=["rework"],
    )
    reason: OrLeftOut[str] = Field(
        default=None, description="Why it failed last.", examples=["Handle without gaps: at the bolster"]
    )
    bin: OrLeftOut[str] = Field(default=None, description="The bin it was put into.", examples=["A-01"])
    moved_at: Moment = Field(description="Since when it is in this state.")


class BuiltUnitsAnswer(AnswerBody):
    """Units that were built and are in no bin."""

    units: tuple[BuiltUnitAnswer, ...] = Field(description="Those that have been so for longest first.")


class WorkOrderAnswer(AnswerBody):
    """So many units of a product, to be built by a time."""

    id: str = Field(description="The work order.", examples=["W5"])
    state: WorkOrderState = Field(
        description="`open`; `done`: every unit stands in a bin or was given up; `cancelled`: no more are"
        " built.",
        examples=["open"],
    )
    sku: str = _SKU
    quantity: int = Field(description="Units to be built.", examples=[12])
    blade: str | None = Field(
        description="The bare blade they are built from; null: the catalogue did not say.",
        examples=["AQ-BLANK-PARER"],
    )
    handle: str | None = Field(
        description="What their handles are of; null: the catalogue did not say.", examples=["oak"]
    )
    due: Moment = Field(description="When they are to be built by.")
    lot: OrLeftOut[LotAheadAnswer] = Field(
        default=None, description="The lot in which their blades get the house mark first."
    )
    to_build: int = Field(description="Units not inspected yet.", examples=[5])
    rework: int = Field(description="Units in rework, or back from it.", examples=[1])
    passed: int = Field(description="Units that passed, on their way into a bin.", examples=[1])
    stocked: int = Field(description="Units in bins.", examples=[5])
    given_up: int = Field(description="Units given up.", examples=[0])
    created_at: Moment = Field(description="When it was made.")
    units: OrLeftOut[tuple[BuiltUnitAnswer, ...]] = Field(
        default=None, description="Its units, by number; left out where work orders are listed."
    )
    history: OrLeftOut[tuple[MoveAnswer, ...]] = Field(
        default=None, description="What happened to it, oldest first; left out where work orders are listed."
    )


class WorkOrdersAnswer(AnswerBody):
    """A page of work orders."""

    work_orders: tuple[WorkOrderAnswer, ...] = Field(description="Newest first.")


def built_unit_answer(unit: BuiltUnit, sku: str) -> BuiltUnitAnswer:
    return BuiltUnitAnswer(
        id=public(UNIT, unit.id),
        work_order=public(WORK_ORDER, unit.work_order_id),
        number=unit.number,
        sku=sku,
        state=UnitState(unit.state),
        reason=unit.reason,
        bin=unit.bin,
        moved_at=unit.moved_at,
    )


def in_work_answer(session: Session) -> BuiltUnitsAnswer:
    """Units that were inspected and are in no bin: passed, in rework or back from it."""
    return BuiltUnitsAnswer(units=tuple(built_unit_answer(unit, sku) for unit, sku in rows.in_work(session)))


def work_order_answer(session: Session, order: WorkOrder) -> WorkOrderAnswer:
    """One work order, with its units and its history."""
    units = rows.units(session, order.id)
    counted = Counter(unit.state for unit in units)
    lot = rows.lots(session, [order.lot_id]).get(order.lot_id) if order.lot_id is not None else None
    short = _work_order(order, counted, lot)
    history = order_rows.history(session, "work", order.id)
    return short.model_copy(
        update={
            "units": tuple(built_unit_answer(unit, order.sku) for unit in units),
            "history": moves_answer(history),
        }
    )


def work_orders_answer(session: Session, orders: Sequence[WorkOrder]) -> WorkOrdersAnswer:
    """Work orders without their units."""
    counted = rows.counts(session, [order.id for order in orders])
    lots = rows.lots(session, [order.lot_id for order in orders if order.lot_id is not None])
    return WorkOrdersAnswer(
        work_orders=tuple(
            _work_order(order, counted[order.id], lots.get(order.lot_id or 0)) for order in orders
        )
    )


def _work_order(order: WorkOrder, counted: Counter[str], lot: Lot | None) -> WorkOrderAnswer:
    return WorkOrderAnswer(
        id=public(WORK_ORDER, order.id),
        state=WorkOrderState(order.state),
        sku=order.sku,
        quantity=order.quantity,
        blade=order.blade,
        handle=order.handle,
        due=order.due,
        lot=None
        if lot is None
        else LotAheadAnswer(
            id=public(LOT, lot.id),
            state=LotState(lot.state),
            quantity=lot.quantity,
            marked=lot.marked,
            due=lot.due,
        ),
        to_build=counted[UnitState.TO_BUILD.value],
        rework=counted[UnitState.REWORK.value] + counted[UnitState.REWORKED.value],
        passed=counted[UnitState.PASSED.value],
        stocked=counted[UnitState.STOCKED.value],
        given_up=counted[UnitState.GIVEN_UP.value],
        created_at=order.created_at,
    )
