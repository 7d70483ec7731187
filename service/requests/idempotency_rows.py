"""Remembered answers to POSTs that create."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

from sqlalchemy import bindparam, delete, or_, select, update
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.orm import Session

from service.records.db import as_part, send
from service.records.new_rows import Change, Filled, Premise, put_all, put_where
from service.records.tables import IdempotentRequest

# Built once, for they are part of every order: to build a statement takes longer than to send it.
_REQUESTS: Any = IdempotentRequest.__table__
_CLAIM: Mapping[str, Any] = {
    dialect.__name__.rpartition(".")[2]: dialect.insert(_REQUESTS)
    .on_conflict_do_nothing()
    .returning(_REQUESTS.c.id)
    for dialect in (postgresql, sqlite)
}
_HELD = (
    select(_REQUESTS.c.id)
    .where(
        _REQUESTS.c.id == bindparam("of_claim"),
        _REQUESTS.c.claimed_until == bindparam("until"),
        _REQUESTS.c.status.is_(None),
    )
    .with_for_update()
)
_HELD_AS_PREMISE, _ = as_part(_HELD)
#: How what is written with an answer names the premise that its claim is held.
CLAIM = "claim"


def insert(
    session: Session,
    *,
    client: str,
    route: str,
    key: str,
    fingerprint: str,
    now: datetime,
    claimed_until: datetime,
) -> int | None:
    """Claim a key; gives the claim's number, or None when the key is claimed already."""
    values = {
        "client": client,
        "route": route,
        "key": key,
        "fingerprint": fingerprint,
        "created_at": now,
        "claimed_until": claimed_until,
    }
    return send(session, _CLAIM[session.get_bind().dialect.name], values).scalar_one_or_none()


def find(session: Session, *, client: str, route: str, key: str) -> IdempotentRequest | None:
    """The claim or answer under a key."""
    wanted = select(IdempotentRequest).where(
        IdempotentRequest.client == client, IdempotentRequest.route == route, IdempotentRequest.key == key
    )
    return session.scalars(wanted).one_or_none()


def is_held(session: Session, claim: int, *, claimed_until: datetime) -> bool:
    """Whether a claim is unanswered and reaches until then; otherwise it has lapsed, or is somebody else's by
    now. Others can't change it until the transaction ends."""
    found = send(session, _HELD, {"of_claim": claim, "until": claimed_until})
    return found.scalar_one_or_none() is not None


def answer(session: Session, claim: int, *, status: int, body: str, headers: str, rows: Filled) -> None:
    """Keep the answer to a claim that is held, and new rows of what was made."""
    kept: dict[str, str | int] = {"status": status, "body": body, "headers": headers}
    put_all(session, rows, change=Change(IdempotentRequest, claim, kept))


def answer_where_held(
    session: Session,
    claim: int,
    *,
    claimed_until: datetime,
    status: int,
    body: str,
    headers: str,
    rows: Filled,
    premises: Sequence[Premise],
) -> bool:
    """Keep the answer, and new rows of what was made, where the claim is held and what else they rest on
    holds too; False, and nothing is changed, where it does not. With one statement, on PostgreSQL."""
    kept: dict[str, str | int] = {"status": status, "body": body, "headers": headers}
    held = Premise(CLAIM, _HELD_AS_PREMISE, {"of_claim": claim, "until": claimed_until})
    change = Change(IdempotentRequest, claim, kept)
    return put_where(session, rows, change=change, premises=(held, *premises))


def renew(
    session: Session, *, client: str, route: str, key: str, claimed_until: datetime, until: datetime
) -> bool:
    """Renew a claim that is still its owner's; False when it is not, or is answered."""
    kept = session.execute(
        update(IdempotentRequest)
        .where(
            IdempotentRequest.client == client,
            IdempotentRequest.route == route,
            IdempotentRequest.key == key,
            IdempotentRequest.claimed_until == claimed_until,
            IdempotentRequest.status.is_(None),
        )
        .values(claimed_until=until)
    )
    return bool(kept.rowcount == 1)  # type: ignore[attr-defined]


def take_over(
    session: Session,
    row: IdempotentRequest,
    *,
    now: datetime,
    made_ahead: datetime,
    claimed_until: datetime,
) -> bool:
    """Claim a key whose first caller was cut off before it answered: the claim has lapsed, or it reaches
    beyond `made_ahead`, which only a clock that was set back since explains."""
    done = session.execute(
        update(IdempotentRequest)
        .where(
            IdempotentRequest.id == row.id,
            IdempotentRequest.status.is_(None),
            or_(IdempotentRequest.claimed_until <= now, IdempotentRequest.claimed_until > made_ahead),
            IdempotentRequest.claimed_until == row.claimed_until,  # as it was seen, so that one takes it
        )
        .values(claimed_until=claimed_until, fingerprint=row.fingerprint)
    )
    return bool(done.rowcount == 1)  # type: ignore[attr-defined]


def remove(session: Session, *, client: str, route: str, key: str, claimed_until: datetime) -> None:
    """Delete a claim whose work was refused, so that the caller may correct the request and try again."""
    session.execute(
        delete(IdempotentRequest).where(
            IdempotentRequest.client == client,
            IdempotentRequest.route == route,
            IdempotentRequest.key == key,
            IdempotentRequest.claimed_until == claimed_until,  # not one that another caller took over
            IdempotentRequest.status.is_(None),
        )
    )


def forget_older(session: Session, before: datetime) -> int:
    """Delete answers older than the time for which they are promised."""
    done = session.execute(delete(IdempotentRequest).where(IdempotentRequest.created_at < before))
    return int(done.rowcount)  # type: ignore[attr-defined]
