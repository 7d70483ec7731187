"""The end of an order: all its boxes are here, and the carrier gets them; or that was a mistake."""

from __future__ import annotations

from sqlalchemy.orm import Session

from layout.shop.shop import Shop
from service.packing import packing_rows as rows
from service.packing.pick_ups import PickUps
from service.packing.scans import found, propose_shelf
from service.records.announcements import tell_order
from service.records.errors import BoxesMissing, MoveNotAllowed
from service.records.ids import JOB, public
from service.records.moves import write_history
from service.records.tables import Order
from service.records.who import By


def hand_over(session: Session, identity: str, *, by: By) -> tuple[Order, bool]:
    """End an order whose boxes are all gathered; its shelf is free again, and its store is told. Doing it
    again changes nothing. Returns the order, and whether this ended it.

    Raises NotFound, MoveNotAllowed when nothing is left of the order, BoxesMissing.
    """
    order = rows.lock(session, found(session, identity).id)
    if order.handed_over_at is not None:
        return order, False
    units = order.units
    if not units:
        raise MoveNotAllowed(f"nothing is left of order {order.order_ref}", order=identity)
    missing = [public(JOB, job.id) for job in units if job.gathered_at is None]
    if missing:
        raise BoxesMissing(
            f"order {order.order_ref} is not complete; still missing: {', '.join(missing)}", missing=missing
        )
    order.handed_over_at, order.handed_over_by = by.at, by.who.name[:100]
    order.version += 1
    write_history(session, "order", order.id, "handed_over", by=by)
    tell_order(session, "order.handed_over", order, now=by.at)
    session.flush()
    return order, True


def take_back(session: Session, identity: str, *, shop: Shop, by: By) -> tuple[Order, bool]:
    """Take back a hand-over that was a mistake, while the carrier has not been here since: the boxes stand on
    the order's shelf again (another, where that is taken), and its store is told. Doing it again changes
    nothing. Returns the order, and whether this took it back.

    Raises NotFound, MoveNotAllowed for an order that was not handed over, has left, was erased, or of which a
    unit is made once more.
    """
    order = rows.lock(session, found(session, identity).id)
    ref = order.order_ref
    if order.handed_over_at is None:
        if rows.was_taken_back(session, order.id):
            return order, False
        raise MoveNotAllowed(f"order {ref} was not handed over", state=order.state.value)
    if not PickUps.of(shop, now=order.handed_over_at).may_be_taken_back(order.handed_over_at, now=by.at):
        raise MoveNotAllowed(f"order {ref} has left with the carrier", state=order.state.value)
    if order.erased_at is not None:
        raise MoveNotAllowed(f"order {ref} was erased", state=order.state.value)
    if rows.is_remade(session, order.id):
        raise MoveNotAllowed(
            f"a unit of order {ref} is made once more: put its box aside", state=order.state.value
        )
    shelf, order.shelf = order.shelf, None
    order.handed_over_at = order.handed_over_by = None
    order.version += 1
    session.flush()
    write_history(session, "order", order.id, rows.TAKEN_BACK, by=by)
    if shelf is not None:
        propose_shelf(session, order, shop=shop, by=by, first=shelf)
    tell_order(session, "order.hand_over_taken_back", order, now=by.at)
    session.flush()
    return order, True
