"""The plan that benches follow, and what a store was told about when its order will be engraved."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from sqlalchemy import ForeignKey, ForeignKeyConstraint, Index, String
from sqlalchemy.orm import Mapped, mapped_column

from service.records.tables.base import Base, Id


class KeptPlan(Base):
    """A plan that its judge let pass; the newest is in force, older ones are deleted with the next.

    A plan is derived, never the truth: whoever takes a load from it looks at the rows again. `mark` names
    the rows it was made from, or was found to be still the plan of; `planned_at` says when the planner was
    last done, also where it came out as it was, `compared_at` when it was last held against one made from
    nothing. `summary` is what it says of itself besides its loads: score,
    bound, what is in no load, the rule."""

    __tablename__ = "plan"

    id: Mapped[Id]
    made_at: Mapped[datetime]  # of this moment are the rows
    planned_at: Mapped[datetime]
    compared_at: Mapped[datetime]
    catalogue_version: Mapped[str] = mapped_column(String(64))
    mark: Mapped[str] = mapped_column(String(120))
    summary: Mapped[dict[str, Any]]


class KeptLoad(Base):
    """A load of a plan. A load that stays from plan to plan keeps its number; their order is that of
    time."""

    __tablename__ = "planned_load"
    __table_args__ = (Index("ix_planned_load_station", "plan_id", "station", "begins"),)

    plan_id: Mapped[int] = mapped_column(ForeignKey("plan.id"), primary_key=True, autoincrement=False)
    number: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    station: Mapped[str] = mapped_column(String(60))
    plate: Mapped[str] = mapped_column(String(60))
    copy: Mapped[str] = mapped_column(String(60))
    changes: Mapped[int]
    prepares: Mapped[datetime]
    begins: Mapped[datetime]
    ends: Mapped[datetime]
    boxed: Mapped[datetime | None]  # when its units are ready to hand over; null: as soon as it has burned


class KeptSlot(Base):
    """What sits in a slot of a planned load: one job or one blade of a lot, turns counted from 1.

    Jobs and lots are not foreign keys: writing a plan would lock every job that waits against the claims
    that skip locked ones (a foreign key's check takes FOR KEY SHARE on PostgreSQL).
    """

    __tablename__ = "planned_slot"
    __table_args__ = (
        ForeignKeyConstraint(["plan_id", "number"], ["planned_load.plan_id", "planned_load.number"]),
        Index("ix_planned_slot_job", "job_id"),
    )

    plan_id: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    number: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    turn: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    slot: Mapped[str] = mapped_column(String(30), primary_key=True)
    job_id: Mapped[int | None]
    lot_id: Mapped[int | None]
    face: Mapped[str] = mapped_column(String(20))


class Promise(Base):
    """The last promise of an order: engraved, and ready to hand over, by then, with that confidence (0 to
    1)."""

    __tablename__ = "promise"

    order_id: Mapped[int] = mapped_column(ForeignKey("orders.id"), primary_key=True, autoincrement=False)
    engraved_by: Mapped[datetime]
    ready_by: Mapped[datetime]
    confidence: Mapped[float]
    made_at: Mapped[datetime]
