"""Orders, their lines, the frozen outlines, and one job per physical unit."""

from __future__ import annotations

from datetime import datetime
from typing import Any, Self

from sqlalchemy import CheckConstraint, ForeignKey, Index, String, UniqueConstraint, text
from sqlalchemy.orm import Mapped, mapped_column, relationship

from layout.shop.loads import Mark
from layout.shop.outline import digest_of_record
from service.records.states import GONE_JOBS, JobState, OrderState, order_state
from service.records.tables.base import Base, Id, JsonOrNull, one_of

_ON_A_SHELF = "shelf IS NOT NULL AND handed_over_at IS NULL"


class Order(Base):
    """One order of one store. Its state is derived from its jobs, never stored."""

    __tablename__ = "orders"
    __table_args__ = (
        UniqueConstraint("client", "order_ref"),  # for ever: the second guard behind Idempotency-Key
        CheckConstraint("proof IN ('none', 'buyer')", name="proof_known"),
        CheckConstraint("(handed_over_at IS NULL) = (handed_over_by IS NULL)", name="hand_over_signed"),
        # What stands on a shelf of the packing rack belongs to one order.
        Index(
            "uq_orders_shelf",
            "shelf",
            unique=True,
            postgresql_where=text(_ON_A_SHELF),
            sqlite_where=text(_ON_A_SHELF),
        ),
        # Packing's list: what is not handed over, the soonest to be shipped first.
        Index(
            "ix_orders_packing",
            "ship_by",
            "id",
            postgresql_where=text("handed_over_at IS NULL"),
            sqlite_where=text("handed_over_at IS NULL"),
        ),
        # What is shipped in a week, and what came in one, however many orders there have been.
        Index("ix_orders_ship_by", "ship_by"),
        Index("ix_orders_created_at", "created_at"),
    )

    id: Mapped[Id]
    client: Mapped[str] = mapped_column(String(60))
    order_ref: Mapped[str] = mapped_column(String(100))
    ship_by: Mapped[datetime]
    priority: Mapped[int] = mapped_column(default=0)  # larger goes first
    proof: Mapped[str] = mapped_column(String(10), default="none")
    # What a buyer is called and what people wrote: personal data, told to no callback, log or history.
    buyer: Mapped[str] = mapped_column(String(120), default="")
    order_note: Mapped[str] = mapped_column(String(500), default="")
    gift_note: Mapped[str] = mapped_column(String(500), default="")
    bench_note: Mapped[str] = mapped_column(String(500), default="")
    version: Mapped[int] = mapped_column(default=1)
    created_at: Mapped[datetime]
    erased_at: Mapped[datetime | None]  # when words, names, notes and outlines were taken out of the rows
    shelf: Mapped[str | None] = mapped_column(String(30))  # where packing gathers it; kept as a record
    handed_over_at: Mapped[datetime | None]  # when packing ended it
    handed_over_by: Mapped[str | None] = mapped_column(String(100))
    lines: Mapped[list[OrderLine]] = relationship(back_populates="order", order_by="OrderLine.id")

    @property
    def state(self) -> OrderState:
        """Read off its jobs, and whether packing has ended it."""
        jobs = (JobState(job.state) for line in self.lines for job in line.jobs)
        return order_state(jobs, is_handed_over=self.handed_over_at is not None)

    @property
    def units(self) -> list[Job]:
        """What it is made up of, line by line; see `OrderLine.units`."""
        return [job for line in self.lines for job in line.units]


class OrderWord(Base):
    """A word by which an order is found, as `service.records.search_words` folds it. Compared byte by byte,
    so that words with one beginning stand side by side in the key."""

    __tablename__ = "order_word"
    __table_args__ = ({"sqlite_with_rowid": False},)

    word: Mapped[str] = mapped_column(
        String(40).with_variant(String(40, collation="C"), "postgresql"), primary_key=True
    )
    order_id: Mapped[int] = mapped_column(ForeignKey("orders.id"), primary_key=True, index=True)


class OrderLine(Base):
    """What one line asks for, what the check said of it, and why it is held if it is: `hold_reason` is the
    weightiest of the reasons that `service.intake.line_holds` reads off the row.

    `words_revision` counts the wordings; a buyer's approval names the revision it was given for,
    so changed words void it.
    """

    __tablename__ = "order_line"
    __table_args__ = (
        UniqueConstraint("order_id", "line_ref"),
        CheckConstraint("quantity BETWEEN 1 AND 99", name="quantity_in_range"),
    )

    id: Mapped[Id]
    order_id: Mapped[int] = mapped_column(ForeignKey("orders.id"), index=True)
    line_ref: Mapped[str] = mapped_column(String(100))
    sku: Mapped[str] = mapped_column(String(60))
    quantity: Mapped[int]
    inscriptions: Mapped[list[Any]]  # as the buyer sent them
    words_revision: Mapped[int] = mapped_column(default=1)
    approved_revision: Mapped[int | None]
    approved_by: Mapped[str | None]
    reviewed_revision: Mapped[int | None]  # the desk has looked at the review findings of this revision
    verdict: Mapped[str] = mapped_column(String(10))
    hold_reason: Mapped[str | None] = mapped_column(String(40))
    findings: Mapped[list[Any]]
    checked: Mapped[list[Any]]  # what the check measured, one entry per inscription
    eligible: Mapped[list[Any]]  # [[station, plate, slot, face], ...], frozen at acceptance
    burn_seconds: Mapped[float | None]
    catalogue_version: Mapped[str] = mapped_column(String(64))
    checked_at: Mapped[datetime | None]  # when the words as they are were checked; null: when the order came
    wish: Mapped[str | None] = mapped_column(String(300))  # a change that the buyer asked for, unanswered
    wish_at: Mapped[datetime | None]
    # What a preview showed where that is not what will be burned (`service.intake.shown_before`).
    preview: Mapped[dict[str, Any] | None] = mapped_column(JsonOrNull)
    order: Mapped[Order] = relationship(back_populates="lines")
    jobs: Mapped[list[Job]] = relationship(back_populates="line", order_by="Job.id")
    marks: Mapped[list[FrozenMark]] = relationship(order_by="FrozenMark.position")

    @property
    def units(self) -> list[Job]:
        """Its jobs that are neither cancelled nor scrapped; released ones included."""
        return [job for job in self.jobs if JobState(job.state) not in GONE_JOBS]


class FrozenMark(Base):
    """What was approved: the outline itself, never to be computed again."""

    __tablename__ = "frozen_mark"
    __table_args__ = (
        UniqueConstraint("line_id", "words_revision", "position"),
        UniqueConstraint("lot_id", "position"),
        CheckConstraint("(line_id IS NULL) <> (lot_id IS NULL)", name="line_or_lot"),
    )

    id: Mapped[Id]
    line_id: Mapped[int | None] = mapped_column(ForeignKey("order_line.id"))
    lot_id: Mapped[int | None] = mapped_column(ForeignKey("lot.id"))
    words_revision: Mapped[int] = mapped_column(default=1)
    position: Mapped[int]
    zone: Mapped[str] = mapped_column(String(60))
    face: Mapped[str] = mapped_column(String(20))
    material: Mapped[str] = mapped_column(String(40))
    finish: Mapped[str] = mapped_column(String(40))
    outline: Mapped[dict[str, Any]]
    digest: Mapped[str] = mapped_column(String(64))

    @classmethod
    def of(cls, mark: Mark, position: int, **whose: int) -> Self:
        """A mark as it was approved; `whose` is its line's `words_revision`, or a `lot_id`."""
        record = mark.outline.to_record()
        return cls(
            position=position,
            zone=mark.zone,
            face=mark.face,
            material=mark.surface.material,
            finish=mark.surface.finish,
            outline=record,
            digest=digest_of_record(record),
            **whose,
        )


class Job(Base):
    """One physical unit to be engraved. `ship_by`, `priority`, `sku` stand here for the queue's index."""

    __tablename__ = "job"
    __table_args__ = (
        one_of("state", JobState),
        CheckConstraint("gathered_at IS NULL OR state = 'released'", name="gathered_is_released"),
        UniqueConstraint("line_id", "unit", "take"),
        Index("ix_job_stock", "state", "sku"),
    )

    id: Mapped[Id]
    line_id: Mapped[int] = mapped_column(ForeignKey("order_line.id"), index=True)
    order_id: Mapped[int] = mapped_column(ForeignKey("orders.id"), index=True)
    unit: Mapped[int]  # 1..quantity
    take: Mapped[int] = mapped_column(default=1)  # 2 and more: replacements of scrapped units
    replaces: Mapped[int | None] = mapped_column(ForeignKey("job.id"))
    sku: Mapped[str] = mapped_column(String(60))
    blade: Mapped[str] = mapped_column(String(60))  # empty: nothing to engrave, straight to packing
    state: Mapped[str] = mapped_column(String(20))
    hold_reason: Mapped[str | None] = mapped_column(String(40))
    priority: Mapped[int]
    ship_by: Mapped[datetime]
    words_revision: Mapped[int]  # which frozen marks this unit bears
    faces: Mapped[list[str]]  # faces to be engraved, in order
    faces_done: Mapped[list[str]]
    bin: Mapped[str | None] = mapped_column(
        ForeignKey("bin.bin")
    )  # where its reserved unit stands; null: none, or in hand
    # Pulled from its bin, belongs to this job; of a cancelled job: to be put back.
    unit_in_hand: Mapped[bool] = mapped_column(default=False)
    pulled_from: Mapped[str | None] = mapped_column(String(30))  # the bin where its last unit stood
    gathered_at: Mapped[datetime | None]  # when packing had its box
    version: Mapped[int] = mapped_column(default=1)
    created_at: Mapped[datetime]
    line: Mapped[OrderLine] = relationship(back_populates="jobs")

    @property
    def is_plain(self) -> bool:
        """Whether nothing is engraved on the unit: packing fetches its box from the bin."""
        return not self.blade and not self.faces


#: The queue of each blade in the order in which loads take from it: a claim reads nothing but its head.
Index(
    "ix_job_queue",
    Job.blade,
    Job.priority.desc(),
    Job.ship_by,
    Job.id,
    postgresql_where=text("state = 'ready'"),
    sqlite_where=text("state = 'ready'"),
)
