"""Units made once more after they were released."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import CheckConstraint, ForeignKey, Index, String, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column

from service.records.states import ReturnState
from service.records.tables.base import Base, Id, one_of

#: Why a unit is made again.
REMAKE_REASONS = (
    "wrong_words",  # other words than were approved
    "buyers_words",  # the buyer gave the wrong ones
    "faint_mark",
    "misplaced_mark",
    "damaged",
    "wrong_product",
    "lost",
    "other",
)
#: Who pays for that.
PAYERS = ("shop", "store", "buyer", "carrier")


class Remake(Base):
    """A released unit that another is made for: why, who pays, and what becomes of the first (`state`)."""

    __tablename__ = "remake"
    __table_args__ = (
        one_of("state", ReturnState),
        CheckConstraint(
            "reason IN ({})".format(", ".join(f"'{reason}'" for reason in REMAKE_REASONS)),
            name="reason_known",
        ),
        CheckConstraint(
            "pays IN ({})".format(", ".join(f"'{payer}'" for payer in PAYERS)), name="payer_known"
        ),
        CheckConstraint("(state = 'stocked') = (bin IS NOT NULL)", name="stocked_in_a_bin"),
        # The second guard behind the lock on its order: a unit is made again once, and once more when that
        # was called off.
        UniqueConstraint("job_id", "attempt"),
        Index("ix_remake_state", "state", "id"),
        Index("ix_remake_created_at", "created_at"),
    )

    id: Mapped[Id]
    order_id: Mapped[int] = mapped_column(ForeignKey("orders.id"), index=True)  # of the first unit
    job_id: Mapped[int] = mapped_column(ForeignKey("job.id"))  # the first unit
    attempt: Mapped[int]
    replacement_id: Mapped[int] = mapped_column(ForeignKey("job.id"), unique=True)
    reason: Mapped[str] = mapped_column(String(20))
    note: Mapped[str] = mapped_column(String(300))  # what people wrote: erased with either order
    pays: Mapped[str] = mapped_column(String(10))
    is_reworded: Mapped[bool]
    created_at: Mapped[datetime]
    state: Mapped[str] = mapped_column(String(20))
    bin: Mapped[str | None] = mapped_column(ForeignKey("bin.bin"))  # into which it was put
