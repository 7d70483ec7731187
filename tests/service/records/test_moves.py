"""Guarded moves: what has moved since it was read is not moved again, whoever is right."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import update
from sqlalchemy.orm import Session

from service.records.db import Database
from service.records.errors import MoveNotAllowed
from service.records.moves import move_job, move_load
from service.records.states import JobState, LoadState
from service.records.tables import History, Job, Load
from service.records.who import By
from tests.benches import OPERATOR, Bench
from tests.clocks import MORNING, SetClock


@pytest.fixture
def bench(database: Database, clock: SetClock, tmp_path: Path) -> Bench:
    """One unit in one load that was claimed."""
    bench = Bench(database, clock, tmp_path)
    bench.order()
    bench.claimed()
    return bench


def moved_by_another(session: Session, row: Load | Job, **values: Any) -> None:
    """What another transaction has committed since `row` was read; `row` itself does not show it."""
    statement = update(type(row)).where(type(row).id == row.id).values(**values)
    session.execute(statement, execution_options={"synchronize_session": False})


@pytest.mark.parametrize(
    "meanwhile",
    [{"state": "pulled"}, {"fence": 2}, {"state": "dropped", "fence": 2}],
    ids=["its state alone", "its fence alone", "both"],
)
def test_a_load_that_another_has_moved_since_it_was_read_is_not_moved(
    bench: Bench, meanwhile: dict[str, Any]
) -> None:
    before = len(bench.rows(History))

    def move(session: Session) -> None:
        load = session.get_one(Load, 1)
        assert (load.state, load.fence) == ("claimed", 1)
        moved_by_another(session, load, **meanwhile)
        move_load(session, load, LoadState.PULLED, by=By(OPERATOR, MORNING))

    with pytest.raises(MoveNotAllowed, match="no longer claimed"):
        bench.database.write(move)

    assert len(bench.rows(History)) == before


def test_a_job_that_another_has_moved_since_it_was_read_is_not_moved(bench: Bench) -> None:
    def move(session: Session) -> None:
        job = session.get_one(Job, 1)
        assert job.state == "loaded"
        moved_by_another(session, job, state="cancelled")
        move_job(session, job, JobState.ENGRAVED, by=By(OPERATOR, MORNING))

    with pytest.raises(MoveNotAllowed, match="no longer loaded"):
        bench.database.write(move)


def test_a_load_that_stands_as_it_was_read_is_moved_with_its_row_of_history(bench: Bench) -> None:
    bench.database.write(
        lambda session: move_load(
            session, session.get_one(Load, 1), LoadState.PULLED, by=By(OPERATOR, MORNING), why="found"
        )
    )

    (load,) = bench.rows(Load)
    last = bench.rows(History)[-1]
    assert load.state == "pulled"
    assert (last.subject, last.move_from, last.move_to, last.why) == (
        "load",
        "claimed",
        "pulled",
        "found",
    )
