"""Tells stores what happened, as Standard Webhooks 1.0.0 says
(https://github.com/standard-webhooks/standard-webhooks/blob/main/spec/standard-webhooks.md).

An event of a kind in `TOLD` becomes one delivery per callback in the transaction in which it happened
(`service.records.outgoing.tell`). Deliveries may arrive twice and in any order: a receiver keeps the
`webhook-id`s it has seen. What fails is sent again after the specification's own pauses, ten times in all
over three days.
"""

from __future__ import annotations

import base64
import binascii
import hashlib
import hmac
import json
import random
import secrets
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from email.utils import parsedate_to_datetime

import structlog
from sqlalchemy.orm import Session

from service.callbacks import callback_rows as rows
from service.callbacks import guarded_post as posting
from service.callbacks.guarded_post import Answer
from service.records import ids
from service.records import outgoing as messages
from service.records.clock import Clock
from service.records.db import Database
from service.records.errors import BadRequest, NotFound
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
# Eight at a time, fifteen seconds at the most each: a batch ends within a worker's soft limit.
_BATCH = 32
_AT_ONCE = 8
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
    """Thin: what happened, when, and the ids. The words are fetched by whoever may read them."""
    told = {"type": event.type, "timestamp": event.at.astimezone(UTC).isoformat(), "data": event.data}
    return json.dumps(told, separators=(",", ":"), sort_keys=True).encode()


# --- use cases ---


def register(
    session: Session, url: str, *, client: str | None, by: By, loopback_allowed: bool = False
) -> Callback:
    """A new callback with a secret of its own. A store registers for itself, the owner for any store."""
    wrong = posting.check_url(url, loopback_allowed=loopback_allowed)
    if wrong:
        raise BadRequest(f"the callback address {wrong}", field="url")
    if by.who.role is Role.STORE and client not in (None, by.who.client):
        raise BadRequest("a store registers callbacks for itself only", field="client")
    if by.who.role is not Role.STORE and not client:
        raise BadRequest("name the store whose events go there", field="client")
    callback = Callback(
        client=client or by.who.client, url=url, secret=new_secret(), created_at=by.at, previous_secret=None
    )
    session.add(callback)
    session.flush()
    return callback


def find(session: Session, identity: str, *, who: Who) -> Callback:
    """The callback of that id, if the caller may see it. Raises NotFound."""
    found = rows.get(session, ids.number(ids.CALLBACK, identity), client=who.sees_client)
    if found is None:
        raise NotFound(f"no such callback: {identity}", id=identity)
    return found


def listed(session: Session, *, who: Who) -> Sequence[Callback]:
    """The callbacks the caller may see."""
    return rows.all_of(session, client=who.sees_client)


def rotate(session: Session, callback: Callback, *, now: datetime) -> Callback:
    """A new secret; the old one signs as well for `ROTATION_WINDOW`."""
    callback.previous_secret, callback.secret, callback.rotated_at = callback.secret, new_secret(), now
    session.flush()
    return callback


def remove(session: Session, callback: Callback, *, now: datetime) -> None:
    """Send nothing there any more."""
    rows.disable(session, callback.id, now=now, why="removed")


def resend(session: Session, callback: Callback, *, now: datetime, only: Sequence[int] | None = None) -> int:
    """Begin the schedule again for all that was not delivered (or for those named); gives how many.

    A callback that was disabled is tried again: whoever asks has seen to the receiver.
    """
    callback.disabled_at = callback.disabled_why = None
    session.flush()
    return rows.make_due(session, callback.id, now=now, only=only)


# --- sending ---


@dataclass(frozen=True, slots=True)
class _Parcel:
    """One attempt, free of the session it was read in."""

    delivery_id: int
    attempt: int
    callback: Callback
    event: Event


def send_due(database: Database, *, clock: Clock, loopback_allowed: bool = False, batch: int = _BATCH) -> int:
    """Send what is due, several at a time; gives how many were tried."""
    now = clock()
    claimed = database.write(
        lambda session: rows.claim_due(session, now=now, until=now + _LEASE, limit=batch)
    )
    parcels = [
        _Parcel(delivery.id, delivery.attempts, callback, event) for delivery, event, callback in claimed
    ]
    if not parcels:
        return 0
    with ThreadPoolExecutor(min(_AT_ONCE, len(parcels)), thread_name_prefix="ricasso-callback") as pool:
        answers = pool.map(
            lambda parcel: _send(parcel, now=clock(), loopback_allowed=loopback_allowed), parcels
        )
        for parcel, answer in zip(parcels, answers, strict=True):
            _record(database, parcel, answer, now=clock())
    return len(parcels)


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
    database.write(lambda session: _write_outcome(session, parcel, answer, now=now))


def _write_outcome(session: Session, parcel: _Parcel, answer: Answer, *, now: datetime) -> None:
    if 200 <= answer.status < 300:  # 3xx is a failure: a redirect is never followed
        rows.record(
            session,
            parcel.delivery_id,
            attempt=parcel.attempt,
            delivered_at=now,
            next_at=None,
            last_status=answer.status,
            last_error=None,
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
    )
    if kept and next_at is None:
        # Three days of schedule are over. If nothing else got through meanwhile, nothing will.
        success = rows.last_success(session, parcel.callback.id)
        if success is None or success < now - sum(SCHEDULE, timedelta()):
            _disable(session, parcel.callback, now=now, why="nothing could be delivered for three days")


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
    asked = _retry_after(answer.retry_after, now=now)
    return now + max(pause, min(asked, _LONGEST_WAIT))


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
