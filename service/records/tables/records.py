"""What is only ever added: history, calibrations, test cards, descriptions of the shop; and the draft of the
next one."""

from __future__ import annotations

from datetime import date, datetime
from typing import Any

from sqlalchemy import CheckConstraint, ForeignKey, Index, String
from sqlalchemy.orm import Mapped, mapped_column

from service.records.states import Origin
from service.records.tables.base import Base, Id, JsonOrNull, one_of


class History(Base):
    """One row per move: who, when, from, to, why."""

    __tablename__ = "history"
    __table_args__ = (
        Index("ix_history_subject", "subject", "subject_id", "id"),
        # What was released, passed, scrapped in some days, however long the past is.
        Index("ix_history_moves", "move_to", "at"),
    )

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


class CatalogueInForce(Base):
    """The shop's description as it was put in force, one row after another: the newest counts. `number` is
    one more than that of the row it was made from, so of two changes made from the same one is refused."""

    __tablename__ = "catalogue_in_force"
    __table_args__ = (
        one_of("origin", Origin),
        CheckConstraint("(origin = 'back') = (back_to IS NOT NULL)", name="back_to_a_number"),
    )

    number: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    version: Mapped[str] = mapped_column(ForeignKey("catalogue_version.version"), index=True)
    # Digest of all files' text: comments, layout and opening stock, too, which are no part of the version.
    text: Mapped[str] = mapped_column(String(64))
    # Null where the text is that of the version's first row.
    content: Mapped[dict[str, Any] | None] = mapped_column(JsonOrNull)
    origin: Mapped[str] = mapped_column(String(10))
    back_to: Mapped[int | None]
    at: Mapped[datetime]
    by: Mapped[str] = mapped_column(String(100))
    why: Mapped[str] = mapped_column(String(300))


class CatalogueDraft(Base):
    """The change that owners are at: one for the whole shop, gone when it is dropped or put in force."""

    __tablename__ = "catalogue_draft"
    __table_args__ = (CheckConstraint("id = 1", name="one_draft"),)

    id: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    based_on: Mapped[int]  # number of the description in force that it changes
    edits: Mapped[dict[str, Any]]  # file -> its new text; null: taken out
    version: Mapped[int]  # goes up with every edit
    back_to: Mapped[int | None]  # an earlier number whose description it brings back
    begun_at: Mapped[datetime]
    begun_by: Mapped[str] = mapped_column(String(100))
    changed_at: Mapped[datetime]
    changed_by: Mapped[str] = mapped_column(String(100))
    # What it would do to units that wait, as far as it was worked out; null: nobody asked yet.
    looked: Mapped[dict[str, Any] | None] = mapped_column(JsonOrNull)


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
