"""Remembered answers to POSTs that create."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import delete, or_, select, update
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.orm import Session

from service.records.tables import IdempotentRequest


def insert(
    session: Session,
    *,
    client: str,
    route: str,
    key: str,
    fingerprint: str,
    now: datetime,
    claimed_until: datetime,
) -> bool:
    """Claim a key; False when it is claimed already."""
    values = {
        "client": client,
        "route": route,
        "key": key,
        "fingerprint": fingerprint,
        "created_at": now,
        "claimed_until": claimed_until,
    }
    dialect = sqlite if session.get_bind().dialect.name == "sqlite" else postgresql
    statement = (
        dialect.insert(IdempotentRequest)
        .values(values)
        .on_conflict_do_nothing()
        .returning(IdempotentRequest.id)
    )
    return session.execute(statement).first() is not None


def find(
    session: Session, *, client: str, route: str, key: str, lock: bool = False
) -> IdempotentRequest | None:
    """The claim or answer under a key; `lock` keeps others from changing it until the transaction ends."""
    wanted = select(IdempotentRequest).where(
        IdempotentRequest.client == client, IdempotentRequest.route == route, IdempotentRequest.key == key
    )
    return session.scalars(wanted.with_for_update() if lock else wanted).one_or_none()


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
