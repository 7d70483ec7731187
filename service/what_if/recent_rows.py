"""What the last days were like: which orders came, how many units were spoiled."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from service.records.states import JobState
from service.records.tables import Job, Order

_INSPECTED = (JobState.PASSED.value, JobState.RELEASED.value, JobState.SCRAPPED.value)


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


def inspected(session: Session, *, limit: int) -> tuple[int, int]:
    """Units that inspection has seen, the newest so many at most, and how many of them were scrapped."""
    newest = (
        select(Job.state).where(Job.state.in_(_INSPECTED)).order_by(Job.id.desc()).limit(limit).subquery()
    )
    rows = session.execute(select(newest.c.state, func.count()).group_by(newest.c.state))
    counts = {row[0]: row[1] for row in rows}
    return sum(counts.values()), counts.get(JobState.SCRAPPED.value, 0)
