"""The end of an order: all its boxes are here, and the carrier gets them."""

from __future__ import annotations

from sqlalchemy.orm import Session

from service.packing import packing_rows as rows
from service.packing.scans import found
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
