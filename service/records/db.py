"""Engine, sessions and transactions, used alike on SQLite and PostgreSQL.

SQLite takes its write lock when a transaction begins (`BEGIN IMMEDIATE`): a read that turns into a write
under a plain `BEGIN` fails at once with "database is locked" instead of waiting
(https://www.sqlite.org/lang_transaction.html, "IMMEDIATE"). `synchronous=FULL`, because an acknowledged
order must survive a pulled plug.
"""

from __future__ import annotations

import hashlib
import json
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import partial
from typing import Any, TypeVar

from sqlalchemy import (
    ColumnElement,
    Connection,
    CursorResult,
    Dialect,
    Engine,
    Executable,
    Select,
    create_engine,
    event,
    func,
    insert,
    make_url,
    text,
    update,
)
from sqlalchemy.dialects.postgresql import psycopg
from sqlalchemy.exc import (
    DBAPIError,
    IntegrityError,
    InvalidatePoolError,
    OperationalError,
    SQLAlchemyError,
)
from sqlalchemy.exc import TimeoutError as NoConnectionFree
from sqlalchemy.orm import Session, sessionmaker

from service.records import clock
from service.records.errors import DatabaseBusy
from service.records.tables import Tick

T = TypeVar("T")

_PRAGMAS = (
    "journal_mode=WAL",
    "synchronous=FULL",
    "busy_timeout=30000",
    "foreign_keys=ON",
    "trusted_schema=OFF",
)
#: Nobody tells the server of a machine that is gone. As it comes it asks after two hours, and keeps locks
#: (`Database.alone`) until then; here it asks after half a minute of silence, and lets go within another.
_PG_OPTIONS = (
    "-c statement_timeout=15s -c lock_timeout=5s -c idle_in_transaction_session_timeout=30s"
    " -c tcp_keepalives_idle=30 -c tcp_keepalives_interval=10 -c tcp_keepalives_count=3"
)
#: serialization failure, deadlock, lock not available
_RETRYABLE = frozenset({"40001", "40P01", "55P03"})
_ATTEMPTS = 3
#: What the driver and the pool raise where the database can't be asked; every door answers it alike.
UNREACHABLE = (OperationalError, NoConnectionFree)
_LOOK_AGAIN_SECONDS = 2.0
_LOOK = "look whether writes are kept"
_IS_TEST, _REMEMBERED = "is_test", "remembered"
#: Whether a connection is still there is asked after so long a rest. To ask every time costs each request
#: several rounds to the server; that one of the last second is dead is found by the first statement, whose
#: request is told so, and nobody else gets a connection that is as old.
_RESTED_SECONDS = 1.0
_USED_AT = "used_at"
#: The key of an advisory lock, of a `lock_key`: such locks are the database's, and a shop has a schema of it.
OWN_KEY = "hashtextextended(current_schema(), :key)"
_LOCK = text(f"SELECT pg_try_advisory_lock({OWN_KEY})")
_UNLOCK = text(f"SELECT pg_advisory_unlock({OWN_KEY})")


def open_engine(url: str, *, schema: str | None = None) -> Engine:
    """An engine for the URL, with the settings that the service relies on. `schema`: where the tables are on
    PostgreSQL, if not where its role finds them by itself."""
    parsed = make_url(url)
    if parsed.get_backend_name() == "sqlite":
        engine = create_engine(
            parsed, connect_args={"check_same_thread": False, "timeout": 30}, hide_parameters=True
        )
        event.listen(engine, "connect", _prepare_sqlite)
        event.listen(engine, "begin", _begin_sqlite)
        return engine
    options = _PG_OPTIONS if schema is None else f"{_PG_OPTIONS} -c search_path={schema}"
    engine = create_engine(
        parsed,
        connect_args={"options": options, "connect_timeout": 5},
        pool_size=10,
        max_overflow=5,
        pool_timeout=20,
        pool_recycle=1800,
        hide_parameters=True,  # values of a failed statement could be a customer's words
    )
    event.listen(engine, "checkin", _note_use)
    event.listen(engine, "checkout", partial(_look_after_a_rest, engine.dialect))
    return engine


def _note_use(_connection: Any, record: Any) -> None:
    record.info[_USED_AT] = time.monotonic()


def _look_after_a_rest(dialect: Dialect, connection: Any, record: Any, _proxy: Any) -> None:
    """Ask a connection that has rested whether it is still there, and if not, take none that is as old."""
    used_at = record.info.get(_USED_AT)
    if used_at is None or time.monotonic() - used_at < _RESTED_SECONDS:
        return
    try:
        dialect.do_ping(connection)
    except dialect.loaded_dbapi.Error as error:
        if not dialect.is_disconnect(error, connection, None):
            raise
        raise InvalidatePoolError from error


def _prepare_sqlite(connection: Any, _record: Any) -> None:
    connection.isolation_level = None  # the driver must not begin transactions of its own
    for pragma in _PRAGMAS:
        connection.execute(f"PRAGMA {pragma}")


def _begin_sqlite(connection: Connection) -> None:
    readonly = connection.get_execution_options().get("readonly", False)
    connection.exec_driver_sql("BEGIN" if readonly else "BEGIN IMMEDIATE")


class Database:
    """Sessions on one engine. `write` is the only place that commits. `is_test`: it is the sandbox's, and
    what is answered and told of its orders says so."""

    def __init__(self, engine: Engine, *, is_test: bool = False) -> None:
        self.engine, self.is_test = engine, is_test
        info = {_IS_TEST: is_test, _REMEMBERED: {}}
        self._sessions = sessionmaker(engine, expire_on_commit=False, info=info)
        self._readers = sessionmaker(
            engine.execution_options(**self._to_read()), expire_on_commit=False, info=info
        )
        self._singles = self._sessions if self.is_sqlite else self._readers
        self._looking = threading.Lock()
        self._looked_at = float("-inf")
        self._took_write = False

    def _to_read(self) -> dict[str, Any]:
        """On PostgreSQL every statement sees what is committed when it begins, within a transaction too, so
        reading needs none, and two rounds to the server are saved."""
        return {"readonly": True} if self.is_sqlite else {"isolation_level": "AUTOCOMMIT"}

    @property
    def is_sqlite(self) -> bool:
        return self.engine.dialect.name == "sqlite"

    @contextmanager
    def reading(self) -> Iterator[Session]:
        """A session for reading only; on SQLite it takes no write lock. Never commits."""
        with self._readers() as session:
            yield session

    @contextmanager
    def writing(self) -> Iterator[Session]:
        """One transaction: commits when the block ends well, rolls back otherwise.

        Raises DatabaseBusy when the lock could not be had in time (nothing was changed).
        """
        with self._committed(self._sessions) as session:
            yield session

    @contextmanager
    def _committed(self, sessions: sessionmaker[Session]) -> Iterator[Session]:
        with sessions() as session:
            try:
                yield session
                session.commit()
            except OperationalError as error:
                session.rollback()
                if is_busy(error):
                    raise DatabaseBusy("the database is busy, nothing was changed; try again") from error
                raise

    @contextmanager
    def alone(self, at: str) -> Iterator[bool]:
        """Whether nobody else is at that for as long as the block lasts, whichever process they are in; says
        so at once and waits for nobody. Whoever dies, or loses the connection, is no longer at it. Of several
        shops in one database each has its own schema, and they don't ask for one another. On SQLite one
        service works with the file, and its threads don't do the same thing twice."""
        if self.is_sqlite:
            yield True
            return
        key = {"key": lock_key("alone", at)}
        with self.engine.connect().execution_options(isolation_level="AUTOCOMMIT") as connection:
            is_alone = connection.execute(_LOCK, key).scalar_one()
            try:
                yield is_alone
            finally:
                if is_alone:
                    try:
                        connection.execute(_UNLOCK, key)
                    except UNREACHABLE:  # the server has freed it with the connection
                        connection.invalidate()

    def takes_writes(self) -> bool:
        """Whether what is written now would be kept: one small row is written to see, every two seconds
        at the most however many ask. A lock that somebody else holds is no failure."""
        with self._looking:
            if time.monotonic() - self._looked_at > _LOOK_AGAIN_SECONDS:
                self._took_write = self._try_to_write()
                self._looked_at = time.monotonic()
            return self._took_write

    def _try_to_write(self) -> bool:
        try:
            with self.engine.connect() as connection:
                if self.is_sqlite:  # set before a transaction begins, and for this connection alone
                    connection.connection.driver_connection.execute("PRAGMA busy_timeout=1000")  # type: ignore[union-attr]
                    connection.detach()
                looked = update(Tick).where(Tick.task == _LOOK).values(at=clock.now())
                if connection.execute(looked).rowcount == 0:
                    connection.execute(insert(Tick).values(task=_LOOK, at=clock.now()))
                connection.commit()
        except IntegrityError:  # another process looked at this moment
            return True
        except DBAPIError as error:
            return is_busy(error)
        except SQLAlchemyError:
            return False
        return True

    def write(self, work: Callable[[Session], T]) -> T:
        """Run `work` in one transaction, up to three times from the start when the database is busy.

        Also when a row broke a constraint: somebody else was faster, and a second run sees what they wrote.
        """
        return self._tried(self._sessions, work)

    def write_singly(self, work: Callable[[Session], T]) -> T:
        """The same for work whose statements need not stand or fall together: on PostgreSQL each is kept as
        soon as it is done, and one that is alone is spared the rounds to the server for beginning and end."""
        return self._tried(self._singles, work)

    def _tried(self, sessions: sessionmaker[Session], work: Callable[[Session], T]) -> T:
        for attempt in range(1, _ATTEMPTS + 1):
            try:
                with self._committed(sessions) as session:
                    return work(session)
            except (DatabaseBusy, IntegrityError):
                if attempt == _ATTEMPTS:
                    raise
        raise AssertionError("unreachable")

    def rehearse(self, work: Callable[[Session], T]) -> T:
        """Do `work` as `write` does, then undo it: what would it have come to?"""
        try:
            with self.writing() as session:
                raise _Undone(work(session))
        except _Undone as undone:
            return undone.result  # type: ignore[return-value]


def lock_key(kind: str, name: str) -> int:
    """A 64-bit key for PostgreSQL's advisory locks, of one shop by `OWN_KEY`."""
    return int.from_bytes(hashlib.sha256(f"{kind}:{name}".encode()).digest()[:8], "big", signed=True)


def is_test(session: Session) -> bool:
    """Whether a session is one of the sandbox's."""
    return bool(session.info[_IS_TEST])


def send(session: Session, statement: Executable, values: Any = None) -> CursorResult[*tuple[Any, ...]]:
    """Execute a statement on tables that stands built, behind what the session has still to write. It costs
    less than through the session, which looks each time for objects that it would load or change."""
    session.flush()
    return session.connection().execute(statement, values)


def as_part(statement: Executable) -> tuple[str, dict[str, Any]]:
    """A statement as PostgreSQL is sent it, to be part of another one, and its values by their names, None
    for those that it is still to be given."""
    compiled = statement.compile(dialect=psycopg.dialect())  # type: ignore[attr-defined,no-untyped-call]
    return str(compiled), compiled.params


#: Where a statement is not the same on both, it stands built for each.
DIALECTS = ("postgresql", "sqlite")


def as_list(numbers: Select[int], dialect: str) -> ColumnElement[Any]:
    """The numbers that a SELECT comes to, as one column of another; what comes of it is for `listed`."""
    if dialect == "postgresql":
        return func.array(numbers.scalar_subquery())
    (column,) = numbers.selected_columns
    return numbers.with_only_columns(func.json_group_array(column)).scalar_subquery()


def listed(numbers: Any) -> list[int]:
    """What a column made by `as_list` came to."""
    given: list[int] = numbers if isinstance(numbers, list) else json.loads(numbers)
    return given


def remembered(session: Session) -> dict[str, Any]:
    """What this process remembers of a session's database, as long as it works with it. Whoever puts
    something here looks each time whether it still holds."""
    memory: dict[str, Any] = session.info[_REMEMBERED]
    return memory


def forget_oldest(kept: dict[Any, Any], *, most: int) -> None:
    """Take out what has been kept the longest, down to so many; other threads may use it meanwhile."""
    if len(kept) > most:
        for oldest in list(kept)[:-most]:
            kept.pop(oldest, None)


class _Undone(Exception):
    """Carries what a rehearsal came to out of its transaction."""

    def __init__(self, result: object) -> None:
        self.result = result


def is_busy(error: DBAPIError) -> bool:
    """Whether the error means only that the work should be tried again."""
    code = getattr(error.orig, "sqlstate", None)
    return code in _RETRYABLE or "database is locked" in str(error.orig)
