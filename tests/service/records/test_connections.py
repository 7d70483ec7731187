"""Connections that the server has ended meanwhile, as a restart of it ends them all."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from sqlalchemy import text

from service.records import db
from service.records.db import UNREACHABLE, Database, open_engine


@pytest.fixture
def ended(postgres_database: Database) -> Iterator[Database]:
    """A database two of whose connections lie in the pool, and are no longer there."""
    engine = open_engine(postgres_database.engine.url.render_as_string(hide_password=False))
    with engine.connect() as one, engine.connect() as other:
        pids = [connection.scalar(text("SELECT pg_backend_pid()")) for connection in (one, other)]
    with postgres_database.reading() as session:
        for pid in pids:
            assert session.scalar(text("SELECT pg_terminate_backend(:pid, 5000)"), {"pid": pid})
    yield Database(engine)
    engine.dispose()


def _asks(database: Database) -> object:
    with database.reading() as session:
        return session.scalar(text("SELECT 1"))


@pytest.mark.postgres
def test_a_connection_that_has_rested_is_asked_whether_it_is_still_there(
    ended: Database, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(db, "_RESTED_SECONDS", 0.0)

    assert _asks(ended) == 1


@pytest.mark.postgres
def test_of_connections_that_were_in_use_just_now_one_request_is_told_that_they_are_dead(
    ended: Database, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(db, "_RESTED_SECONDS", 3600.0)

    with pytest.raises(UNREACHABLE):
        _asks(ended)

    assert [_asks(ended) for _ in range(3)] == [1, 1, 1]
