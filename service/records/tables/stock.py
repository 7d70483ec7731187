"""Boxed units by bin and product."""

from __future__ import annotations

from sqlalchemy import CheckConstraint, ForeignKey, String
from sqlalchemy.orm import Mapped, mapped_column

from service.records.tables.base import Base


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
