"""What recorded burns teach of the estimate."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from sqlalchemy import String
from sqlalchemy.orm import Mapped, mapped_column

from service.records.tables.base import Base


class LearnedPace(Base):
    """The pace of a group of turns, written anew by every learning.

    A group is a station, plate and process; rows with an empty plate and process are of a whole station, the
    one with an empty station is of the whole shop. `recent` holds the newest turns as [estimated by the
    catalogue, expected by the others' teaching, measured], in seconds.
    """

    __tablename__ = "learned_pace"

    station: Mapped[str] = mapped_column(String(60), primary_key=True)
    plate: Mapped[str] = mapped_column(String(60), primary_key=True)
    process: Mapped[str] = mapped_column(String(250), primary_key=True)
    records: Mapped[int]
    factor: Mapped[float]
    handling_s: Mapped[float]
    spread: Mapped[float]
    error_catalogue_s: Mapped[float]
    error_learned_s: Mapped[float]
    recent: Mapped[list[Any]]
    learned_at: Mapped[datetime]
