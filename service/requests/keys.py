"""API keys: shown once, stored hashed, scoped to a role and a client.

A storefront's key is published in the pages of a shop; it lists their origins, and may preview.

A store's test key stands in the sandbox's database (`service.shop.sandbox`) and reads `rcs_test_...`: by its
form it is looked for there and nowhere else.

A key reads `rcs_<role>_<8 characters>_<40 characters><7 of checksum>`: the prefix lets secret scanners find a
leaked key, the checksum rejects a mistyped one without asking the database. The secret has 238 random
bits, so a plain SHA-256 is enough; slow hashes are for what people choose.
"""

from __future__ import annotations

import hashlib
import hmac
import re
import secrets
import string
import zlib
from collections.abc import Iterable
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import Row
from sqlalchemy.orm import Session

from service.records.db import is_test
from service.records.errors import BadRequest, KeyUnknown
from service.records.moves import write_history
from service.records.tables import ApiKey
from service.records.who import By, Role, Who
from service.requests import key_rows as rows

_ALPHABET = string.ascii_letters + string.digits
#: In place of the role in a key for the sandbox, where there are stores alone.
_TEST = "test"
_ROLES = "|".join([*(role.value for role in Role), _TEST])
_KEY = re.compile(rf"^rcs_({_ROLES})_([A-Za-z0-9]{{8}})_([A-Za-z0-9]{{40}})([0-9a-z]{{7}})$", re.ASCII)
#: As a browser says where a page comes from (RFC 6454, 6.2): scheme, host, a port that is not the usual one.
_ORIGIN = re.compile(r"https?://[a-z0-9]([a-z0-9.-]*[a-z0-9])?(:[1-9]\d{0,4})?", re.ASCII)
_USUAL_PORTS = {"http": ":80", "https": ":443"}
MOST_ORIGINS = 20


def new_key(
    session: Session,
    role: Role,
    *,
    client: str,
    now: datetime,
    who: Who,
    expires_at: datetime | None = None,
    origins: Iterable[str] = (),
) -> str:
    """Store a new key and return it; it can't be shown again. Without `expires_at` it ends when revoked.

    `origins`: of a storefront's key, whose pages may ask with it. Raises BadRequest for a storefront without
    any, for another role with some, and for what is no origin.
    """
    listed = origins_of(role, origins)
    key_id, secret = _random(8), _random(40)
    row = ApiKey(
        role=role.value,
        client=client,
        key_id=key_id,
        secret_sha256=_hash(secret),
        created_at=now,
        expires_at=expires_at,
        origins=listed,
    )
    session.add(row)
    session.flush()
    _note(session, row, "made", By(who, now))
    body = f"rcs_{_word(session, role)}_{key_id}_{secret}"
    return body + _checksum(body)


def is_test_key(key: str) -> bool:
    """Whether a key, known or not, is one for the sandbox by its form."""
    return key.startswith(f"rcs_{_TEST}_")


def _word(session: Session, role: Role) -> str:
    """How a key of a role begins in this database. Raises BadRequest for one that the sandbox has not."""
    if not is_test(session):
        return role.value
    if role is not Role.STORE:
        raise BadRequest("a test key is a store's", field="role")
    return _TEST


def who_has(session: Session, key: str, *, now: datetime) -> Who:
    """Who a key belongs to. Raises KeyUnknown for a wrong, expired or revoked key, without saying which."""
    row = _matching(session, key)
    if row is None or not is_in_use(row, now=now):
        raise KeyUnknown("this key is not known")
    return Who(role=Role(row.role), client=row.client, name=row.client)


def revoke(session: Session, key_id: str, *, now: datetime, who: Who) -> None:
    """Take a key out of use. Raises KeyUnknown."""
    row = rows.by_key_id(session, key_id)
    if row is None:
        raise KeyUnknown("there is no key with this id")
    if row.revoked_at is None:
        row.revoked_at = now
        _note(session, row, "revoked", By(who, now))


def rotate(session: Session, key_id: str, *, now: datetime, overlap: timedelta, who: Who) -> str:
    """Another key for the same client and role; the old one holds for `overlap` more, no longer than it would
    have. Raises KeyUnknown for one that is not in use."""
    row = rows.by_key_id(session, key_id)
    if row is None or not is_in_use(row, now=now):
        raise KeyUnknown("there is no key in use with this id")
    made = new_key(
        session,
        Role(row.role),
        client=row.client,
        now=now,
        expires_at=row.expires_at,
        origins=row.origins,
        who=who,
    )
    ends = now + overlap
    row.expires_at = ends if row.expires_at is None else min(row.expires_at, ends)
    _note(session, row, "replaced", By(who, now))
    return made


def origins_of(role: Role, given: Iterable[str]) -> list[str]:
    """Origins as browsers write them, each once. Raises BadRequest (see `new_key`)."""
    listed = list(dict.fromkeys(map(_origin, filter(None, (one.strip() for one in given)))))
    if bool(listed) != (role is Role.STOREFRONT):
        raise BadRequest("a storefront's key, and no other, lists the origins of its pages", field="origins")
    if len(listed) > MOST_ORIGINS:
        raise BadRequest(f"a key lists up to {MOST_ORIGINS} origins", field="origins", most=MOST_ORIGINS)
    return listed


def _origin(given: str) -> str:
    """
    >>> _origin("https://Shop.example:443/")
    'https://shop.example'
    """
    origin = given.lower().removesuffix("/")
    if not _ORIGIN.fullmatch(origin):
        raise BadRequest(
            "an origin is a scheme, a host and perhaps a port, like https://shop.example", field="origins"
        )
    return origin.removesuffix(_USUAL_PORTS[origin.partition(":")[0]])


def is_in_use(row: ApiKey | Row[Any], *, now: datetime) -> bool:
    """Neither revoked nor past its time."""
    return row.revoked_at is None and (row.expires_at is None or row.expires_at > now)


def _note(session: Session, row: ApiKey, what: str, by: By) -> None:
    """What was done with a key, for the list of acts (`service.requests.act_rows`)."""
    ends = f", until {row.expires_at:%Y-%m-%d %H:%M}" if row.expires_at is not None else ""
    pages = f", pages of {', '.join(row.origins)}" if row.origins else ""
    why = f"{row.key_id}: {row.role} {row.client}{pages}{ends}"
    write_history(session, "key", row.id, what, by=by, why=why)


def _matching(session: Session, key: str) -> Row[Any] | None:
    parts = _KEY.match(key)
    if parts is None or not hmac.compare_digest(_checksum(key[:-7]), parts.group(4)):
        return None
    row = rows.found(session, parts.group(2))
    if row is None or not hmac.compare_digest(row.secret_sha256, _hash(parts.group(3))):
        return None
    return row if _word(session, Role(row.role)) == parts.group(1) else None


def _random(length: int) -> str:
    return "".join(secrets.choice(_ALPHABET) for _ in range(length))


def _hash(secret: str) -> str:
    return hashlib.sha256(secret.encode("ascii")).hexdigest()


def _checksum(body: str) -> str:
    """CRC-32 in base 36, seven characters."""
    value, digits = zlib.crc32(body.encode("ascii")), ""
    for _ in range(7):
        value, digit = divmod(value, 36)
        digits = (string.digits + string.ascii_lowercase)[digit] + digits
    return digits
