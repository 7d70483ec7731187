"""What a store was told about when its order will be engraved."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import ForeignKey
from sqlalchemy.orm import Mapped, mapped_column

from service.models.base import Base


class Promise(Base):
    """The last promise of an order: engraved by then, with that confidence (0 to 1)."""

    __tablename__ = "promise"

    order_id: Mapped[int] = mapped_column(ForeignKey("orders.id"), primary_key=True, autoincrement=False)
    engraved_by: Mapped[datetime]
    confidence: Mapped[float]
    made_at: Mapped[datetime]
