"""What was measured and proven: calibrations and test cards, all of them kept."""

from __future__ import annotations

from collections.abc import Sequence

from sqlalchemy import bindparam, func, select
from sqlalchemy.orm import Session

from service.records.db import send
from service.records.tables import CalibrationRecord, TestCardRecord

# Every check asks for these, so they are built once.
_IN_FORCE = (
    select(CalibrationRecord)
    .where(
        CalibrationRecord.id.in_(
            select(func.max(CalibrationRecord.id)).group_by(CalibrationRecord.station, CalibrationRecord.copy)
        )
    )
    .order_by(CalibrationRecord.id)
)
_ALL_CARDS = select(TestCardRecord).order_by(TestCardRecord.id)


#: The numbers of the newest calibration and test card. No record is ever changed or taken away, so while
#: these are the same, so are all the others.
NEWEST = (
    select(func.max(CalibrationRecord.id)).scalar_subquery(),
    select(func.max(TestCardRecord.id)).scalar_subquery(),
)
_NEWEST = select(*NEWEST)
Newest = tuple[int | None, int | None]


def newest(session: Session) -> Newest:
    """What `NEWEST` comes to."""
    calibration_id, card_id = send(session, _NEWEST).one()
    return calibration_id, card_id


_NEWEST_OF_COPY = (
    select(CalibrationRecord)
    .where(CalibrationRecord.station == bindparam("at"), CalibrationRecord.copy == bindparam("of_copy"))
    .order_by(CalibrationRecord.id.desc())
    .limit(1)
)


def newest_calibration(session: Session, station: str, copy: str) -> CalibrationRecord | None:
    """The calibration in force of a plate copy at a station."""
    return session.scalars(_NEWEST_OF_COPY, {"at": station, "of_copy": copy}).first()


def calibration(session: Session, calibration_id: int) -> CalibrationRecord | None:
    return session.get(CalibrationRecord, calibration_id)


def calibrations_in_force(session: Session) -> Sequence[CalibrationRecord]:
    """The newest of every plate copy at every station."""
    return session.scalars(_IN_FORCE).all()


def calibrations_page(
    session: Session, *, before_id: int | None, limit: int, station: str | None, copy: str | None
) -> Sequence[CalibrationRecord]:
    """Calibrations, newest first, after a cursor."""
    wanted = select(CalibrationRecord).order_by(CalibrationRecord.id.desc()).limit(limit)
    if before_id is not None:
        wanted = wanted.where(CalibrationRecord.id < before_id)
    if station is not None:
        wanted = wanted.where(CalibrationRecord.station == station)
    if copy is not None:
        wanted = wanted.where(CalibrationRecord.copy == copy)
    return session.scalars(wanted).all()


def test_cards(session: Session) -> Sequence[TestCardRecord]:
    """All test cards and withdrawals, oldest first."""
    return session.scalars(_ALL_CARDS).all()


def test_cards_page(
    session: Session, *, before_id: int | None, limit: int, process: str | None
) -> Sequence[TestCardRecord]:
    """Test cards and withdrawals, newest first, after a cursor."""
    wanted = select(TestCardRecord).order_by(TestCardRecord.id.desc()).limit(limit)
    if before_id is not None:
        wanted = wanted.where(TestCardRecord.id < before_id)
    if process is not None:
        wanted = wanted.where(TestCardRecord.process == process)
    return session.scalars(wanted).all()
