"""The outbox: tasks asked for, sent, run, done. Every step is a guarded update, so that two relays or two
workers with the same row do its work once."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import bindparam, delete, or_, select, update
from sqlalchemy.orm import Session

from service.records.clock import APART
from service.records.db import send
from service.records.tables import Outbox


@dataclass(frozen=True, slots=True)
class Hint:
    """What is sent: the row's number and the task's name, no words of a customer."""

    id: int
    task: str


@dataclass(frozen=True, slots=True)
class Run:
    """One run of a task that this process holds; `attempt` is its fencing token."""

    id: int
    task: str
    arguments: dict[str, Any]
    attempt: int


_OPEN = (Outbox.done_at.is_(None), Outbox.failed_why.is_(None))


# Built once: the relay looks several times a second, in every process.
_OUTBOX: Any = Outbox.__table__
_AT: Any = bindparam("at", type_=Outbox.due_at.type)
# MATERIALIZED: otherwise PostgreSQL may run the inner SELECT again for every row and pass the LIMIT
# (https://www.postgresql.org/message-id/flat/15715-3d9ee9e1a6ec0e12%40postgresql.org, BUG #15715).
_PICK = (
    select(Outbox.id)
    .where(
        Outbox.sent_at.is_(None),
        *_OPEN,
        Outbox.due_at <= _AT,
        or_(Outbox.claimed_until.is_(None), Outbox.claimed_until < _AT),
    )
    .order_by(Outbox.due_at, Outbox.id)
    .limit(bindparam("most"))
    .with_for_update(skip_locked=True)
    .cte("pick")
    .prefix_with("MATERIALIZED", dialect="postgresql")
)
_CLAIM = (
    update(_OUTBOX)
    .where(_OUTBOX.c.id == _PICK.c.id)
    .values(claimed_until=bindparam("until"))
    .returning(_OUTBOX.c.id, _OUTBOX.c.task, _OUTBOX.c.due_at)
)


def claim_due(session: Session, *, now: datetime, until: datetime, limit: int) -> list[Hint]:
    """Claim unsent rows that are due; nobody else gets them before `until`."""
    rows = send(session, _CLAIM, {"at": now, "until": until, "most": limit}).all()
    return [Hint(id=row.id, task=row.task) for row in sorted(rows, key=lambda row: (row.due_at, row.id))]


def mark_sent(session: Session, ids: Collection[int], *, claim: datetime, now: datetime) -> None:
    """Record that rows were published. `claim` is the `until` they were claimed with: a run that finished
    sooner than this and put its row off is not overwritten."""
    session.execute(
        update(Outbox)
        .where(Outbox.id.in_(ids), Outbox.claimed_until == claim)
        .values(sent_at=now, claimed_until=None)
    )


def release(session: Session, ids: Collection[int], *, claim: datetime) -> None:
    """Free rows whose publishing failed, for the next relay to try at once."""
    session.execute(
        update(Outbox).where(Outbox.id.in_(ids), Outbox.claimed_until == claim).values(claimed_until=None)
    )


def begin(session: Session, outbox_id: int, *, now: datetime, until: datetime) -> Run | None:
    """Take the row for one run, or None when it is done, given up, or being run by somebody else."""
    row = session.execute(
        update(Outbox)
        .where(
            Outbox.id == outbox_id,
            *_OPEN,
            or_(Outbox.running_until.is_(None), Outbox.running_until < now),
        )
        .values(attempts=Outbox.attempts + 1, running_until=until)
        .returning(Outbox.id, Outbox.task, Outbox.arguments, Outbox.attempts),
        execution_options={"synchronize_session": False},
    ).one_or_none()
    if row is None:
        return None
    return Run(id=row.id, task=row.task, arguments=dict(row.arguments), attempt=row.attempts)


def finish(session: Session, run: Run, *, now: datetime) -> bool:
    """Mark the row done; False when the run is no longer ours."""
    return _end(session, run, done_at=now, running_until=None)


def put_off(session: Session, run: Run, *, until: datetime) -> bool:
    """Have the row sent again later: the run failed in a way that may pass."""
    return _end(session, run, due_at=until, sent_at=None, claimed_until=None, running_until=None)


def give_up(session: Session, run: Run, *, why: str) -> bool:
    """Mark the row failed for good; it stays for people to see."""
    return _end(session, run, failed_why=why[:200], running_until=None)


def revive(session: Session, *, now: datetime, sent_before: datetime, attempts: int) -> int:
    """Make sent rows unsent again when no run of them is alive: the message, or its worker, was lost."""
    lost = (
        Outbox.sent_at < sent_before,
        *_OPEN,
        or_(Outbox.running_until.is_(None), Outbox.running_until < now),
    )
    session.execute(
        update(Outbox)
        .where(*lost, Outbox.attempts >= attempts)
        .values(failed_why=f"its worker died in each of {attempts} runs")
    )
    revived = session.execute(
        update(Outbox).where(*lost, Outbox.attempts < attempts).values(sent_at=None, claimed_until=None)
    )
    return int(revived.rowcount)  # type: ignore[attr-defined]


def count_anew(session: Session, *, now: datetime, latest: datetime, runs_until: datetime) -> int:
    """Bring back what a clock wrote that has been set back since: rows due after `latest` or, never run yet,
    after now; claims and sendings after `latest`; runs after `runs_until`. Returns how many rows."""
    changed = 0
    for column, beyond, becomes in (
        (
            Outbox.due_at,
            or_(Outbox.due_at > latest, (Outbox.due_at > now + APART) & (Outbox.attempts == 0)),
            now,
        ),
        (Outbox.claimed_until, Outbox.claimed_until > latest, None),
        (Outbox.sent_at, Outbox.sent_at > latest, now),
        (Outbox.running_until, Outbox.running_until > runs_until, now),
    ):
        done = session.execute(update(Outbox).where(beyond, *_OPEN).values({column: becomes}))
        changed += int(done.rowcount)  # type: ignore[attr-defined]
    return changed


def forget_done(session: Session, *, before: datetime) -> int:
    """Delete rows done before that moment; failed ones stay."""
    return int(session.execute(delete(Outbox).where(Outbox.done_at < before)).rowcount)  # type: ignore[attr-defined]


def _end(session: Session, run: Run, **values: Any) -> bool:
    ended = session.execute(
        update(Outbox).where(Outbox.id == run.id, Outbox.attempts == run.attempt, *_OPEN).values(**values),
        execution_options={"synchronize_session": False},
    )
    return bool(ended.rowcount == 1)  # type: ignore[attr-defined]
