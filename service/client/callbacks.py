"""Reading a callback: only what the service signed, and signed now.

Signatures are those of Standard Webhooks 1.0.0
(https://github.com/standard-webhooks/standard-webhooks/blob/main/spec/standard-webhooks.md).
"""

from __future__ import annotations

import base64
import binascii
import hashlib
import hmac
import json
import time
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

_PREFIX, _VERSION = "whsec_", "v1"
#: How far a callback's time may be from ours, in seconds: what is older may be an old one sent again by
#: somebody who kept it.
TOLERANCE_S = 300


class NotSigned(Exception):
    """The callback is not the service's, or not of now: answer 401 and do nothing."""


@dataclass(frozen=True, slots=True)
class Event:
    """What happened. The same event may come twice: keep the ids that were worked in. `data` holds ids
    alone, `order` and `order_ref` at least, or those of what a `ping` tries; read the rest with the key."""

    id: str
    type: str
    timestamp: str
    data: Mapping[str, Any]


def verified(body: bytes, headers: Mapping[str, str], *secrets: str, now: float | None = None) -> Event:
    """The event in a callback's body, exactly as its bytes came.

    `secrets` are those in force: after a rotation the new and the old one. `now` is in seconds since 1970.
    Raises NotSigned. Raises ValueError for a secret that is none.

    >>> secret = "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw"
    >>> body = b'{"type":"order.released","timestamp":"2026-12-01T09:00:00+00:00","data":{"order":"O1"}}'
    >>> headers = {
    ...     "Webhook-Id": "ev_1",
    ...     "Webhook-Timestamp": "1796115600",
    ...     "Webhook-Signature": "v1,uFDifnqzEJHXB6zDbD2NyAttVYToTmU2C8gPcLEUzTU=",
    ... }
    >>> verified(body, headers, secret, now=1796115601).data
    {'order': 'O1'}
    """
    named = {name.lower(): value for name, value in headers.items()}
    try:
        identity, sent = named["webhook-id"], int(named["webhook-timestamp"])
        signatures = list(_signatures(named["webhook-signature"]))
    except (KeyError, ValueError) as error:
        raise NotSigned("a header is missing or is none") from error
    if abs((time.time() if now is None else now) - sent) > TOLERANCE_S:
        raise NotSigned("the callback is too old, or a clock is wrong")
    signed = f"{identity}.{sent}.".encode() + body
    wanted = [hmac.digest(_key(secret), signed, hashlib.sha256) for secret in secrets]
    if not any(hmac.compare_digest(one, other) for one in wanted for other in signatures):
        raise NotSigned("no signature is one of ours")
    said = json.loads(body)
    return Event(identity, said["type"], said["timestamp"], said["data"])


def _signatures(header: str) -> Iterator[bytes]:
    """Those of the version that is known here. Raises ValueError."""
    for one in header.split():
        version, _, signature = one.partition(",")
        if version == _VERSION:
            yield base64.b64decode(signature, validate=True)


def _key(secret: str) -> bytes:
    try:
        return base64.b64decode(secret.removeprefix(_PREFIX), validate=True)
    except binascii.Error as error:
        raise ValueError("a secret is whsec_ and base64") from error
