"""API keys by their public part."""

from __future__ import annotations

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.models import ApiKey


def by_key_id(session: Session, key_id: str) -> ApiKey | None:
    return session.scalars(select(ApiKey).where(ApiKey.key_id == key_id)).one_or_none()


def all_keys(session: Session) -> list[ApiKey]:
    return list(session.scalars(select(ApiKey).order_by(ApiKey.id)))
