"""Many orders handed in at once, and what became of each."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from sqlalchemy import CheckConstraint, ForeignKey, Index, String, UniqueConstraint, text
from sqlalchemy.orm import Mapped, mapped_column

from service.records.states import BatchResult
from service.records.tables.base import Base, Id, JsonOrNull, one_of

_NOT_FINISHED = "finished_at IS NULL"
_WAITING = "result = 'waiting'"


class Batch(Base):
    """Orders of one request, by its Idempotency-Key. Finished when none of them waits."""

    __tablename__ = "batch"
    __table_args__ = (
        UniqueConstraint("client", "key"),
        Index("ix_batch_open", "id", postgresql_where=text(_NOT_FINISHED), sqlite_where=text(_NOT_FINISHED)),
    )

    id: Mapped[Id]
    client: Mapped[str] = mapped_column(String(60))
    role: Mapped[str] = mapped_column(String(10))
    name: Mapped[str] = mapped_column(String(60))
    key: Mapped[str] = mapped_column(String(255))
    fingerprint: Mapped[str] = mapped_column(String(64))
    created_at: Mapped[datetime]
    finished_at: Mapped[datetime | None]


class BatchOrder(Base):
    """One order of a batch. Its body is kept only until it is taken or refused: it holds a buyer's words."""

    __tablename__ = "batch_order"
    __table_args__ = (
        one_of("result", BatchResult),
        UniqueConstraint("batch_id", "position"),
        CheckConstraint("result <> 'waiting' OR body IS NOT NULL", name="waiting_has_body"),
        CheckConstraint("(order_id IS NOT NULL) = (result IN ('taken', 'held'))", name="taken_has_order"),
        Index(
            "ix_batch_order_waiting",
            "batch_id",
            "position",
            postgresql_where=text(_WAITING),
            sqlite_where=text(_WAITING),
        ),
    )

    id: Mapped[Id]
    batch_id: Mapped[int] = mapped_column(ForeignKey("batch.id"))
    position: Mapped[int]
    order_ref: Mapped[str] = mapped_column(String(100))  # empty where none can be read
    body: Mapped[dict[str, Any] | None] = mapped_column(JsonOrNull)
    result: Mapped[str] = mapped_column(String(10))
    order_id: Mapped[int | None] = mapped_column(ForeignKey("orders.id"), index=True)
    problem: Mapped[dict[str, Any] | None] = mapped_column(JsonOrNull)
    tries: Mapped[int] = mapped_column(default=0)
