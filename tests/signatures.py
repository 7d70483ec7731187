"""A receiver's look at the signature of a callback."""

from __future__ import annotations

import base64
import hashlib
import hmac
from collections.abc import Mapping


def verifies(secret: str, headers: Mapping[str, str], body: bytes) -> bool:
    """Whether one of the signatures is that of this secret: the receiver's side, written from the
    specification (Standard Webhooks 1.0.0), not from the sender's code."""
    key = base64.b64decode(secret.split("_", 1)[1])
    content = b".".join([headers["webhook-id"].encode(), headers["webhook-timestamp"].encode(), body])
    expected = base64.b64encode(hmac.digest(key, content, hashlib.sha256)).decode()
    return any(
        hmac.compare_digest(candidate, f"v1,{expected}")
        for candidate in headers["webhook-signature"].split(" ")
    )
