"""Tasks: work done outside requests. Plain functions, called by the service's own threads or, in production,
by Celery workers (`service.running.worker`).

Tasks that a request asks for are rows of the outbox and go through `run`. Periodic ones go through
`run_periodic`, which records when each was last run, so that any number of schedulers do the work once. Every
task may be run again from the start at any moment.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass
from datetime import timedelta
from enum import StrEnum
from types import MappingProxyType

import structlog
from opentelemetry.trace import Span, get_tracer
from sqlalchemy.orm import Session

from service.loads import leases
from service.records.clock import APART
from service.records.errors import DatabaseBusy
from service.running import outbox_rows as outbox
from service.running import sweeps
from service.running import tick_rows as ticks
from service.running.outbox_rows import Run
from service.shop.tools import Tools

log = structlog.get_logger(__name__)

#: Longest a run may take before a worker is told to stop, and before it is killed.
SOFT_LIMIT_SECONDS = 90
HARD_LIMIT_SECONDS = 120
#: A run whose lease is over is dead: its worker would have been killed by now.
_RUN_LEASE = timedelta(seconds=HARD_LIMIT_SECONDS + 30)
MAX_ATTEMPTS = 5
#: Periodic tasks run lane by lane, each lane beside the others.
SWEEPS, CALLBACKS, PLAN, BATCHES, CHANGES = "sweeps", "callbacks", "plan", "batches", "changes"
LANES = (SWEEPS, CALLBACKS, PLAN, BATCHES, CHANGES)
_PAUSES = (timedelta(seconds=2), timedelta(seconds=15), timedelta(minutes=1), timedelta(minutes=5))

Task = Callable[..., object]


class Outcome(StrEnum):
    DONE = "done"
    NOT_OURS = "not_ours"  # done already, given up, or another worker is at it
    PUT_OFF = "put_off"
    GIVEN_UP = "given_up"


def render_load(tools: Tools, *, load: int) -> None:
    """Build a load's files ahead of the operator's asking for them."""
    sweeps.render_load(tools, load)


def import_orders(tools: Tools, *, file: str, client: str) -> None:
    """Take in the orders of a CSV file that was put into the data folder's `imports`."""
    from service.intake import import_orders as imports

    imports.import_stored(tools, file, client=client)


def drop_picture(tools: Tools, *, job: int, sha256: str) -> None:
    """Remove the picture of a photo that was deleted."""
    from service.photos import photos

    photos.drop_picture(tools, job=job, sha256=sha256)


TASKS: Mapping[str, Task] = MappingProxyType(
    {"render_load": render_load, "import_orders": import_orders, "drop_picture": drop_picture}
)


def run(
    tools: Tools,
    outbox_id: int,
    *,
    tasks: Mapping[str, Task] = TASKS,
    lease: timedelta = _RUN_LEASE,
) -> Outcome:
    """Do the work of one row of the outbox, once. A task that fails raises nothing here: the row records
    it."""
    now = tools.clock()
    mine = tools.database.write(lambda session: outbox.begin(session, outbox_id, now=now, until=now + lease))
    if mine is None:
        return Outcome.NOT_OURS
    task = tasks.get(mine.task)
    if task is None:
        return _give_up(tools, mine, f"no task is called {mine.task}")
    try:
        with _span(mine.task):
            task(tools.pinned(), **mine.arguments)
    except Exception as error:
        log.warning("task_failed", task=mine.task, outbox=mine.id, attempt=mine.attempt, exc_info=True)
        return _after_failure(tools, mine, error)
    tools.database.write(lambda session: outbox.finish(session, mine, now=tools.clock()))
    return Outcome.DONE


def _after_failure(tools: Tools, mine: Run, error: Exception) -> Outcome:
    if mine.attempt >= MAX_ATTEMPTS:
        # The error's class only: its text may quote what a customer wrote.
        return _give_up(tools, mine, f"{type(error).__name__}, after {mine.attempt} runs")
    pause = timedelta(0) if isinstance(error, DatabaseBusy) else _PAUSES[mine.attempt - 1]
    tools.database.write(lambda session: outbox.put_off(session, mine, until=tools.clock() + pause))
    return Outcome.PUT_OFF


def _give_up(tools: Tools, mine: Run, why: str) -> Outcome:
    log.error("task_given_up", task=mine.task, outbox=mine.id, why=why)
    tools.database.write(lambda session: outbox.give_up(session, mine, why=why))
    return Outcome.GIVEN_UP


# --- periodic ---


def sweep_outbox(tools: Tools, *, lost_after: timedelta = timedelta(minutes=5)) -> int:
    """Have tasks sent again whose message or worker was lost; returns how many."""
    now = tools.clock()
    return tools.database.write(
        lambda session: outbox.revive(session, now=now, sent_before=now - lost_after, attempts=MAX_ATTEMPTS)
    )


def count_anew(tools: Tools) -> int:
    """Let leases, claims and pauses count from now that reach further into the future than they may: the
    clock has been set back since. Returns how many rows."""
    from service.callbacks import deliveries as callbacks

    now = tools.clock()

    def bring_back(session: Session) -> int:
        loads = leases.count_anew(session, lease=timedelta(seconds=tools.settings.lease_seconds), now=now)
        asked = outbox.count_anew(
            session, now=now, latest=now + max(_PAUSES) + APART, runs_until=now + _RUN_LEASE + APART
        )
        return len(loads) + asked + callbacks.count_anew(session, now=now)

    changed = tools.database.write(bring_back)
    if changed:
        log.warning("clock_set_back", rows=changed)
    return changed


def forget_old_rows(tools: Tools) -> None:
    """Delete tasks done a week ago and expired answers and sessions."""
    now = tools.clock()
    tools.database.write(lambda session: outbox.forget_done(session, before=now - timedelta(days=7)))
    sweeps.forget_answers(tools)
    sweeps.forget_sessions(tools)


def send_callbacks(tools: Tools) -> int:
    """Deliver the callbacks that are due; returns how many were tried."""
    from service.callbacks import deliveries as callbacks

    return callbacks.send_due(
        tools.database, clock=tools.clock, loopback_allowed=tools.settings.callbacks_to_loopback
    )


def take_batches(tools: Tools) -> int:
    """Take the next orders of batches that were handed in; returns of how many it is known what became of
    them."""
    from service.intake import batches

    return batches.take_waiting(tools)


def look_over_draft(tools: Tools) -> int:
    """Look on at what the draft of the shop's description would do to units that wait; returns how many lines
    were looked at."""
    from service.changes import looking

    return looking.look_over(tools)


def in_sandbox(work: Callable[[Tools], object]) -> Callable[[Tools], object]:
    """The same work for the sandbox, where there is one. What makes plans and loads is never done there."""

    def do(tools: Tools) -> object:
        sandbox = tools.sandbox.tools_if_made()
        return work(sandbox.pinned()) if sandbox is not None else None

    return do


def keep_plan(tools: Tools) -> int:
    """Bring the plan in force up to date and keep the promises that follow from it; returns how many changed
    promises stores are told of. A long plan may still be in the making when the next one is due: two
    processes that plan the same backlog take one another's time, and one of the plans is for nothing."""
    from service.plan import promises

    with tools.database.alone("keep_plan") as is_alone:
        return promises.keep_promises(tools) if is_alone else 0


def learn_paces(tools: Tools) -> int:
    """Learn the paces from recorded burns; returns how many turns were used."""
    from service.plan import paces as learning

    return learning.learn_paces(tools)


@dataclass(frozen=True, slots=True)
class Periodic:
    """A task run every so often. Tasks of one `lane` wait for each other, those of different lanes never do:
    a hanging receiver or a long plan must not keep a lease from being checked."""

    name: str
    every_seconds: float
    work: Callable[[Tools], object]
    lane: str = SWEEPS

    @property
    def every(self) -> timedelta:
        return timedelta(seconds=self.every_seconds)


def periodic(tools: Tools) -> tuple[Periodic, ...]:
    """Every periodic task, and how often it runs."""
    sweep = tools.settings.sweep_seconds
    return (
        Periodic("sweep_loads", sweep, sweeps.sweep_loads),
        Periodic("count_anew", sweep, count_anew),
        Periodic("sweep_outbox", 6 * sweep, sweep_outbox),
        Periodic("sweep_short", 6 * sweep, sweeps.sweep_short),
        Periodic("sweep_places", 12 * sweep, sweeps.sweep_places),
        Periodic("send_callbacks", 1.0, send_callbacks, CALLBACKS),
        Periodic("take_batches", 1.0, take_batches, BATCHES),
        Periodic("look_over_draft", 1.0, look_over_draft, CHANGES),
        Periodic("keep_plan", sweep, keep_plan, PLAN),
        Periodic("learn_paces", 120 * sweep, learn_paces, PLAN),
        Periodic("forget_old_rows", 3600.0, forget_old_rows),
        Periodic("forget_words", 3600.0, sweeps.forget_words),
        Periodic("send_test_callbacks", 1.0, in_sandbox(send_callbacks), CALLBACKS),
        Periodic("take_test_batches", 1.0, in_sandbox(take_batches), BATCHES),
        Periodic("forget_old_rows_of_tests", 3600.0, in_sandbox(forget_old_rows)),
        Periodic("forget_words_of_tests", 3600.0, in_sandbox(sweeps.forget_words)),
    )


def run_periodic(tools: Tools, *, lanes: Collection[str] = LANES) -> list[str]:
    """Run every periodic task of those lanes that is due and that no other process runs; returns their names.

    One that fails is logged and tried again when it is next due; the others go on.
    """
    done = []
    for job in _due(tools, [job for job in periodic(tools) if job.lane in lanes]):
        if not _take(tools, job):
            continue
        try:
            with _span(job.name):
                job.work(tools.pinned())
        except Exception:
            log.warning("periodic_task_failed", task=job.name, exc_info=True)
        else:
            done.append(job.name)
    return done


def _span(task: str) -> AbstractContextManager[Span]:
    """A span where traces are wanted (`service.running.tracing`). An error's text could quote a customer."""
    return get_tracer("ricasso").start_as_current_span(
        f"task {task}", record_exception=False, set_status_on_exception=False
    )


def _due(tools: Tools, jobs: Sequence[Periodic]) -> list[Periodic]:
    """Those that are due, found in one look: several times a second there is none."""
    now = tools.clock()
    with tools.database.reading() as session:
        last = ticks.last(session, [job.name for job in jobs])
    return [job for job in jobs if ticks.is_due(last.get(job.name), every=job.every, now=now)]


def _take(tools: Tools, job: Periodic) -> bool:
    now = tools.clock()
    return tools.database.write(lambda session: ticks.take(session, job.name, every=job.every, now=now))
