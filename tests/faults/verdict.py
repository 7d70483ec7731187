"""What people were told, held against what is on record, by the rule of Jepsen's `total-queue` and `set-full`
(https://github.com/jepsen-io/jepsen, jepsen/src/jepsen/checker.clj): what was acknowledged must be there,
what was refused must not, and what nobody knows of may be there at most once."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field

from sqlalchemy import func, select

from service.records.db import Database
from service.records.states import ACTIVE_LOADS
from service.records.tables import BurnStart, Delivery, History, Job, Load, Order, Outbox
from tests.faults.people import Told

#: States in which nobody has to do anything for a unit any more, or a person must first.
_AT_REST = ("released", "cancelled", "scrapped", "held")


@dataclass
class Verdict:
    """Counts, and a sentence for everything that is wrong."""

    acked: int
    unknown: int
    refused: int
    burned: int
    lost: list[str] = field(default_factory=list)
    doubled: list[str] = field(default_factory=list)
    wrong: list[str] = field(default_factory=list)

    @property
    def is_clean(self) -> bool:
        return not (self.lost or self.doubled or self.wrong)

    def sentences(self) -> list[str]:
        return [*self.lost, *self.doubled, *self.wrong]


def unfinished(database: Database) -> list[str]:
    """What is still to be done, in words; nothing when all is at rest."""
    with database.reading() as session:
        jobs = session.execute(
            select(Job.state, func.count()).where(Job.state.not_in(_AT_REST)).group_by(Job.state)
        ).all()
        loads = session.execute(
            select(Load.state, func.count()).where(Load.state.in_(ACTIVE_LOADS)).group_by(Load.state)
        ).all()
        tasks = session.scalar(
            select(func.count()).where(Outbox.done_at.is_(None), Outbox.failed_why.is_(None))
        )
    left = [f"{count} jobs {state}" for state, count in jobs]
    left += [f"{count} loads {state}" for state, count in loads]
    return left + ([f"{tasks} tasks"] if tasks else [])


def moves(database: Database) -> int:
    """How often anything has moved so far."""
    with database.reading() as session:
        return session.scalar(select(func.max(History.id))) or 0


def judge(database: Database, told: Told, *, left: list[str], damage: list[str]) -> Verdict:
    """Everything that was told against everything that is there."""
    found = Verdict(
        acked=len(told.acked), unknown=len(told.unknown), refused=len(told.refused), burned=len(told.burned)
    )
    with database.reading() as session:
        orders = Counter(session.scalars(select(Order.order_ref)))
        of_order = select(Order.order_ref, func.count(Job.id)).join(Job).group_by(Order.order_ref)
        units = dict(session.execute(of_order).all())
        states = dict(session.execute(select(Job.id, Job.state)).all())
        of_cancelled = session.execute(
            select(Order.order_ref, Job.state).join(Job).where(Order.order_ref.in_(told.cancelled))
        ).all()
        burns = session.execute(
            select(BurnStart.job_id, BurnStart.face, func.count())
            .where(BurnStart.job_id.is_not(None), BurnStart.outcome.is_distinct_from("clean"))
            .group_by(BurnStart.job_id, BurnStart.face)
            .having(func.count() > 1)
        ).all()
        failed = session.execute(select(Outbox.task, Outbox.failed_why).where(Outbox.failed_why.is_not(None)))
        untold = session.scalar(
            select(func.count()).where(Delivery.delivered_at.is_(None), Delivery.next_at.is_(None))
        )
        found.wrong += [f"task {row.task} was given up: {row.failed_why}" for row in failed]
    for ref, wanted in told.acked.items():
        if orders[ref] != 1:
            (found.doubled if orders[ref] else found.lost).append(f"{ref} is there {orders[ref]} times")
        elif units[ref] != wanted:
            found.wrong.append(f"{ref} has {units[ref]} units, not {wanted}")
    found.doubled += [f"{ref} is there {orders[ref]} times" for ref in told.unknown if orders[ref] > 1]
    found.doubled += [f"{ref} was called {sorted(all_)}" for ref, all_ in told.named.items() if len(all_) > 1]
    found.wrong += [f"{ref} was refused and is there" for ref in told.refused if orders[ref]]
    strangers = orders.keys() - told.acked.keys() - told.unknown - told.refused
    found.wrong += [f"{ref} is there, and nobody ordered it" for ref in strangers]
    found.doubled += [f"J{job} {face} was started {times} times" for job, face, times in burns]
    found.doubled += [f"{job} {face} was burned {n} times" for (job, face), n in told.burned.items() if n > 1]
    for ref, state in of_cancelled:
        if state != "cancelled":
            found.wrong.append(f"{ref} was cancelled, and a unit of it is {state}")
    for job in told.released:
        if states[int(job.removeprefix("J"))] not in {"released", "ready", "loaded"}:
            found.wrong.append(f"{job} was released and is {states[int(job.removeprefix('J'))]}")
    found.wrong += [f"left unfinished: {what}" for what in left]
    found.wrong += [f"audit: {what}" for what in damage]
    found.wrong += [f"answered 500: {what}" for what in told.faults[:20]]
    if untold:
        found.wrong.append(f"{untold} deliveries were given up")
    return found
