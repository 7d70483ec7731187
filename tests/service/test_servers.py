"""The tests' own servers: what other tests take for granted."""

from __future__ import annotations

from pathlib import Path

import pytest
import redis
from sqlalchemy import text
from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import Session

from service.records.db import Database, open_engine
from service.records.tables import Bin, Stock


@pytest.mark.parametrize("turn", [1, 2])
def test_every_test_finds_the_database_empty(database: Database, turn: int) -> None:
    with database.reading() as session:
        found = session.query(Bin).count()

    database.write(lambda session: session.add(Bin(bin="A-01", walking_order=turn)))

    assert found == 0


def test_a_broken_constraint_is_looked_at_three_times_and_then_said(database: Database) -> None:
    """The second look may see what somebody faster wrote; one that sees nothing new ends it."""
    looks = []

    def work(session: Session) -> None:
        looks.append(session)
        session.add(Stock(bin="no such bin", sku="PARER", boxed=1))

    with pytest.raises(IntegrityError):
        database.write(work)

    assert len(looks) == 3
    with database.reading() as session:
        assert session.query(Stock).count() == 0


def test_sqlite_waits_for_the_write_lock_and_keeps_what_it_acknowledged(tmp_path: Path) -> None:
    engine = open_engine(f"sqlite:///{tmp_path / 'new.sqlite3'}")
    with engine.connect() as connection:
        pragmas = {
            name: connection.execute(text(f"PRAGMA {name}")).scalar()
            for name in ("journal_mode", "synchronous", "busy_timeout", "foreign_keys")
        }
    engine.dispose()

    # synchronous 2 is FULL (https://www.sqlite.org/pragma.html#pragma_synchronous)
    assert pragmas == {"journal_mode": "wal", "synchronous": 2, "busy_timeout": 30000, "foreign_keys": 1}


@pytest.mark.postgres
def test_postgres_gives_up_waiting_for_locks_before_a_request_would(postgres_database: Database) -> None:
    with postgres_database.engine.connect() as connection:
        waits = [
            connection.execute(text(f"SHOW {name}")).scalar()
            for name in ("lock_timeout", "statement_timeout")
        ]

    assert waits == ["5s", "15s"]


@pytest.mark.postgres
def test_postgres_asks_soon_whether_a_silent_client_is_still_there(postgres_database: Database) -> None:
    with postgres_database.engine.connect() as connection:
        asks = [
            connection.execute(text(f"SHOW tcp_keepalives_{name}")).scalar()
            for name in ("idle", "interval", "count")
        ]
        is_over_tcp = connection.execute(text("SELECT inet_server_addr() IS NOT NULL")).scalar()

    # On a socket of the same machine the server needs not to ask, and says 0.
    assert asks == (["30", "10", "3"] if is_over_tcp else ["0", "0", "0"])


@pytest.mark.redis
def test_the_broker_never_throws_messages_away(broker_url: str) -> None:
    with redis.Redis.from_url(broker_url, decode_responses=True) as client:
        policy = client.config_get("maxmemory-policy")

    assert policy == {"maxmemory-policy": "noeviction"}
