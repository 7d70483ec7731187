"""Bare blades that get the house mark on their way to assembly: counted, not numbered."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from sqlalchemy import CheckConstraint, String
from sqlalchemy.orm import Mapped, mapped_column

from service.records.states import LotState
from service.records.tables.base import Base, Id, one_of


class Lot(Base):
    """waiting + loaded + marked + scrapped = quantity, always."""

    __tablename__ = "lot"
    __table_args__ = (
        one_of("state", LotState),
        CheckConstraint("waiting + loaded + marked + scrapped = quantity", name="counts_add_up"),
        CheckConstraint(
            "waiting >= 0 AND loaded >= 0 AND marked >= 0 AND scrapped >= 0", name="no_negative_count"
        ),
    )

    id: Mapped[Id]
    sku: Mapped[str] = mapped_column(String(60))
    blade: Mapped[str] = mapped_column(String(60))
    inscriptions: Mapped[list[Any]]
    eligible: Mapped[list[Any]]
    quantity: Mapped[int]
    due: Mapped[datetime]
    state: Mapped[str] = mapped_column(String(20))
    waiting: Mapped[int]
    loaded: Mapped[int] = mapped_column(default=0)
    marked: Mapped[int] = mapped_column(default=0)
    scrapped: Mapped[int] = mapped_column(default=0)
    burn_seconds: Mapped[float | None]  # of one blade, by the catalogue's figures; null in older lots
    catalogue_version: Mapped[str] = mapped_column(String(64))
    version: Mapped[int] = mapped_column(default=1)
    created_at: Mapped[datetime]
