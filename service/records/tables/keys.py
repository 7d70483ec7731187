"""API keys, ended sessions, and answers kept for repeated requests."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from sqlalchemy import String, Text, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column

from service.records.tables.base import Base, Id, one_of
from service.records.who import Role


class ApiKey(Base):
    """A key as stored: its public part and the SHA-256 of its secret part. The key itself is shown once."""

    __tablename__ = "api_key"
    __table_args__ = (one_of("role", Role),)

    id: Mapped[Id]
    role: Mapped[str] = mapped_column(String(10))
    client: Mapped[str] = mapped_column(String(60))  # which store, desk, bench: orders belong to a client
    key_id: Mapped[str] = mapped_column(String(16), unique=True)
    secret_sha256: Mapped[str] = mapped_column(String(64))
    created_at: Mapped[datetime]
    expires_at: Mapped[datetime | None]
    origins: Mapped[list[Any]] = mapped_column(default=list)  # whose pages may ask with a publishable key
    revoked_at: Mapped[datetime | None]


class EndedSession(Base):
    """A browser's session that was signed out of: the digest of its cookie, until its own time is over."""

    __tablename__ = "ended_session"

    id: Mapped[Id]
    digest: Mapped[str] = mapped_column(String(64), index=True)
    until: Mapped[datetime]


class IdempotentRequest(Base):
    """The first answer to a POST that creates; in flight while `status` is null and `claimed_until` ahead."""

    __tablename__ = "idempotent_request"
    __table_args__ = (UniqueConstraint("client", "route", "key"),)

    id: Mapped[Id]
    client: Mapped[str] = mapped_column(String(60))
    route: Mapped[str] = mapped_column(String(100))
    key: Mapped[str] = mapped_column(String(255))
    fingerprint: Mapped[str] = mapped_column(String(64))
    status: Mapped[int | None]
    body: Mapped[str | None] = mapped_column(Text)
    headers: Mapped[str | None] = mapped_column(Text)  # JSON: Location, ETag
    claimed_until: Mapped[datetime]
    created_at: Mapped[datetime]
