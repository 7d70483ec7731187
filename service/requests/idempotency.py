"""Idempotency-Key: the same key and body get the same answer, whatever happened in between.

The key is claimed in a small transaction of its own, so that a second caller is told 409 while the first
is still at work; the answer is stored in the transaction that does the work, so that either both exist or
neither. A claim whose owner was killed lapses and can be taken over.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy.orm import Session

from service.records.clock import Clock
from service.records.db import Database
from service.records.errors import (
    IdempotencyKeyMalformed,
    IdempotencyKeyMissing,
    IdempotencyKeyReused,
    RequestInFlight,
)
from service.records.tables import IdempotentRequest
from service.requests import idempotency_rows as rows

_KEY = re.compile(r"^[\x21-\x7e]{8,255}$", re.ASCII)
#: Longer than any request may take; after that a silent claim is a dead one.
_IN_FLIGHT = timedelta(seconds=60)


@dataclass(frozen=True, slots=True)
class Answer:
    """A stored or new answer; `body` is the exact text that goes out."""

    status: int
    body: str
    headers: dict[str, str]
    replayed: bool = False


def created(body: Any, headers: dict[str, str]) -> Answer:
    """A new answer of something made: its JSON text is kept and goes out byte for byte."""
    return Answer(201, json.dumps(body, ensure_ascii=False, separators=(",", ":")), headers)


def key_of(header: str | None) -> str:
    """The key from its header, with or without the quotes of a structured string.

    Raises IdempotencyKeyMissing, IdempotencyKeyMalformed.
    """
    if header is None:
        raise IdempotencyKeyMissing("send an Idempotency-Key: 8 to 255 visible ASCII characters")
    key = header[1:-1] if len(header) > 1 and header[0] == header[-1] == '"' else header
    if not _KEY.match(key):
        raise IdempotencyKeyMalformed("an Idempotency-Key is 8 to 255 visible ASCII characters")
    return key


def fingerprint_of(body: Any) -> str:
    """SHA-256 of a validated body: spacing and the order of fields don't matter."""
    canonical = json.dumps(body, sort_keys=True, separators=(",", ":"), ensure_ascii=True, default=str)
    return hashlib.sha256(canonical.encode()).hexdigest()


def answer_once(
    database: Database,
    clock: Clock,
    *,
    client: str,
    route: str,
    key: str,
    fingerprint: str,
    prepare: Callable[[], Any],
    work: Callable[[Session, Any], Answer],
) -> Answer:
    """Answer a request once. `prepare` runs outside any transaction (geometry), `work` inside the one that
    also stores its answer. Raises IdempotencyKeyReused, RequestInFlight, and whatever the two raise."""
    scope = {"client": client, "route": route, "key": key}

    now = clock()
    until = now + _IN_FLIGHT

    def claim(session: Session) -> Answer | None:
        if rows.insert(session, **scope, fingerprint=fingerprint, now=now, claimed_until=until):
            return None
        row = rows.find(session, client=client, route=route, key=key)
        if row is None:  # removed between the two looks: its first caller failed just now
            raise RequestInFlight("the first request with this key is being answered; try again")
        return _known(session, row, fingerprint, now=now, until=until)

    known = database.write(claim)
    if known is not None:
        return known
    try:
        prepared = prepare()

        def do(session: Session) -> Answer:
            row = rows.find(session, lock=True, client=client, route=route, key=key)
            if row is None or row.status is not None or row.claimed_until != until:
                raise RequestInFlight("another request with this key was faster; ask again for its answer")
            answer = work(session, prepared)
            row.status, row.body, row.headers = answer.status, answer.body, json.dumps(answer.headers)
            return answer

        return database.write(do)
    except BaseException:
        database.write(lambda session: rows.remove(session, **scope, claimed_until=until))
        raise


def create_once(
    database: Database,
    clock: Clock,
    *,
    client: str,
    route: str,
    header: str | None,
    body: Any,
    work: Callable[[Session], Answer],
) -> Answer:
    """Answer a POST that needs nothing but its transaction once per key. Raises as `answer_once` and
    `key_of`, and whatever `work` raises."""
    return answer_once(
        database,
        clock,
        client=client,
        route=route,
        key=key_of(header),
        fingerprint=fingerprint_of(body),
        prepare=lambda: None,
        work=lambda session, _: work(session),
    )


def _known(
    session: Session, row: IdempotentRequest, fingerprint: str, *, now: datetime, until: datetime
) -> Answer | None:
    if row.fingerprint != fingerprint:
        raise IdempotencyKeyReused("this Idempotency-Key came before, with another body")
    if row.status is not None:
        return Answer(row.status, row.body or "", json.loads(row.headers or "{}"), replayed=True)
    if rows.take_over(session, row, now=now, claimed_until=until):
        return None
    raise RequestInFlight("the first request with this key is still being answered")
