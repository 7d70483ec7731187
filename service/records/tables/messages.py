"""Messages: hints to workers, events for pages, callbacks to stores. Rows first, sent after the commit."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from sqlalchemy import ForeignKey, Index, String, UniqueConstraint, text
from sqlalchemy.orm import Mapped, mapped_column

from service.records.tables.base import Base, Id


class Outbox(Base):
    """A task to be run: written in the business transaction, sent by the relay after it. Ids only."""

    __tablename__ = "outbox"
    __table_args__ = (
        Index(
            "ix_outbox_unsent",
            "due_at",
            postgresql_where=text("sent_at IS NULL"),
            sqlite_where=text("sent_at IS NULL"),
        ),
        # What sweeps look through: the rows that are not done, of very many that are.
        Index(
            "ix_outbox_open",
            "sent_at",
            postgresql_where=text("done_at IS NULL AND failed_why IS NULL"),
            sqlite_where=text("done_at IS NULL AND failed_why IS NULL"),
        ),
        Index(
            "ix_outbox_failed",
            "id",
            postgresql_where=text("failed_why IS NOT NULL"),
            sqlite_where=text("failed_why IS NOT NULL"),
        ),
    )

    id: Mapped[Id]
    task: Mapped[str] = mapped_column(String(60))
    arguments: Mapped[dict[str, Any]]
    due_at: Mapped[datetime]
    created_at: Mapped[datetime]
    claimed_until: Mapped[datetime | None]
    sent_at: Mapped[datetime | None]
    attempts: Mapped[int] = mapped_column(default=0)  # runs begun, not sendings
    running_until: Mapped[datetime | None]  # lease of the run in progress
    done_at: Mapped[datetime | None]
    failed_why: Mapped[str | None]


class Event(Base):
    """Something that happened, thin: type and ids. Pages follow them, callbacks are made from them."""

    __tablename__ = "event"
    __table_args__ = (Index("ix_event_client", "client", "id"),)

    id: Mapped[Id]
    type: Mapped[str] = mapped_column(String(40))
    client: Mapped[str] = mapped_column(String(60))
    data: Mapped[dict[str, Any]]
    at: Mapped[datetime]


class Callback(Base):
    """Where a store wants to be told. The secret signs every delivery (Standard Webhooks)."""

    __tablename__ = "callback"

    id: Mapped[Id]
    client: Mapped[str] = mapped_column(String(60), index=True)
    url: Mapped[str] = mapped_column(String(500))
    secret: Mapped[str] = mapped_column(String(120))
    previous_secret: Mapped[str | None] = mapped_column(String(120))
    rotated_at: Mapped[datetime | None]  # the previous secret signs too for a day after this
    disabled_at: Mapped[datetime | None]
    disabled_why: Mapped[str | None]
    late_answers: Mapped[int] = mapped_column(default=0)  # one after another, up to now
    rests_until: Mapped[datetime | None]  # after several late answers nothing is sent for a while
    created_at: Mapped[datetime]


class Delivery(Base):
    """One event on its way to one callback."""

    __tablename__ = "delivery"
    __table_args__ = (
        UniqueConstraint("event_id", "callback_id"),
        Index(
            "ix_delivery_due",
            "next_at",
            postgresql_where=text("next_at IS NOT NULL"),
            sqlite_where=text("next_at IS NOT NULL"),
        ),
        # What an event has to wait for, of its order and its callback.
        Index(
            "ix_delivery_in_turn",
            "callback_id",
            "order_id",
            "id",
            postgresql_where=text("next_at IS NOT NULL"),
            sqlite_where=text("next_at IS NOT NULL"),
        ),
        Index(
            "ix_delivery_not_taken",
            "callback_id",
            "id",
            postgresql_where=text("delivered_at IS NULL"),
            sqlite_where=text("delivered_at IS NULL"),
        ),
    )

    id: Mapped[Id]
    event_id: Mapped[int] = mapped_column(ForeignKey("event.id"))
    callback_id: Mapped[int] = mapped_column(ForeignKey("callback.id"))
    order_id: Mapped[int | None]  # events of one order arrive one after another; null: of no order
    attempts: Mapped[int] = mapped_column(default=0)
    next_at: Mapped[datetime | None]  # null: delivered, or given up
    claimed_until: Mapped[datetime | None]
    delivered_at: Mapped[datetime | None]
    last_status: Mapped[int | None]
    last_error: Mapped[str | None]
    tries: Mapped[list[Any]] = mapped_column(default=list)  # the last ones: at, status, error


class Tick(Base):
    """When a periodic task was last taken up: a row a task, so that of two schedulers one runs it."""

    __tablename__ = "tick"

    id: Mapped[Id]
    task: Mapped[str] = mapped_column(String(60), unique=True)
    at: Mapped[datetime]
