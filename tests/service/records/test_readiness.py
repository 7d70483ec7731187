"""Ready means that what is written now is kept."""

from __future__ import annotations

import itertools
from pathlib import Path

import pytest
from sqlalchemy import event, text

from service.records import db
from service.records.db import Database, open_engine
from tests.clocks import SetClock
from tests.counter import an_open_counter


@pytest.fixture(autouse=True)
def _every_look_is_a_new_one(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(db, "_LOOK_AGAIN_SECONDS", -1.0)


def test_a_database_that_takes_writes_is_ready(database: Database) -> None:
    assert [database.takes_writes() for _ in range(2)] == [True, True]


def test_a_database_that_can_only_be_read_is_not_ready(
    sqlite_database: Database, clock: SetClock, tmp_path: Path
) -> None:
    with an_open_counter(sqlite_database, clock, tmp_path) as counter:
        before = counter.client.get("/readyz").status_code
        sqlite_database.engine.dispose()
        # Every write fails, reads go on (https://www.sqlite.org/pragma.html#pragma_query_only).
        only_read = lambda connection, _: connection.execute("PRAGMA query_only=ON")  # noqa: E731
        event.listen(sqlite_database.engine, "connect", only_read)
        during = counter.client.get("/readyz").status_code
        event.remove(sqlite_database.engine, "connect", only_read)
        sqlite_database.engine.dispose()
        after = counter.client.get("/readyz").status_code

    assert (before, during, after) == (200, 503, 200)


def test_a_lock_that_somebody_holds_is_no_failure(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    engine = open_engine(f"sqlite:///{tmp_path / 'new.sqlite3'}")
    with engine.begin() as connection:
        connection.execute(text("CREATE TABLE tick (id INTEGER PRIMARY KEY, task TEXT UNIQUE, at TEXT)"))
    database = Database(engine)

    with engine.begin():
        assert database.takes_writes()
    engine.dispose()


def test_however_many_ask_one_look_is_made(
    sqlite_database: Database, monkeypatch: pytest.MonkeyPatch
) -> None:
    looks = itertools.count()
    monkeypatch.setattr(db, "_LOOK_AGAIN_SECONDS", 60.0)
    monkeypatch.setattr(sqlite_database, "_try_to_write", lambda: next(looks) >= 0)

    for _ in range(5):
        sqlite_database.takes_writes()

    assert next(looks) == 1
