"""What is only ever added: history, calibrations, test cards, catalogue versions."""

from __future__ import annotations

from datetime import date, datetime
from typing import Any

from sqlalchemy import CheckConstraint, Index, String
from sqlalchemy.orm import Mapped, mapped_column

from service.records.tables.base import Base, Id


class History(Base):
    """One row per move: who, when, from, to, why."""

    __tablename__ = "history"
    __table_args__ = (Index("ix_history_subject", "subject", "subject_id", "id"),)

    id: Mapped[Id]
    subject: Mapped[str] = mapped_column(String(10))  # job, load, key ...: what it is about
    subject_id: Mapped[int]
    move_from: Mapped[str | None] = mapped_column(String(20))
    move_to: Mapped[str] = mapped_column(String(20))
    who: Mapped[str] = mapped_column(String(100))
    why: Mapped[str] = mapped_column(String(300))
    at: Mapped[datetime]


class CatalogueVersion(Base):
    """The shop's description at one version, kept whole so that a load's files can be built again later."""

    __tablename__ = "catalogue_version"

    version: Mapped[str] = mapped_column(String(64), primary_key=True)
    loaded_at: Mapped[datetime]
    content: Mapped[dict[str, Any]]


class CalibrationRecord(Base):
    """A measured calibration of a plate copy at a station. The newest is in force."""

    __tablename__ = "calibration"
    __table_args__ = (Index("ix_calibration_copy", "station", "copy", "id"),)

    id: Mapped[Id]
    station: Mapped[str] = mapped_column(String(60))
    copy: Mapped[str] = mapped_column(String(60))
    model: Mapped[str] = mapped_column(String(20))
    matrix: Mapped[list[Any]]
    residual_mm: Mapped[float]
    error_mm: Mapped[float | None]  # predicted at the worst place of a slot; null: too few marks to tell
    error_slot: Mapped[str | None] = mapped_column(String(30))
    points: Mapped[list[Any]]  # [[plate x, plate y, station x, station y], ...] in mm
    at: Mapped[datetime]
    by: Mapped[str] = mapped_column(String(100))


class TestCardRecord(Base):
    """A test card of a process was burned and looked at, or the proof was withdrawn.

    `recipe` is the digest of what was proven: a card proves no other recipe.
    """

    __test__ = False
    __tablename__ = "test_card"
    __table_args__ = (CheckConstraint("withdrawn = (burned_on IS NULL)", name="card_or_withdrawal"),)

    id: Mapped[Id]
    process: Mapped[str] = mapped_column(String(60), index=True)
    station: Mapped[str] = mapped_column(String(60))
    recipe: Mapped[str] = mapped_column(String(64))
    withdrawn: Mapped[bool] = mapped_column(default=False)
    burned_on: Mapped[date | None]
    line_width_mm: Mapped[float | None]  # measured on the card
    spot_mm: Mapped[float | None]
    by: Mapped[str] = mapped_column(String(100))
    note: Mapped[str] = mapped_column(String(300))
    at: Mapped[datetime]
    recorded_by: Mapped[str] = mapped_column(String(100))
