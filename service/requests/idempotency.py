"""Idempotency-Key: the same key and body get the same answer, whatever happened in between.

The key is claimed in a small transaction of its own, so that a second caller is told 409 while the first
is still at work; the answer is stored in the transaction that does the work, so that either both exist or
neither. A claim is short and its owner keeps it alive while he works: work of any length is never taken
over, and the claim of an owner that was killed lapses within seconds.
"""

from __future__ import annotations

import hashlib
import json
import math
import re
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from types import TracebackType
from typing import Any, Self, TypedDict

import structlog
from sqlalchemy.exc import SQLAlchemyError
from sqlalchemy.orm import Session

from service.records.clock import APART, Clock
from service.records.db import Database
from service.records.errors import (
    IdempotencyKeyMalformed,
    IdempotencyKeyMissing,
    IdempotencyKeyReused,
    Refusal,
    RequestInFlight,
)
from service.records.new_rows import NOTHING, Filled, Premise
from service.records.tables import IdempotentRequest
from service.requests import idempotency_rows as rows
from service.requests.answers import AnswerBody

_KEY = re.compile(r"^[\x21-\x7e]{8,255}$", re.ASCII)
#: How long a claim lasts that nobody keeps alive. Its owner renews it several times within that.
CLAIM_LASTS = timedelta(seconds=6)
_RENEW_SECONDS = 1.5

log = structlog.get_logger(__name__)


class _KeptAnswer(TypedDict):
    status: int
    headers: str
    body: str


@dataclass(frozen=True, slots=True)
class Answer:
    """A stored or new answer; `body` is the exact text that goes out."""

    status: int
    body: str
    headers: dict[str, str]
    replayed: bool = False
    #: What is kept for the same key instead of `body`, where that holds a secret.
    kept: str | None = None
    #: New rows of what was made, to be written with the answer.
    rows: Filled = NOTHING
    #: What the answer rests on besides its claim, where it is given at once (`answer_once`).
    premises: Sequence[Premise] = ()


def created(
    body: AnswerBody,
    headers: dict[str, str],
    *,
    kept: AnswerBody | None = None,
    rows: Filled = NOTHING,
    premises: Sequence[Premise] = (),
) -> Answer:
    """A new answer of something made: its JSON text is kept and goes out byte for byte. `kept`: what is kept
    instead, where the answer holds a secret. `rows`: of what was made, to be written with the answer, where
    the `premises` hold."""
    kept_text = kept.model_dump_json() if kept else None
    return Answer(201, body.model_dump_json(), headers, kept=kept_text, rows=rows, premises=premises)


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
    prepare: Callable[[], Any] | None,
    work: Callable[[Session, Any], Answer],
    at_once: Callable[[Session, Any], Answer] | None = None,
) -> Answer:
    """Answer a request once. `prepare` runs outside any transaction (geometry; None: nothing to prepare),
    `work` inside the one that also stores its answer. Raises IdempotencyKeyReused, RequestInFlight, and
    whatever the two raise.

    `at_once` changes nothing and gives the same answer with what it rests on: one statement then looks
    whether all of that holds, and writes it, on PostgreSQL. Where it does not hold, `work` is done."""
    scope = {"client": client, "route": route, "key": key}

    now = clock()
    until = now + CLAIM_LASTS

    def claim(session: Session) -> Answer | int:
        mine = rows.insert(session, **scope, fingerprint=fingerprint, now=now, claimed_until=until)
        if mine is not None:
            return mine
        row = rows.find(session, client=client, route=route, key=key)
        if row is None:  # removed between the two looks: its first caller failed just now
            raise RequestInFlight(
                "the first request with this key is being answered; try again", retry_after_s=1
            )
        return _known(session, row, fingerprint, now=now, until=until)

    claimed = database.write_singly(claim)
    if isinstance(claimed, Answer):
        return claimed
    mine = claimed
    kept = _Kept(database, clock, scope, until)
    try:
        if prepare is None:
            prepared = None
        else:
            with kept:
                prepared = prepare()

        if at_once is not None and not database.is_sqlite:
            give = at_once

            def do_at_once(session: Session) -> Answer | None:
                answer = give(session, prepared)
                is_given = rows.answer_where_held(
                    session,
                    mine,
                    claimed_until=kept.until,
                    rows=answer.rows,
                    premises=answer.premises,
                    **_kept_of(answer),
                )
                return answer if is_given else None

            given = database.write_singly(do_at_once)
            if given is not None:
                return given

        def do(session: Session) -> Answer:
            if not rows.is_held(session, mine, claimed_until=kept.until):
                raise RequestInFlight(
                    "another request with this key was faster; ask again for its answer", retry_after_s=1
                )
            answer = work(session, prepared)
            rows.answer(session, mine, rows=answer.rows, **_kept_of(answer))
            return answer

        return database.write(do)
    except BaseException:
        database.write(lambda session: rows.remove(session, **scope, claimed_until=kept.until))
        raise


def _kept_of(answer: Answer) -> _KeptAnswer:
    """What is kept of an answer."""
    body = answer.body if answer.kept is None else answer.kept
    return {"status": answer.status, "headers": json.dumps(answer.headers), "body": body}


class _Kept:
    """A claim kept alive by its owner's process, and by nothing else: it lapses soon after that has died."""

    def __init__(self, database: Database, clock: Clock, scope: dict[str, str], until: datetime) -> None:
        self.until = until
        self._database, self._clock, self._scope = database, clock, scope
        self._begun = time.monotonic()
        self._renewing = threading.Lock()
        self._is_over = False

    def __enter__(self) -> Self:
        _KEEPER.take(self)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        _KEEPER.leave(self)
        with self._renewing:  # a renewal that is under way decides until when the claim is ours
            self._is_over = True

    @property
    def rested(self) -> float:
        """Seconds since the claim was made."""
        return time.monotonic() - self._begun

    def renew(self) -> None:
        with self._renewing:
            if self._is_over:
                return
            until = self._clock() + CLAIM_LASTS
            try:
                is_ours = self._database.write(
                    lambda session: rows.renew(session, **self._scope, claimed_until=self.until, until=until)
                )
            except (Refusal, SQLAlchemyError) as error:
                # There are more tries before the claim lapses, and the answer's own write is guarded.
                log.warning("claim_not_renewed", kind=type(error).__name__)
                return
            if is_ours:
                self.until = until
            else:
                self._is_over = True  # it lapsed and somebody took it over: `do` will find that out


class _Keeper:
    """Renews the claims that this process works at. One thread for all of them: most are answered before they
    need it, and a thread for each would cost more than their claim does."""

    def __init__(self) -> None:
        self._claims: set[_Kept] = set()
        self._changed = threading.Condition()
        self._thread: threading.Thread | None = None

    def take(self, claim: _Kept) -> None:
        with self._changed:
            self._claims.add(claim)
            if self._thread is None or not self._thread.is_alive():  # also in a process that was forked
                self._thread = threading.Thread(target=self._keep, name="ricasso-claims", daemon=True)
                self._thread.start()

    def leave(self, claim: _Kept) -> None:
        with self._changed:
            self._claims.discard(claim)

    def _keep(self) -> None:
        while True:
            time.sleep(_RENEW_SECONDS)
            with self._changed:
                due = [claim for claim in self._claims if claim.rested >= _RENEW_SECONDS]
            for claim in due:
                claim.renew()


_KEEPER = _Keeper()


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
        prepare=None,
        work=lambda session, _: work(session),
    )


def _known(
    session: Session, row: IdempotentRequest, fingerprint: str, *, now: datetime, until: datetime
) -> Answer | int:
    """The answer to a claim that is there, or its number where its owner has gone and it is ours now."""
    if row.fingerprint != fingerprint:
        raise IdempotencyKeyReused("this Idempotency-Key came before, with another body")
    if row.status is not None:
        return Answer(row.status, row.body or "", json.loads(row.headers or "{}"), replayed=True)
    if rows.take_over(session, row, now=now, made_ahead=now + CLAIM_LASTS + APART, claimed_until=until):
        return row.id
    left_s = max(1, math.ceil((row.claimed_until - now).total_seconds()))
    raise RequestInFlight(
        "the first request with this key is still being answered",
        retry_after_s=min(left_s, int(CLAIM_LASTS.total_seconds())),
    )
