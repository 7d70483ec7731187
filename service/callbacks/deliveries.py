"""Deliveries of events to stores, as Standard Webhooks 1.0.0 says
(https://github.com/standard-webhooks/standard-webhooks/blob/main/spec/standard-webhooks.md).

An event of a kind in `TOLD` becomes one delivery per callback in the transaction in which it happened
(`service.records.outgoing.tell`). Deliveries may arrive twice: a receiver keeps the `webhook-id`s it has
seen. What is told of one order arrives in the order in which it happened; several orders don't wait for each
other. What fails is sent again after the specification's own pauses, ten times in all over three days.
"""

from __future__ import annotations

import base64
import binascii
import hashlib
import hmac
import json
import random
import secrets
import time
from collections.abc import Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ThreadPoolExecutor, wait
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from email.utils import parsedate_to_datetime
from typing import Any

import structlog
from sqlalchemy.orm import Session

from service.callbacks import callback_rows as rows
from service.callbacks import guarded_post as posting
from service.callbacks.callback_rows import Shares
from service.callbacks.guarded_post import Answer
from service.records import ids
from service.records import outgoing as messages
from service.records.clock import APART, Clock
from service.records.counters import CALLBACK_ATTEMPTS
from service.records.db import Database
from service.records.errors import BadRequest, MoveNotAllowed, NotFound
from service.records.moves import write_history
from service.records.tables import Callback, Delivery, Event
from service.records.who import SWEEP, By, Role, Who

#: Pauses before each attempt (the specification's table); the first goes out at once.
SCHEDULE = tuple(
    timedelta(seconds=seconds) for seconds in (0, 5, 300, 1800, 7200, 18_000, 36_000, 50_400, 72_000, 86_400)
)
#: How long the old secret signs as well after a rotation.
ROTATION_WINDOW = timedelta(hours=24)
_LONGEST_WAIT = timedelta(hours=24)
_LEASE = timedelta(seconds=120)
#: Deliveries under way at once in one process, and of these to one receiver, to one that hangs, to one store:
#: however many receivers of a store hang, the others' deliveries go on.
_AT_ONCE = 16
_SHARES = Shares(callback=2, late=3, late_callback=1, client=4)
#: A round goes on while there is something to send, but no longer than this: a worker's run has its limit.
_ROUND_SECONDS = 60.0
_LOOK_AGAIN_SECONDS = 0.25
#: A receiver that was late several times in a row is left alone, longer each time.
_FIRST_REST, _LONGEST_REST = timedelta(seconds=30), timedelta(hours=1)
#: Callbacks in force that a store may have.
MOST_CALLBACKS = 10
#: Of each delivery so many of its last attempts are kept, with their time and answer.
MOST_TRIES = 10
_REMOVED = "removed"
_PREFIX = "whsec_"
_GONE = 410

log = structlog.get_logger(__name__)


# --- signing ---


def new_secret() -> str:
    """32 random bytes as the specification writes them."""
    return _PREFIX + base64.b64encode(secrets.token_bytes(32)).decode()


def sign(secret: str, *, message_id: str, timestamp: int, body: bytes) -> str:
    """One signature, `v1,` and the base64 HMAC-SHA256 of `id.timestamp.body`.

    Raises ValueError for a secret that is not `whsec_` and base64.
    """
    try:
        key = base64.b64decode(secret.removeprefix(_PREFIX), validate=True)
    except binascii.Error as error:
        raise ValueError("a secret is whsec_ and base64") from error
    signed = hmac.new(key, f"{message_id}.{timestamp}.".encode() + body, hashlib.sha256).digest()
    return "v1," + base64.b64encode(signed).decode()


def headers_of(callback: Callback, *, message_id: str, body: bytes, now: datetime) -> dict[str, str]:
    """The headers of one attempt. While a rotation is fresh both secrets sign."""
    timestamp = int(now.timestamp())
    in_force = [callback.secret]
    until = previous_until(callback)
    if callback.previous_secret and until is not None and now < until:
        in_force.append(callback.previous_secret)
    return {
        "content-type": "application/json",
        "user-agent": "ricasso-callbacks/1",
        "webhook-id": message_id,
        "webhook-timestamp": str(timestamp),
        "webhook-signature": " ".join(
            sign(secret, message_id=message_id, timestamp=timestamp, body=body) for secret in in_force
        ),
    }


def previous_until(callback: Callback) -> datetime | None:
    """Until when the secret before the last rotation signs as well; None when there was none."""
    return callback.rotated_at + ROTATION_WINDOW if callback.rotated_at is not None else None


def body_of(event: Event) -> bytes:
    """The event as JSON, thin: its type, when, and ids. A store fetches the rest with its key."""
    message = {"type": event.type, "timestamp": event.at.astimezone(UTC).isoformat(), "data": event.data}
    return json.dumps(message, separators=(",", ":"), sort_keys=True).encode()


# --- use cases ---


def register(
    session: Session, url: str, *, client: str | None, by: By, loopback_allowed: bool = False
) -> Callback:
    """A new callback with a secret of its own, told a `ping` at once. A store registers for itself, the owner
    for any store.

    Raises BadRequest.
    """
    wrong = posting.check_url(url, loopback_allowed=loopback_allowed)
    if wrong:
        raise BadRequest(f"the callback address {wrong}", field="url")
    if by.who.role is Role.STORE and client not in (None, by.who.client):
        raise BadRequest("a store registers callbacks for itself only", field="client")
    if by.who.role is not Role.STORE and not client:
        raise BadRequest("name the store whose events go there", field="client")
    if rows.count_in_force(session, client or by.who.client) >= MOST_CALLBACKS:
        raise BadRequest(
            f"a store may have {MOST_CALLBACKS} callbacks in force; remove one first", field="url"
        )
    callback = Callback(
        client=client or by.who.client, url=url, secret=new_secret(), created_at=by.at, previous_secret=None
    )
    session.add(callback)
    session.flush()
    _note(session, callback, "added", by)
    ping(session, callback, by=by)
    return callback


def ping(session: Session, callback: Callback, *, by: By) -> None:
    """Send something that says nothing, signed like everything else, so that a receiver can be tried. Raises
    MoveNotAllowed for a callback to which nothing is sent."""
    if callback.disabled_at is not None:
        raise MoveNotAllowed("nothing is sent to this callback any more")
    messages.try_callback(session, callback, named=ids.public(ids.CALLBACK, callback.id), now=by.at)


def find(session: Session, identity: str, *, who: Who) -> Callback:
    """The callback of that id, if the caller may see it. Raises NotFound."""
    callback = rows.get(session, ids.number(ids.CALLBACK, identity), client=who.sees_client)
    if callback is None:
        raise NotFound(f"no such callback: {identity}", id=identity)
    return callback


def listed(session: Session, *, who: Who) -> Sequence[Callback]:
    """The callbacks the caller may see."""
    return rows.all_of(session, client=who.sees_client)


def rotate(session: Session, callback: Callback, *, by: By) -> Callback:
    """A new secret; the old one signs as well for `ROTATION_WINDOW`."""
    callback.previous_secret, callback.secret, callback.rotated_at = callback.secret, new_secret(), by.at
    session.flush()
    _note(session, callback, "new_secret", by)
    return callback


def remove(session: Session, callback: Callback, *, by: By) -> None:
    """Send nothing there any more, not even on request."""
    if rows.disable(session, callback.id, now=by.at, why=_REMOVED):
        _note(session, callback, "removed", by)


def _note(session: Session, callback: Callback, what: str, by: By) -> None:
    """What was done with a callback, for the list of acts (`service.requests.act_rows`)."""
    why = f"{ids.public(ids.CALLBACK, callback.id)}: {callback.client}, {callback.url}"
    write_history(session, "callback", callback.id, what, by=by, why=why)


def resend(session: Session, callback: Callback, *, by: By, only: Sequence[int] | None = None) -> int:
    """Start the schedule again for everything undelivered (or for the deliveries named); returns how many.

    Enables a disabled callback: whoever asks has seen to the receiver. Raises MoveNotAllowed for a removed
    one.
    """
    if callback.disabled_why == _REMOVED:
        raise MoveNotAllowed("this callback was removed; add its address again")
    callback.disabled_at = callback.disabled_why = callback.rests_until = None
    session.flush()
    _note(session, callback, "sent_again", by)
    return rows.make_due(session, callback.id, now=by.at, only=only)


def count_anew(session: Session, *, now: datetime) -> int:
    """Bring back to now what a clock wrote that has been set back since; returns how many rows."""
    return rows.count_anew(
        session,
        now=now,
        claims_until=now + _LEASE + APART,
        rests_until=now + _LONGEST_REST + APART,
        latest=now + 1.1 * max(*SCHEDULE, _LONGEST_WAIT) + APART,
    )


# --- sending ---


@dataclass(frozen=True, slots=True)
class _Parcel:
    """One attempt, free of the session it was read in."""

    delivery_id: int
    attempt: int
    tries: list[dict[str, Any]]
    callback: Callback
    event: Event


def send_due(database: Database, *, clock: Clock, loopback_allowed: bool = False) -> int:
    """Send what is due, several at a time, until nothing is left; returns how many were tried.

    While some receivers take their time the others' deliveries go on: what becomes due meanwhile is begun as
    soon as a place is free.
    """
    parcels = _claim(database, _AT_ONCE, now=clock())
    if not parcels:
        return 0
    tried, ends = 0, time.monotonic() + _ROUND_SECONDS
    under_way: set[Future[None]] = set()
    with ThreadPoolExecutor(_AT_ONCE, thread_name_prefix="ricasso-callback") as pool:
        while parcels or under_way:
            under_way |= {
                pool.submit(_deliver, database, parcel, clock=clock, loopback_allowed=loopback_allowed)
                for parcel in parcels
            }
            tried += len(parcels)
            done, under_way = wait(under_way, timeout=_LOOK_AGAIN_SECONDS, return_when=FIRST_COMPLETED)
            for delivery in done:
                delivery.result()
            free = _AT_ONCE - len(under_way) if time.monotonic() < ends else 0
            parcels = _claim(database, free, now=clock()) if free else []
    return tried


def _claim(database: Database, most: int, *, now: datetime) -> list[_Parcel]:
    claimed = database.write(
        lambda session: rows.claim_due(session, now=now, until=now + _LEASE, limit=most, shares=_SHARES)
    )
    return [
        _Parcel(delivery.id, delivery.attempts, delivery.tries, callback, event)
        for delivery, event, callback in claimed
    ]


def _deliver(database: Database, parcel: _Parcel, *, clock: Clock, loopback_allowed: bool) -> None:
    answer = _send(parcel, now=clock(), loopback_allowed=loopback_allowed)
    _record(database, parcel, answer, now=clock())


def _send(parcel: _Parcel, *, now: datetime, loopback_allowed: bool) -> Answer:
    body = body_of(parcel.event)
    headers = headers_of(parcel.callback, message_id=f"ev_{parcel.event.id}", body=body, now=now)
    return posting.post(parcel.callback.url, headers=headers, body=body, loopback_allowed=loopback_allowed)


def _record(database: Database, parcel: _Parcel, answer: Answer, *, now: datetime) -> None:
    log.info(
        "callback_sent",
        callback=parcel.callback.id,
        event_id=parcel.event.id,
        attempt=parcel.attempt,
        status=answer.status,
        error=answer.error,
    )
    outcome = "delivered" if 200 <= answer.status < 300 else "too_late" if answer.is_late else "failed"
    if not database.is_test:
        CALLBACK_ATTEMPTS.labels(outcome).inc()
    database.write(lambda session: _write_outcome(session, parcel, answer, now=now))


def _write_outcome(session: Session, parcel: _Parcel, answer: Answer, *, now: datetime) -> None:
    _note_manners(session, parcel.callback.id, answer, now=now)
    this_one = {"at": now.isoformat(), "status": answer.status or None, "error": answer.error}
    tries = [*parcel.tries, this_one][-MOST_TRIES:]
    if 200 <= answer.status < 300:  # 3xx is a failure: a redirect is never followed
        rows.record(
            session,
            parcel.delivery_id,
            attempt=parcel.attempt,
            delivered_at=now,
            next_at=None,
            last_status=answer.status,
            last_error=None,
            tries=tries,
        )
        return
    if answer.status == _GONE:
        _disable(session, parcel.callback, now=now, why="its receiver answered 410 Gone")
    next_at = next_attempt(parcel.attempt, answer, now=now)
    kept = rows.record(
        session,
        parcel.delivery_id,
        attempt=parcel.attempt,
        next_at=next_at,
        last_status=answer.status or None,
        last_error=answer.error,
        tries=tries,
    )
    if kept and next_at is None:
        # Three days of schedule are over. If nothing else got through meanwhile, nothing will.
        success = rows.last_success(session, parcel.callback.id)
        if success is None or success < now - sum(SCHEDULE, timedelta()):
            _disable(session, parcel.callback, now=now, why="nothing could be delivered for three days")


def _note_manners(session: Session, callback_id: int, answer: Answer, *, now: datetime) -> None:
    """Leave a receiver alone that keeps senders waiting; any answer ends that."""
    if not answer.is_late:
        rows.note_answer(session, callback_id)
        return
    beyond = rows.note_late(session, callback_id) - _SHARES.late
    if beyond >= 0:
        pause = min(_FIRST_REST * 2 ** min(beyond, 16), _LONGEST_REST)
        rows.let_rest(session, callback_id, until=now + pause)


def _disable(session: Session, callback: Callback, *, now: datetime, why: str) -> None:
    if rows.disable(session, callback.id, now=now, why=why):
        messages.tell(
            session,
            "callback.disabled",
            client=SWEEP.client,
            now=now,
            callback=ids.public(ids.CALLBACK, callback.id),
            why=why,
        )


def next_attempt(
    attempt: int, answer: Answer, *, now: datetime, jitter: float | None = None
) -> datetime | None:
    """When to try again after attempt number `attempt` (1 is the first) failed; None: never.

    `jitter` in 0..1 spreads the tries over a tenth of the pause; left out, it is drawn by chance.
    """
    if attempt >= len(SCHEDULE):
        return None
    spread = random.random() if jitter is None else jitter  # noqa: S311  not a secret
    pause = SCHEDULE[attempt] * (1 + 0.1 * spread)
    retry_after = _retry_after(answer.retry_after, now=now)
    return now + max(pause, min(retry_after, _LONGEST_WAIT))


def _retry_after(value: str | None, *, now: datetime) -> timedelta:
    """RFC 9110, 10.2.3: seconds or a date. Anything else asks for nothing."""
    if not value:
        return timedelta(0)
    if value.strip().isdecimal() and len(value) < 10:
        return timedelta(seconds=int(value))
    try:
        at = parsedate_to_datetime(value)
    except ValueError:
        return timedelta(0)
    return (at if at.tzinfo else at.replace(tzinfo=UTC)) - now


def delivery_id(identity: str) -> int:
    """The row's number of a public delivery id (`DV12`)."""
    return ids.number("DV", identity)


def public_delivery(delivery: Delivery) -> str:
    return ids.public("DV", delivery.id)
