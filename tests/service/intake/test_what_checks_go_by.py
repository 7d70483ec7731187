"""What a check goes by besides the shop's description is remembered, until a newer record is there."""

from __future__ import annotations

from datetime import date

from service.intake import check as checks
from service.records.db import Database
from service.records.tables import CalibrationRecord, TestCardRecord
from service.shop.geometry_workers import InForce
from tests.clocks import MORNING


def _a_calibration(shift_mm: float) -> CalibrationRecord:
    return CalibrationRecord(
        station="s1",
        copy="long-1",
        model="rigid",
        matrix=[1, 0, 0, 1, shift_mm, 0.0],
        residual_mm=0.01,
        points=[],
        at=MORNING,
        by="Operator One",
    )


def _a_card() -> TestCardRecord:
    return TestCardRecord(
        process="steel",
        station="s1",
        recipe="r",
        burned_on=date(2026, 11, 2),
        by="Operator One",
        note="",
        at=MORNING,
        recorded_by="Operator One",
    )


def test_a_plate_measured_and_a_card_recorded_count_from_the_next_check_on(database: Database) -> None:
    def seen() -> InForce:
        with database.reading() as session:
            return checks.in_force(session)

    before, again = seen(), seen()
    shifts = []
    for shift_mm in (0.1, 0.2):  # the second replaces the first
        database.write(lambda session, by=shift_mm: session.add(_a_calibration(by)))  # type: ignore[misc]
        shifts.append([measured.matrix[4] for measured in seen().calibrations.values()])
    database.write(lambda session: session.add(_a_card()))

    assert again is before
    assert (before.calibrations, before.proofs, shifts) == ({}, (), [[0.1], [0.2]])
    assert len(seen().proofs) == 1


def test_what_one_database_goes_by_is_not_what_another_does(database: Database) -> None:
    database.write(lambda session: session.add(_a_card()))
    with database.reading() as session:
        known = checks.in_force(session)
    other = Database(database.engine)

    with other.reading() as session:
        assert checks.in_force(session) is not known
