"""Events as they happen, for pages that would otherwise have to poll.

A stream is a convenience: a page that missed something (a broken line, a restart) reads the order or load
again.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import timedelta

from service.callbacks import event_rows as rows
from service.records.clock import Clock
from service.records.db import Database
from service.records.tables import Event
from service.records.who import Who

# PostgreSQL gives ids out before commit, so a smaller id may appear after a larger one. Longer than any
# transaction of the service may take (its lock and statement time-outs end it before).
_LATE = timedelta(seconds=20)
_MOST = 500


class Follower:
    """One listener: `news` returns each event once, also those committed late."""

    def __init__(self, database: Database, who: Who, *, clock: Clock, after: int | None = None) -> None:
        """`after`: the last event seen; left out, only what happens from now on."""
        self._database = database
        self._client = who.sees_client
        self._clock = clock
        self._seen: dict[int, Event] = {}
        if after is None:
            with database.reading() as session:
                after = rows.newest_id(session)
        self._floor = after

    def news(self) -> Sequence[Event]:
        """Events not given before, oldest first."""
        with self._database.reading() as session:
            events = rows.after(session, self._floor, client=self._client, limit=_MOST)
        fresh = [event for event in events if event.id not in self._seen]
        self._seen.update((event.id, event) for event in fresh)
        self._raise_floor()
        return fresh

    def _raise_floor(self) -> None:
        """Past events older than any transaction still open there is nothing left to come."""
        settled = self._clock() - _LATE
        for event_id in sorted(self._seen):
            if self._seen[event_id].at > settled and len(self._seen) < _MOST:
                return
            self._floor = event_id
            del self._seen[event_id]
