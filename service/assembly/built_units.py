"""A unit on its way from the assembly bench into a bin: inspected, reworked, boxed, or given up."""

from __future__ import annotations

from collections.abc import Collection

from sqlalchemy.orm import Session

from layout.shop.shop import Shop
from service.assembly import work_order_rows as rows
from service.assembly import work_orders
from service.records.errors import BadRequest, MoveNotAllowed, NotFound
from service.records.ids import UNIT, number
from service.records.moves import move_unit
from service.records.states import StockChange, UnitState
from service.records.tables import BuiltUnit, WorkOrder
from service.records.who import By
from service.stock import counting, reservations

#: Why a unit failed, where it is none of the shop's points.
OTHER = "other"
#: What may be added to a reason; the longest point and this are kept together.
LONGEST_NOTE = 75


def points_of(shop: Shop, sku: str) -> tuple[str, ...]:
    """What is looked at on a unit of a product; nothing of one that has left the shop's description."""
    return shop.inspected(sku) if sku in shop.products else ()


def found(session: Session, identity: str) -> tuple[BuiltUnit, WorkOrder]:
    """A unit, and its work order locked: it is worked at by one person at a time. Raises NotFound."""
    unit = rows.unit(session, number(UNIT, identity))
    if unit is None:
        raise NotFound("there is no such unit", id=identity)
    order = work_orders.locked(session, unit.work_order_id)
    session.refresh(unit)
    return unit, order


def passes(session: Session, identity: str, looked_at: Collection[str], *, shop: Shop, by: By) -> BuiltUnit:
    """Every point of the inspection is good. Saying so again changes nothing.

    Raises NotFound, BadRequest when a point was not looked at, MoveNotAllowed.
    """
    unit, order = found(session, identity)
    if unit.state in {UnitState.PASSED.value, UnitState.STOCKED.value}:
        return unit
    left = [point for point in points_of(shop, order.sku) if point not in looked_at]
    if left:
        raise BadRequest(f"not looked at yet: {'; '.join(left)}", field="points", points=left)
    move_unit(session, unit, UnitState.PASSED, by=by, reason=None)
    work_orders.unit_moved(session, order, by=by)
    return unit


def fails(session: Session, identity: str, reason: str, note: str, *, shop: Shop, by: By) -> BuiltUnit:
    """A point is not good: the unit goes to rework. Saying so again changes nothing.

    Raises NotFound, BadRequest for a reason that is none of the shop's, MoveNotAllowed.
    """
    return _bad(session, identity, UnitState.REWORK, reason, note, shop=shop, by=by)


def give_up(session: Session, identity: str, reason: str, note: str, *, shop: Shop, by: By) -> BuiltUnit:
    """It is not worth any more work. Raises as `fails`."""
    return _bad(session, identity, UnitState.GIVEN_UP, reason, note, shop=shop, by=by)


def come_back(session: Session, identity: str, *, by: By) -> BuiltUnit:
    """A unit is back from rework, to be inspected again; any other stays as it is. Raises NotFound."""
    unit, order = found(session, identity)
    if unit.state == UnitState.REWORK.value:
        move_unit(session, unit, UnitState.REWORKED, by=by)
        work_orders.unit_moved(session, order, by=by)
    return unit


def put_in(session: Session, identity: str, bin_name: str, *, by: By) -> tuple[BuiltUnit, bool]:
    """A unit that passed stands in a bin: it is counted there, and goes to an order that waits for one.
    Returns the unit, and whether that was new; the same bin again changes nothing.

    Raises NotFound, WrongBox, MoveNotAllowed when it has not passed or stands elsewhere.
    """
    into = counting.bin_of(session, bin_name)
    unit, order = found(session, identity)
    if unit.state == UnitState.STOCKED.value:
        if unit.bin != into:
            raise MoveNotAllowed(
                f"{identity} was put into bin {unit.bin} before; move it in the store room", state=unit.state
            )
        return unit, False
    if unit.state != UnitState.PASSED.value:
        raise MoveNotAllowed(
            f"{identity} has not passed inspection; it does not go into a bin yet", state=unit.state
        )
    move_unit(session, unit, UnitState.STOCKED, by=by, why=f"into {into}", bin=into)
    reservations.put_in(session, into, order.sku, StockChange.BUILT, by=by, unit_id=unit.id)
    reservations.serve_short(session, order.sku, by=by)
    work_orders.unit_moved(session, order, by=by)
    return unit, True


def _bad(
    session: Session, identity: str, to: UnitState, reason: str, note: str, *, shop: Shop, by: By
) -> BuiltUnit:
    unit, order = found(session, identity)
    why = f"{reason}: {note}" if note else reason
    if unit.state == to.value and (unit.reason == why or to is UnitState.GIVEN_UP):
        return unit
    known = (*points_of(shop, order.sku), OTHER)
    if reason not in known:
        raise BadRequest(f"say which point is not good, or {OTHER}", field="reason", reasons=list(known))
    if reason == OTHER and not note:
        raise BadRequest("say what is not good", field="note")
    if unit.state == to.value:
        raise MoveNotAllowed(f"{identity} is in rework; scan it when it is back", state=unit.state)
    move_unit(session, unit, to, by=by, why=why, reason=why)
    work_orders.unit_moved(session, order, by=by)
    return unit
