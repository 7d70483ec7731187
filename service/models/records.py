"""What is only ever added: history, calibrations, test cards, catalogue versions."""

from __future__ import annotations

from datetime import date, datetime
from typing import Any

from sqlalchemy import Index, String
from sqlalchemy.orm import Mapped, mapped_column

from service.models.base import Base, Id


class History(Base):
    """One row per move: who, when, from, to, why."""

    __tablename__ = "history"
    __table_args__ = (Index("ix_history_subject", "subject", "subject_id", "id"),)

    id: Mapped[Id]
    subject: Mapped[str] = mapped_column(String(10))  # order, line, job, load, lot, stock
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
    """A measured calibration of a plate copy at a station. The newest accepted one is in force."""

    __tablename__ = "calibration"
    __table_args__ = (Index("ix_calibration_copy", "station", "copy", "id"),)

    id: Mapped[Id]
    station: Mapped[str] = mapped_column(String(60))
    copy: Mapped[str] = mapped_column(String(60))
    model: Mapped[str] = mapped_column(String(20))
    matrix: Mapped[list[Any]]
    residual_mm: Mapped[float]
    points: Mapped[list[Any]]
    at: Mapped[datetime]
    by: Mapped[str] = mapped_column(String(100))


class TestCardRecord(Base):
    """A recorded test card of a process: what makes the process usable."""

    __test__ = False
    __tablename__ = "test_card"

    id: Mapped[Id]
    process: Mapped[str] = mapped_column(String(60), index=True)
    burned_on: Mapped[date]
    by: Mapped[str] = mapped_column(String(100))
    note: Mapped[str] = mapped_column(String(300))
    at: Mapped[datetime]
