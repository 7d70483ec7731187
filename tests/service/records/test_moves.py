"""Guarded moves: what has moved since it was read is not moved again, whoever is right."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import update
from sqlalchemy.orm import Session

from service.records.db import Database
from service.records.errors import MoveNotAllowed
from service.records.moves import move_job, move_jobs, move_load
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


def test_of_several_jobs_none_is_moved_where_one_has_been_moved_since_they_were_read(bench: Bench) -> None:
    bench.order(quantity=2)
    bench.do(bench.see({"id": "L1"}), "drop")
    bench.claimed()
    before = len(bench.rows(History))

    def move(session: Session) -> None:
        jobs = [session.get_one(Job, number) for number in (1, 2, 3)]
        moved_by_another(session, jobs[1], state="cancelled")
        move_jobs(session, jobs, JobState.ENGRAVED, by=By(OPERATOR, MORNING))

    with pytest.raises(MoveNotAllowed, match="job 2 is no longer loaded"):
        bench.database.write(move)

    assert [job.state for job in bench.rows(Job)] == ["loaded"] * 3
    assert len(bench.rows(History)) == before


def test_several_jobs_are_moved_each_from_where_it_was_read_with_what_else_has_changed_of_it(
    bench: Bench,
) -> None:
    bench.order(quantity=2)

    def move(session: Session) -> list[tuple[str, str | None, list[str], int]]:
        jobs = [session.get_one(Job, number) for number in (3, 1, 2)]
        jobs[0].faces_done = ["mark_side"]
        moved_by_another(session, jobs[2], hold_reason="asked", version=7)
        why = {1: "one", 2: "two", 3: "three"}
        move_jobs(session, jobs, JobState.SHORT, by=By(OPERATOR, MORNING), why=why, unit_in_hand=True)
        return [(job.state, job.hold_reason, job.faces_done, job.version) for job in jobs]

    seen = bench.database.write(move)

    assert seen == [("short", None, ["mark_side"], 2), ("short", None, [], 3), ("short", "asked", [], 8)]
    assert all(job.unit_in_hand for job in bench.rows(Job))
    assert [(row.subject_id, row.move_from, row.why) for row in bench.rows(History)[-3:]] == [
        (3, "ready", "three"),
        (1, "loaded", "one"),
        (2, "ready", "two"),
    ]


def test_of_several_jobs_none_is_moved_where_one_may_not_be(bench: Bench) -> None:
    bench.order()

    def move(session: Session) -> None:
        jobs = [session.get_one(Job, number) for number in (1, 2)]
        move_jobs(session, jobs, JobState.ENGRAVED, by=By(OPERATOR, MORNING))

    with pytest.raises(MoveNotAllowed, match="job 2 is ready; it can't become engraved"):
        bench.database.write(move)

    assert [job.state for job in bench.rows(Job)] == ["loaded", "ready"]


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
