"""Loads: who holds which plate with which jobs, what was started, and how it ended."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from sqlalchemy import CheckConstraint, ForeignKey, Index, String, UniqueConstraint, text
from sqlalchemy.orm import Mapped, mapped_column, relationship

from service.records.states import ACTIVE_LOADS, UNSTARTED_LOADS, LoadState
from service.records.tables.base import Base, Id, one_of

_ACTIVE = "state IN ({})".format(", ".join(f"'{s.value}'" for s in sorted(ACTIVE_LOADS)))

_UNSTARTED = "started_at IS NULL AND state IN ({})".format(
    ", ".join(f"'{s.value}'" for s in sorted(UNSTARTED_LOADS))
)


class Load(Base):
    """One filling of one plate copy at one station.

    `fence` rises with every grant, `revision` with every change of contents; together they are the ETag.
    `calibration` and `catalogue_version` are the locked versions from which the files are built.
    """

    __tablename__ = "load"
    __table_args__ = (
        one_of("state", LoadState),
        # One physical plate copy can be in one place only, and one laser can burn one load only.
        Index(
            "uq_load_active_copy",
            "copy",
            unique=True,
            postgresql_where=text(_ACTIVE),
            sqlite_where=text(_ACTIVE),
        ),
        Index(
            "uq_load_burning_station",
            "station",
            unique=True,
            postgresql_where=text("state = 'burning'"),
            sqlite_where=text("state = 'burning'"),
        ),
        # And a station has one load in preparation: the second guard behind the claim's own lock.
        Index(
            "uq_load_preparing_station",
            "station",
            unique=True,
            postgresql_where=text(_UNSTARTED),
            sqlite_where=text(_UNSTARTED),
        ),
        Index("ix_load_state", "state", "lease_until"),
        Index("ix_load_ended_at", "ended_at"),
    )

    id: Mapped[Id]
    station: Mapped[str] = mapped_column(String(60))
    plate: Mapped[str] = mapped_column(String(60))
    copy: Mapped[str] = mapped_column(String(60))
    state: Mapped[str] = mapped_column(String(20))
    operator: Mapped[str] = mapped_column(String(100))
    fence: Mapped[int] = mapped_column(default=1)
    revision: Mapped[int] = mapped_column(default=1)
    lease_until: Mapped[datetime]
    current_turn: Mapped[int] = mapped_column(default=1)
    turns: Mapped[int]
    calibration: Mapped[dict[str, Any]]
    catalogue_version: Mapped[str] = mapped_column(String(64))
    burn_seconds: Mapped[float]
    mounted_at: Mapped[datetime | None]  # when somebody said that this copy is mounted
    mounted_how: Mapped[str | None] = mapped_column(String(10))  # scanned, by_hand
    created_at: Mapped[datetime]
    started_at: Mapped[datetime | None]
    ended_at: Mapped[datetime | None]
    jobs: Mapped[list[LoadJob]] = relationship(order_by="LoadJob.id")
    slots: Mapped[list[LoadSlot]] = relationship(order_by="LoadSlot.id")


class LoadJob(Base):
    """The claim of a load on a job. The partial unique index is the backstop against engraving twice."""

    __tablename__ = "load_job"
    __table_args__ = (
        CheckConstraint(
            "fetched IN ('to_pull', 'found', 'missing', 'blemished', 'in_hand')", name="fetched_known"
        ),
        UniqueConstraint("load_id", "job_id"),
        Index(
            "uq_load_job_active",
            "job_id",
            unique=True,
            postgresql_where=text("active"),
            sqlite_where=text("active"),
        ),
    )

    id: Mapped[Id]
    load_id: Mapped[int] = mapped_column(ForeignKey("load.id"), index=True)
    job_id: Mapped[int] = mapped_column(ForeignKey("job.id"))
    active: Mapped[bool] = mapped_column(default=True)
    fetched: Mapped[str] = mapped_column(String(20), default="to_pull")


class LoadSlot(Base):
    """What sits in a slot during one turn: one job or one blade of a lot, with one face up."""

    __tablename__ = "load_slot"
    __table_args__ = (
        UniqueConstraint("load_id", "turn", "slot"),
        CheckConstraint("(job_id IS NULL) <> (lot_id IS NULL)", name="job_or_lot"),
        CheckConstraint("state IN ('planned', 'seated', 'burned', 'removed')", name="state_known"),
        Index("ix_load_slot_job", "job_id"),
        # Asked of everything that waits, and true of next to none of it.
        Index(
            "ix_load_slot_misfit",
            "job_id",
            postgresql_where=text("removed_why = 'does_not_fit'"),
            sqlite_where=text("removed_why = 'does_not_fit'"),
        ),
    )

    id: Mapped[Id]
    load_id: Mapped[int] = mapped_column(ForeignKey("load.id"), index=True)
    turn: Mapped[int]
    slot: Mapped[str] = mapped_column(String(30))
    job_id: Mapped[int | None] = mapped_column(ForeignKey("job.id"))
    lot_id: Mapped[int | None] = mapped_column(ForeignKey("lot.id"))
    face: Mapped[str] = mapped_column(String(20))
    state: Mapped[str] = mapped_column(String(20), default="planned")
    removed_why: Mapped[str | None] = mapped_column(String(40))  # while planned: what sat here must come out
    attempt: Mapped[int] = mapped_column(default=1)  # raised by an explicit `again`


class TurnFile(Base):
    """A burn file that was offered: derived, never the truth; the digest is what `start` must name.

    `burn_seconds` is what the catalogue's figures say of its burn, `process` its processes, joined: what the
    measured burn is held against. Null in files older than these columns.
    """

    __tablename__ = "turn_file"
    __table_args__ = (UniqueConstraint("load_id", "turn", "revision", "format"),)

    id: Mapped[Id]
    load_id: Mapped[int] = mapped_column(ForeignKey("load.id"), index=True)
    turn: Mapped[int]
    revision: Mapped[int]
    format: Mapped[str] = mapped_column(String(10))
    sha256: Mapped[str] = mapped_column(String(64))
    short_code: Mapped[str] = mapped_column(String(12))
    name: Mapped[str] = mapped_column(String(120))
    burn_seconds: Mapped[float | None]
    process: Mapped[str | None] = mapped_column(String(250))
    calibration: Mapped[str | None] = mapped_column(String(20))  # with which it was built
    created_at: Mapped[datetime]


class BurnStart(Base):
    """Append-only: the beam was told to burn this. One per job, face and attempt, and per slot of a turn."""

    __tablename__ = "burn_start"
    __table_args__ = (
        UniqueConstraint("job_id", "face", "attempt"),
        UniqueConstraint("load_id", "turn", "slot", "attempt"),
    )

    id: Mapped[Id]
    load_id: Mapped[int] = mapped_column(ForeignKey("load.id"), index=True)
    turn: Mapped[int]
    slot: Mapped[str] = mapped_column(String(30))
    job_id: Mapped[int | None] = mapped_column(ForeignKey("job.id"))
    lot_id: Mapped[int | None] = mapped_column(ForeignKey("lot.id"))
    face: Mapped[str] = mapped_column(String(20))
    attempt: Mapped[int]
    file_sha256: Mapped[str] = mapped_column(String(64))
    started_at: Mapped[datetime]
    finished_at: Mapped[datetime | None]
    outcome: Mapped[str | None] = mapped_column(String(20))  # complete, clean, partial
    why: Mapped[str | None]  # the reason given for burning again
    operator: Mapped[str] = mapped_column(String(100))
