"""Boxed units by bin and product, how their counts changed, and bins being counted."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from sqlalchemy import CheckConstraint, ForeignKey, Index, String, text
from sqlalchemy.orm import Mapped, mapped_column

from service.records.states import CountState, StockChange
from service.records.tables.base import Base, Id, one_of


class Bin(Base):
    """A storage place; `walking_order` is its turn on the way round the store room."""

    __tablename__ = "bin"

    bin: Mapped[str] = mapped_column(String(30), primary_key=True)
    walking_order: Mapped[int]


class Stock(Base):
    """`boxed` units stand in the bin, `reserved` of them for jobs not pulled yet."""

    __tablename__ = "stock"
    __table_args__ = (
        CheckConstraint("reserved >= 0", name="reserved_not_negative"),
        CheckConstraint("boxed >= reserved", name="reserved_at_most_boxed"),
    )

    bin: Mapped[str] = mapped_column(ForeignKey("bin.bin"), primary_key=True)
    sku: Mapped[str] = mapped_column(String(60), primary_key=True, index=True)
    boxed: Mapped[int]
    reserved: Mapped[int] = mapped_column(default=0)
    version: Mapped[int] = mapped_column(default=1)


class BinChange(Base):
    """One change of one count, only ever added: the sum of `units` is what the bin holds of the product."""

    __tablename__ = "stock_change"
    __table_args__ = (one_of("what", StockChange), Index("ix_stock_change_bin", "bin", "id"))

    id: Mapped[Id]
    bin: Mapped[str] = mapped_column(ForeignKey("bin.bin"))
    sku: Mapped[str] = mapped_column(String(60))
    what: Mapped[str] = mapped_column(String(20))
    units: Mapped[int]  # more (or, below nought, fewer) than before
    boxed: Mapped[int]  # what the bin held afterwards
    other_bin: Mapped[str | None] = mapped_column(ForeignKey("bin.bin"))  # moved: from there, or to there
    job_id: Mapped[int | None] = mapped_column(ForeignKey("job.id"))
    unit_id: Mapped[int | None] = mapped_column(ForeignKey("built_unit.id"))
    who: Mapped[str] = mapped_column(String(100))
    at: Mapped[datetime]


class StockCount(Base):
    """The counting of one bin: what was counted so far, by product. Nothing of it is true of the bin until it
    is taken."""

    __tablename__ = "stock_count"
    __table_args__ = (
        one_of("state", CountState),
        Index(
            "uq_stock_count_open",
            "bin",
            unique=True,
            sqlite_where=text("state = 'open'"),
            postgresql_where=text("state = 'open'"),
        ),
    )

    id: Mapped[Id]
    bin: Mapped[str] = mapped_column(ForeignKey("bin.bin"))
    state: Mapped[str] = mapped_column(String(20))
    counted: Mapped[dict[str, Any]]  # {sku: units}; a product that is left out was not counted
    revision: Mapped[int] = mapped_column(default=1)
    seen_change: Mapped[int]  # the bin's last change when the counting began
    began_at: Mapped[datetime]
    began_by: Mapped[str] = mapped_column(String(100))
