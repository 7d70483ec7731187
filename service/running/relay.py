"""Sends what the outbox holds. Runs beside the requests, never inside one.

A row is marked as sent only after the publish has returned, so a crash in between sends it twice and never
not at all; `service.running.tasks.run` does the work of a row once however often it is sent.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import datetime, timedelta

import structlog

from service.records.clock import Clock
from service.records.db import Database
from service.running import outbox_rows as outbox
from service.running.outbox_rows import Hint

#: Hands one hint on, to a broker or straight to the task. Raises when it could not.
Publish = Callable[[Hint], object]

_LEASE = timedelta(seconds=30)
_BATCH = 100

log = structlog.get_logger(__name__)


def send_due(database: Database, publish: Publish, *, clock: Clock, batch: int = _BATCH) -> int:
    """Send the rows that are due, oldest first; returns how many were sent.

    A publish that fails ends the round: a broker that is down for one is down for all, and the rows
    that were claimed are given back, so nothing waits for a lease to run out.
    """
    claim = clock() + _LEASE
    hints = database.write(
        lambda session: outbox.claim_due(session, now=claim - _LEASE, until=claim, limit=batch)
    )
    for position, hint in enumerate(hints):
        try:
            publish(hint)
        except Exception as error:
            log.warning("publish_failed", outbox=hint.id, task=hint.task, error=type(error).__name__)
            _give_back(database, hints[position:], claim)
            return position
        _mark_sent(database, hint, claim, clock())
    return len(hints)


def _mark_sent(database: Database, hint: Hint, claim: datetime, now: datetime) -> None:
    database.write(lambda session: outbox.mark_sent(session, [hint.id], claim=claim, now=now))


def _give_back(database: Database, hints: Sequence[Hint], claim: datetime) -> None:
    database.write(lambda session: outbox.release(session, [hint.id for hint in hints], claim=claim))
