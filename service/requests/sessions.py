"""Signed-in browsers: a key is shown once and becomes a cookie that names it, signed, until the shift ends.

The cookie holds no key. It is signed with the service's own secret (a file in the data folder, so that it
outlives a restart) together with the key's stored hash: a key that is revoked or expired ends all its
sessions at once. Signing out ends one session: the database remembers its cookie's digest until its time is
over. A form's token is derived from the cookie, so that no other site can know it.
"""

from __future__ import annotations

import hashlib
import hmac
import os
import re
import secrets
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

from itsdangerous import BadData, URLSafeSerializer
from sqlalchemy.orm import Session

from service.records.errors import KeyUnknown
from service.records.tables import ApiKey, EndedSession
from service.records.who import Role, Who
from service.requests import key_rows as rows
from service.requests import keys

COOKIE = "ricasso_session"
#: The header by which a script proves that it runs on one of our own pages.
TOKEN_HEADER = "X-Form-Token"  # noqa: S105  the name of a header
LASTS = timedelta(hours=12)
#: What signs sessions and proof links, in the data folder.
SECRET_FILE = "session.secret"  # noqa: S105  its name
_SECRET_BYTES = 32
_KEY_ID = re.compile(r"^[A-Za-z0-9]{8}$", re.ASCII)
_SIGNED_WITH = {"key_derivation": "hmac", "digest_method": hashlib.sha256}


@dataclass(frozen=True, slots=True)
class SignedIn:
    """Who a browser acts for, and the token that its forms must carry."""

    who: Who
    token: str


def secret_of(data: Path) -> bytes:
    """The service's secret, made once per data folder and readable by its owner only.

    Several servers must share it (the same data folder), or a session of one is unknown to the other.
    """
    path = data / SECRET_FILE
    try:
        handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    except FileExistsError:
        return _whole(path)
    with os.fdopen(handle, "wb") as file:
        file.write(secrets.token_bytes(_SECRET_BYTES))
    return _whole(path)


def sign_in(session: Session, key: str, *, name: str, secret: bytes, now: datetime) -> str:
    """The cookie's value for a key. Raises KeyUnknown."""
    who = keys.who_has(session, key.strip(), now=now)
    key_id = key.strip().split("_")[2]
    row = rows.by_key_id(session, key_id)
    assert row is not None
    ends = int((now + LASTS).timestamp())
    signed = _signer(secret, row).dumps([name[:60] or who.name, ends, secrets.token_hex(4)])
    return f"{key_id}.{signed}"


def signed_in(session: Session, cookie: str, *, secret: bytes, now: datetime) -> SignedIn:
    """Who a cookie stands for. Raises KeyUnknown for a forged, expired or revoked one, without saying
    which."""
    key, name, _ = _opened(session, cookie, secret=secret, now=now)
    who = Who(role=Role(key.role), client=key.client, name=name)
    return SignedIn(who, token_of(secret, cookie))


def sign_out(session: Session, cookie: str, *, secret: bytes, now: datetime) -> None:
    """End the session of a cookie, wherever copies of it are. Raises KeyUnknown as `signed_in` does."""
    _, _, until = _opened(session, cookie, secret=secret, now=now)
    session.add(EndedSession(digest=_digest(cookie), until=until))


def _opened(session: Session, cookie: str, *, secret: bytes, now: datetime) -> tuple[ApiKey, str, datetime]:
    """The cookie's key, the person's name, and when the session ends by itself."""
    key_id, _, signed = cookie.partition(".")
    row = rows.by_key_id(session, key_id) if _KEY_ID.match(key_id) else None
    if row is None:
        raise KeyUnknown("sign in again")
    try:
        name, ends, _ = _signer(secret, row).loads(signed)
    except BadData:
        raise KeyUnknown("sign in again") from None
    if (
        ends <= now.timestamp()
        or row.revoked_at is not None
        or (row.expires_at is not None and row.expires_at <= now)
        or rows.is_ended(session, _digest(cookie))
    ):
        raise KeyUnknown("sign in again")
    return row, name, datetime.fromtimestamp(ends, tz=now.tzinfo)


def _signer(secret: bytes, key: ApiKey) -> URLSafeSerializer:
    """Signs the sessions of one key. What it has not signed is never read: a forgery can hold anything."""
    return URLSafeSerializer(secret, salt=f"session {key.secret_sha256}", signer_kwargs=_SIGNED_WITH)


def _digest(cookie: str) -> str:
    return hashlib.sha256(cookie.encode()).hexdigest()


def token_of(secret: bytes, cookie: str) -> str:
    """The token that every form of that session carries."""
    return hmac.new(secret, b"form token\n" + cookie.encode(), hashlib.sha256).hexdigest()[:40]


def is_token(given: str, token: str) -> bool:
    """Whether a form came from a page of this sign-in."""
    return hmac.compare_digest(given.encode(), token.encode())


def _whole(path: Path) -> bytes:
    """The secret, read again until another process that is writing it has finished. Raises OSError."""
    for _ in range(1000):
        secret = path.read_bytes()
        if len(secret) == _SECRET_BYTES:
            return secret
    raise OSError(f"{path} is not a secret of {_SECRET_BYTES} bytes; remove it to have a new one made")
