"""What the last weeks were like, as far as a promise needs it: spoiled units, failures, which work came
when."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from sqlalchemy import bindparam, func, select
from sqlalchemy.orm import Session

from service.records.db import send
from service.records.states import JobState, LoadState
from service.records.tables import History, Job, KeptSlot, Load, Order, OrderLine

_INSPECTED = (JobState.PASSED.value, JobState.RELEASED.value, JobState.SCRAPPED.value)


def inspected(session: Session, *, limit: int) -> tuple[int, int]:
    """Units that inspection has seen, the newest so many at most, and how many of them were scrapped."""
    newest = (
        select(Job.state).where(Job.state.in_(_INSPECTED)).order_by(Job.id.desc()).limit(limit).subquery()
    )
    rows = session.execute(select(newest.c.state, func.count()).group_by(newest.c.state))
    counts = {row[0]: row[1] for row in rows}
    return sum(counts.values()), counts.get(JobState.SCRAPPED.value, 0)


def interrupted(session: Session, *, loads: int) -> tuple[float, int]:
    """Seconds that the loads started last burned by their estimates, and how often one was interrupted."""
    newest = (
        select(Load.id, Load.burn_seconds)
        .where(Load.started_at.is_not(None))
        .order_by(Load.id.desc())
        .limit(loads)
        .subquery()
    )
    seconds = session.scalar(select(func.coalesce(func.sum(newest.c.burn_seconds), 0.0))) or 0.0
    stops = select(func.count()).where(
        History.subject == "load",
        History.move_to == LoadState.INTERRUPTED.value,
        History.subject_id.in_(select(newest.c.id)),
    )
    return float(seconds), session.scalar(stops) or 0


def work_since(session: Session, since: datetime) -> Sequence[tuple[datetime, datetime, float]]:
    """(when it came, its ship-by time, seconds of burning) of every order that came since then; what was
    cancelled is left out, replacements count as work that came with the order."""
    rows = session.execute(
        select(Order.created_at, Order.ship_by, func.sum(func.coalesce(OrderLine.burn_seconds, 0.0)))
        .join(Job, Job.order_id == Order.id)
        .join(OrderLine, OrderLine.id == Job.line_id)
        .where(Order.created_at >= since, Job.state != JobState.CANCELLED.value)
        .group_by(Order.id, Order.created_at, Order.ship_by)
    )
    return [(came, ship_by, float(seconds)) for came, ship_by, seconds in rows]


_SEATED = (
    select(KeptSlot.job_id)
    .where(KeptSlot.plan_id == bindparam("of_plan"), KeptSlot.job_id == Job.id)
    .exists()
)
_UNPLANNED = (
    select(func.count(), func.coalesce(func.sum(func.coalesce(OrderLine.burn_seconds, 0.0)), 0.0))
    .select_from(Job)
    .join(Order, Order.id == Job.order_id)
    .join(OrderLine, OrderLine.id == Job.line_id)
    .where(Job.state == JobState.READY.value, Order.created_at > bindparam("since"), ~_SEATED)
)


def unplanned(session: Session, plan_id: int, *, since: datetime) -> tuple[int, float]:
    """How many ready units came since then that no load of the plan has, and for how many seconds they
    burn."""
    units, seconds = send(session, _UNPLANNED, {"of_plan": plan_id, "since": since}).one()
    return int(units), float(seconds)
