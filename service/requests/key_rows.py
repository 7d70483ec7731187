"""API keys by their public part, and sessions that were ended by signing out."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from sqlalchemy import Row, bindparam, delete, or_, select
from sqlalchemy.orm import Session

from service.records.db import send
from service.records.tables import ApiKey, EndedSession
from service.records.who import Role

_BY_KEY_ID = select(ApiKey).where(ApiKey.key_id == bindparam("of_key"))
#: Every request asks for its key, so this is built once, and is no object that the session keeps.
_FOUND = select(*ApiKey.__table__.c).where(ApiKey.key_id == bindparam("of_key"))


def found(session: Session, key_id: str) -> Row[Any] | None:
    """The columns of a key, to be looked at."""
    return send(session, _FOUND, {"of_key": key_id}).one_or_none()


def by_key_id(session: Session, key_id: str) -> ApiKey | None:
    return session.scalars(_BY_KEY_ID, {"of_key": key_id}).one_or_none()


def all_keys(session: Session) -> list[ApiKey]:
    return list(session.scalars(select(ApiKey).order_by(ApiKey.id)))


def origins(session: Session, *, now: datetime) -> set[str]:
    """Whose pages may ask with any of the keys that are in use."""
    in_use = select(ApiKey.origins).where(
        ApiKey.role == Role.STOREFRONT.value,
        ApiKey.revoked_at.is_(None),
        or_(ApiKey.expires_at.is_(None), ApiKey.expires_at > now),
    )
    return {origin for listed in session.scalars(in_use) for origin in listed}


def is_ended(session: Session, digest: str) -> bool:
    """Whether the session with this digest was signed out of."""
    return session.scalar(select(EndedSession.id).where(EndedSession.digest == digest).limit(1)) is not None


def forget_ended(session: Session, before: datetime) -> int:
    """Delete ended sessions that would have expired before that moment; returns how many."""
    gone = session.execute(delete(EndedSession).where(EndedSession.until < before))
    return int(gone.rowcount)  # type: ignore[attr-defined]
