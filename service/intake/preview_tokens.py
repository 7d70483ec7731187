"""Tokens of previews: signed notes that the service showed a mark to somebody.

A token is no permission and may be used again: it says which store's page was shown which inscriptions on
which product, by which description of the shop, and the digest of what would be burned. An order line that
carries one is checked like any other (`shown_before`).
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any

from itsdangerous import BadData, URLSafeSerializer

from layout.shop.inscriptions import Inscription
from service.requests.inscription_answers import inscription_answer

LASTS = timedelta(days=7)


@dataclass(frozen=True, slots=True)
class Shown:
    """What a token says was shown; `inscriptions` as they are stored with an order line, `digest` that of
    `layout.pictures.preview.digest_of`."""

    client: str
    sku: str
    catalogue_version: str
    inscriptions: tuple[dict[str, Any], ...]
    digest: str
    until: datetime


def make(
    *,
    client: str,
    sku: str,
    catalogue_version: str,
    inscriptions: Sequence[Inscription],
    digest: str,
    secret: bytes,
    now: datetime,
) -> tuple[str, datetime]:
    """A token, and until when it is good."""
    until = (now + LASTS).replace(microsecond=0)
    asked = [inscription_answer(inscription).model_dump(mode="json") for inscription in inscriptions]
    said = [client, sku, catalogue_version, asked, digest, int(until.timestamp())]
    return str(_signer(secret).dumps(said)), until


def read(token: str, *, secret: bytes) -> Shown | None:
    """What a token says, however old it is; None for one that the service never made."""
    try:
        client, sku, version, asked, digest, ends = _signer(secret).loads(token)
    except BadData:
        return None
    return Shown(client, sku, version, tuple(asked), digest, datetime.fromtimestamp(ends, UTC))


def _signer(secret: bytes) -> URLSafeSerializer:
    """What it has not signed is never read."""
    return URLSafeSerializer(
        secret, salt="preview", signer_kwargs={"key_derivation": "hmac", "digest_method": hashlib.sha256}
    )
