"""Counts and ages for the metrics: what the tables hold right now."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from service.records.states import JobState, LoadState, LotState
from service.records.tables import Callback, Delivery, Job, Load, Lot, Outbox


@dataclass(frozen=True, slots=True)
class Gauges:
    """Ages in seconds, 0 where nothing waits."""

    jobs: dict[str, int]
    loads: dict[str, int]
    lots: dict[str, int]
    oldest_ready_seconds: float
    outbox_pending: int
    outbox_oldest_seconds: float
    tasks_failed: int
    deliveries_pending: int
    deliveries_given_up: int
    callbacks_disabled: int


def read(session: Session, *, now: datetime) -> Gauges:
    """All counts and ages at once; every state is present, even at 0."""

    def age(moment: datetime | None) -> float:
        return max(0.0, (now - moment).total_seconds()) if moment else 0.0

    pending = (Outbox.done_at.is_(None), Outbox.failed_why.is_(None))
    waiting = (Delivery.next_at.is_not(None), Delivery.delivered_at.is_(None))
    given_up = (Delivery.next_at.is_(None), Delivery.delivered_at.is_(None))

    def count(model: type[Outbox | Delivery | Callback], *conditions: object) -> int:
        return session.scalar(select(func.count()).select_from(model).where(*conditions)) or 0  # type: ignore[arg-type]

    return Gauges(
        jobs=_by_state(session, Job, [state.value for state in JobState]),
        loads=_by_state(session, Load, [state.value for state in LoadState]),
        lots=_by_state(session, Lot, [state.value for state in LotState]),
        oldest_ready_seconds=age(
            session.scalar(
                select(func.min(Job.created_at)).where(Job.state == JobState.READY.value, Job.blade != "")
            )
        ),
        outbox_pending=count(Outbox, *pending),
        outbox_oldest_seconds=age(session.scalar(select(func.min(Outbox.due_at)).where(*pending))),
        tasks_failed=count(Outbox, Outbox.failed_why.is_not(None)),
        deliveries_pending=count(Delivery, *waiting),
        deliveries_given_up=count(Delivery, *given_up),
        callbacks_disabled=count(Callback, Callback.disabled_at.is_not(None)),
    )


def _by_state(session: Session, model: type[Job | Load | Lot], states: list[str]) -> dict[str, int]:
    rows = session.execute(select(model.state, func.count()).group_by(model.state))
    counts = {row[0]: row[1] for row in rows}
    return {state: counts.get(state, 0) for state in states}
