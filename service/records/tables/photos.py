"""Photos of marks, taken at inspection. The pictures lie in the data folder (`service.photos`)."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from sqlalchemy import CheckConstraint, ForeignKey, String, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column

from service.records.tables.base import Base, Id, JsonOrNull


class MarkPhoto(Base):
    """A photo of one mark as one attempt burned it. `look` is what the comparison with the approved outline
    said; null where none was made, or where its order was erased. Shared: the buyer may see it."""

    __tablename__ = "mark_photo"
    __table_args__ = (
        CheckConstraint("(shared_at IS NULL) = (shared_by IS NULL)", name="share_signed"),
        # The same picture sent twice is one photo.
        UniqueConstraint("job_id", "face", "zone", "attempt", "sent_sha256"),
    )

    id: Mapped[Id]
    job_id: Mapped[int] = mapped_column(ForeignKey("job.id"))
    face: Mapped[str] = mapped_column(String(20))
    zone: Mapped[str] = mapped_column(String(60))
    attempt: Mapped[int]
    sent_sha256: Mapped[str] = mapped_column(String(64))  # of the file as it was sent
    sha256: Mapped[str] = mapped_column(String(64))  # of the picture as it is kept
    width: Mapped[int]
    height: Mapped[int]
    look: Mapped[dict[str, Any] | None] = mapped_column(JsonOrNull)
    taken_by: Mapped[str] = mapped_column(String(100))
    taken_at: Mapped[datetime]
    shared_at: Mapped[datetime | None]
    shared_by: Mapped[str | None] = mapped_column(String(100))
