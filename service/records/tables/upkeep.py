"""The log of each station, and what is used up at the bench."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import CheckConstraint, ForeignKey, Index, String, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column

from service.records.tables.base import Base, Id


class RoutineEntry(Base):
    """A routine check that was done at a station: append-only, the newest of each counts.

    `number` counts the entries of one check (of one process): of two people who tap at once, one is first.
    """

    __tablename__ = "routine_entry"
    __table_args__ = (
        UniqueConstraint("station", "routine", "process", "number"),
        CheckConstraint("number > 0", name="number_from_one"),
        Index("ix_routine_entry_station", "station", "id"),
    )

    id: Mapped[Id]
    station: Mapped[str] = mapped_column(String(60))
    routine: Mapped[str] = mapped_column(String(60))
    process: Mapped[str] = mapped_column(String(60), default="")  # empty: the whole station
    number: Mapped[int]
    is_ok: Mapped[bool]
    note: Mapped[str] = mapped_column(String(300), default="")
    burned_s: Mapped[float]  # what the station's meter said then
    at: Mapped[datetime]
    by: Mapped[str] = mapped_column(String(100))


class StationMeter(Base):
    """How long a station has burned since its meter began: what was recorded between start and finish."""

    __tablename__ = "station_meter"
    __table_args__ = (CheckConstraint("burned_s >= 0", name="burned_not_negative"),)

    station: Mapped[str] = mapped_column(String(60), primary_key=True)
    burned_s: Mapped[float]
    since: Mapped[datetime]  # the start of its first burn


class ProcessBurned(Base):
    """When a station started a turn with a process last."""

    __tablename__ = "process_burned"

    station: Mapped[str] = mapped_column(String(60), primary_key=True)
    process: Mapped[str] = mapped_column(String(60), primary_key=True)
    at: Mapped[datetime]


class SupplyLeft(Base):
    """How many pieces of something are left, since it was counted or refilled first. `said` counts how often
    people said so: of two taps that mean one refill, one is new."""

    __tablename__ = "supply"
    __table_args__ = (CheckConstraint("remaining >= 0", name="remaining_not_negative"),)

    supply: Mapped[str] = mapped_column(String(60), primary_key=True)
    remaining: Mapped[int]
    said: Mapped[int] = mapped_column(default=0)


class SupplyChange(Base):
    """Append-only: pieces used, refilled, counted or given back, and what was left then."""

    __tablename__ = "supply_change"
    __table_args__ = (
        CheckConstraint("what IN ('used', 'refilled', 'counted', 'given_back')", name="what_known"),
        Index("ix_supply_change_supply", "supply", "id"),
    )

    id: Mapped[Id]
    supply: Mapped[str] = mapped_column(ForeignKey("supply.supply"))
    what: Mapped[str] = mapped_column(String(10))
    pieces: Mapped[int]  # more (or, below nought, fewer) than before
    remaining: Mapped[int]
    load_id: Mapped[int | None] = mapped_column(ForeignKey("load.id"))  # for which they were used
    order_id: Mapped[int | None] = mapped_column(ForeignKey("orders.id"))
    at: Mapped[datetime]
    by: Mapped[str] = mapped_column(String(100))
