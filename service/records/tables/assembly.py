"""What assembly builds: work orders, and each unit of them."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import CheckConstraint, ForeignKey, Index, String, UniqueConstraint, text
from sqlalchemy.orm import Mapped, mapped_column

from service.records.states import UnitState, WorkOrderState
from service.records.tables.base import Base, Id, one_of


class WorkOrder(Base):
    """So many units of a product, to be built by a time. `blade` (a bare blade's sku) and `handle` are what
    the catalogue said when it was made."""

    __tablename__ = "work_order"
    __table_args__ = (
        one_of("state", WorkOrderState),
        CheckConstraint("quantity > 0", name="quantity_positive"),
        Index("ix_work_order_state", "state", "id"),
    )

    id: Mapped[Id]
    sku: Mapped[str] = mapped_column(String(60))
    blade: Mapped[str | None] = mapped_column(String(60))
    handle: Mapped[str | None] = mapped_column(String(60))
    quantity: Mapped[int]
    due: Mapped[datetime]
    lot_id: Mapped[int | None] = mapped_column(ForeignKey("lot.id"), unique=True)  # its blades' house mark
    state: Mapped[str] = mapped_column(String(20))
    version: Mapped[int] = mapped_column(default=1)
    created_at: Mapped[datetime]


class BuiltProduct(Base):
    """A product that assembly was ever asked to build, whether a bin has held it or not: of two people who
    ask for it at once, one waits for this row."""

    __tablename__ = "built_product"

    sku: Mapped[str] = mapped_column(String(60), primary_key=True)


class BuiltUnit(Base):
    """One unit of a work order, by the label that it bears from being built to its box."""

    __tablename__ = "built_unit"
    __table_args__ = (
        one_of("state", UnitState),
        CheckConstraint("(state = 'stocked') = (bin IS NOT NULL)", name="stocked_in_a_bin"),
        UniqueConstraint("work_order_id", "number"),
        Index(
            "ix_built_unit_open",
            "state",
            sqlite_where=text("state IN ('passed', 'rework', 'reworked')"),
            postgresql_where=text("state IN ('passed', 'rework', 'reworked')"),
        ),
    )

    id: Mapped[Id]
    work_order_id: Mapped[int] = mapped_column(ForeignKey("work_order.id"))
    number: Mapped[int]  # from 1, within its work order
    state: Mapped[str] = mapped_column(String(20))
    reason: Mapped[str | None] = mapped_column(String(200))  # why it failed last
    bin: Mapped[str | None] = mapped_column(ForeignKey("bin.bin"))
    moved_at: Mapped[datetime]
