"""What pytest hands to the tests: databases of both kinds, a broker, a clock.

`database` runs a test twice, on SQLite and on PostgreSQL. `sqlite_database` and `postgres_database`
are for tests that are about one of them. All start empty; ids start at 1.
"""

from __future__ import annotations

import gc
import os
import shutil
import uuid
from collections.abc import Iterator
from datetime import datetime
from functools import partial
from pathlib import Path

import pytest
import structlog
from hypothesis import settings
from sqlalchemy import Engine, create_engine, event
from sqlalchemy.engine import URL

from layout.plan.planner import plan
from service.records.db import Database, open_engine
from service.records.schema import make_schema
from tests.clocks import SetClock, a_clock
from tests.servers import (
    create_tables,
    empty_all_tables,
    new_postgres_database,
    running_broker,
    running_postgres,
)

gc.disable()  # until everything is imported and collected, see below


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """A line for each test that failed, for the end of a run of several steps (`tests/run`)."""
    file = os.environ.get("RICASSO_TEST_FAILURES")
    if file and not hasattr(terminalreporter.config, "workerinput"):
        with Path(file).open("a", encoding="utf-8") as lines:
            for kind in ("failed", "error"):
                for report in terminalreporter.stats.get(kind, []):
                    why = getattr(getattr(report.longrepr, "reprcrash", None), "message", "").strip()
                    first = why.splitlines()[0] if why else ""
                    lines.write(f"{kind}: {report.nodeid}  {first}"[:300] + "\n")


def pytest_collection_finish(session: pytest.Session) -> None:
    """What was imported and collected stays until the end: to look it through for garbage again and again
    takes a tenth of the tests' time."""
    gc.collect()
    gc.freeze()
    gc.set_threshold(50_000, 20, 20)
    gc.enable()


@pytest.fixture(scope="session", autouse=True)
def _another_day() -> Iterator[None]:
    """`RICASSO_TEST_NOW` (an ISO moment with its offset): that moment, in this process, when the run begins.

    The clock goes on from there. Processes that tests start keep the machine's time.
    """
    moment = os.environ.get("RICASSO_TEST_NOW")
    if not moment:
        yield
        return
    import time_machine

    with time_machine.travel(datetime.fromisoformat(moment), tick=True):
        yield


@pytest.fixture(autouse=True)
def _own_log() -> Iterator[None]:
    """How a test's own service writes its log ends with the test."""
    yield
    structlog.reset_defaults()


# No test is timed, neither as a whole nor by example: what a machine has to do besides is no finding.
settings.register_profile("untimed", deadline=None)
settings.load_profile("untimed")


@pytest.fixture
def clock() -> SetClock:
    return a_clock()


@pytest.fixture(autouse=True)
def _planned_in_a_hurry(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """Plans need not be good where they are only followed and shown."""
    if request.path.relative_to(Path(__file__).parent).parts[0] in {"service", "pages"}:
        from service.plan import planning as plans

        monkeypatch.setattr(plans, "plan", partial(plan, rounds=5_000))


@pytest.fixture(scope="session")
def run_id(request: pytest.FixtureRequest) -> str:
    """The same for all workers of a run, another for every run."""
    return os.environ.get("PYTEST_XDIST_TESTRUNUID") or uuid.uuid4().hex


@pytest.fixture(scope="session")
def postgres_server(run_id: str) -> Iterator[URL]:
    with running_postgres(run_id[:16]) as url:
        yield url


@pytest.fixture
def empty_postgres_url(postgres_server: URL) -> Iterator[URL]:
    """A database without any table, for tests of migrations."""
    with new_postgres_database(postgres_server, f"empty_{uuid.uuid4().hex[:12]}") as url:
        yield url


@pytest.fixture
def two_shops(empty_postgres_url: URL) -> Iterator[tuple[Database, Database]]:
    """Two schemas of one database, without any table."""
    url = empty_postgres_url.render_as_string(hide_password=False)
    here, there = (Database(open_engine(url, schema=name)) for name in ("public", "other_shop"))
    make_schema(here.engine, "other_shop")
    yield here, there
    for shop in (here, there):
        shop.engine.dispose()


# All tests of a worker share an engine of each kind: it keeps the statements that it has compiled, which
# take as long as running them on databases as small as these.


@pytest.fixture(scope="session")
def _postgres_engine(postgres_server: URL, run_id: str) -> Iterator[Engine]:
    """On the database that this worker's tests take turns in, with all tables."""
    worker = os.environ.get("PYTEST_XDIST_WORKER", "alone")
    with new_postgres_database(postgres_server, f"ricasso_{worker}_{run_id[:8]}") as url:
        engine = open_engine(url.render_as_string(hide_password=False))
        create_tables(engine)
        yield engine
        engine.dispose()


@pytest.fixture(scope="session")
def _postgres_connections(_postgres_engine: Engine) -> set[int]:
    """Of the engine's connections, their processes at the server: they stay open from test to test."""
    made: set[int] = set()
    _postgres_engine.dispose()
    event.listen(_postgres_engine, "connect", lambda new, _: made.add(new.info.backend_pid))
    return made


@pytest.fixture(scope="session")
def _sqlite_model(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A database file with all tables, copied for every test."""
    file = tmp_path_factory.mktemp("sqlite") / "model.sqlite3"
    engine = create_engine(f"sqlite:///{file}")
    create_tables(engine)
    engine.dispose()
    return file


@pytest.fixture(scope="session")
def _sqlite_engine(_sqlite_model: Path) -> Engine:
    """On the file that this worker's tests take turns in; it need not outlast a loss of power."""
    engine = open_engine(f"sqlite:///{_sqlite_model.with_name('ricasso.sqlite3')}")
    event.listen(engine, "connect", lambda connection, _: connection.execute("PRAGMA synchronous=OFF"))
    return engine


@pytest.fixture
def sqlite_database(_sqlite_model: Path, _sqlite_engine: Engine) -> Iterator[Database]:
    for left in _sqlite_model.parent.glob("ricasso.sqlite3*"):
        left.unlink()
    shutil.copyfile(_sqlite_model, _sqlite_model.with_name("ricasso.sqlite3"))
    yield Database(_sqlite_engine)
    _sqlite_engine.dispose()


@pytest.fixture
def postgres_database(_postgres_engine: Engine, _postgres_connections: set[int]) -> Database:
    # The last test did not give one back.
    if _postgres_engine.pool.checkedout():  # type: ignore[attr-defined]
        _postgres_engine.dispose()
        _postgres_connections.clear()
    empty_all_tables(_postgres_engine, kept=_postgres_connections)
    return Database(_postgres_engine)


@pytest.fixture(params=["sqlite", pytest.param("postgres", marks=pytest.mark.postgres)])
def database(request: pytest.FixtureRequest) -> Database:
    """A database with all tables and no rows, once of each kind."""
    database = request.getfixturevalue(f"{request.param}_database")
    assert isinstance(database, Database)
    return database


@pytest.fixture(scope="session")
def _broker_url() -> Iterator[str]:
    with running_broker() as url:
        yield url


@pytest.fixture
def broker_url(_broker_url: str) -> str:
    """A Redis-protocol server with nothing in it."""
    import redis

    with redis.Redis.from_url(_broker_url) as client:
        client.flushall()
    return _broker_url
