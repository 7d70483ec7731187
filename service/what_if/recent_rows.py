"""Orders of the last days."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from service.records.tables import Order


def orders_since(session: Session, since: datetime) -> list[tuple[int, datetime, datetime]]:
    """(order, when it came, its ship-by time) of all orders that came since then, the newest first."""
    rows = session.execute(
        select(Order.id, Order.created_at, Order.ship_by)
        .where(Order.created_at >= since)
        .order_by(Order.id.desc())
    )
    return [(order_id, came, ship_by) for order_id, came, ship_by in rows]


def first_order(session: Session) -> datetime | None:
    """When the shop's first order came."""
    return session.scalar(select(func.min(Order.created_at)))
