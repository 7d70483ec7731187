"""The tables in a database, brought to the revision this code was written for.

Alembic is imported where it has something to do, which at most starts it has not.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Any

from sqlalchemy import Connection, Engine, inspect, text
from sqlalchemy.schema import CreateSchema

from service.records.db import open_engine
from service.records.errors import CanNot
from service.records.tables import Base

if TYPE_CHECKING:
    from alembic.config import Config

_FOLDER = Path(__file__).parent / "migrations"
# Any number will do as long as it is always the same: two processes that start at once migrate in turn.
_ADVISORY_LOCK = 7_275_261


class OtherVersion(CanNot):
    """A database is of another version than this program; the text says what to do."""


def upgrade(engine: Engine) -> None:
    """Bring the database to head. Safe to call from several processes at once, and again.

    Raises OtherVersion for a database that a newer program has been at.
    """
    revision = revision_of(engine)
    must_be_known(revision)
    if revision == head():
        return
    from alembic import command

    _run(engine, lambda config: command.upgrade(config, "head"))


def has_schema(engine: Engine, name: str) -> bool:
    """Whether a PostgreSQL database has a schema (a name space for tables) of that name."""
    return inspect(engine).has_schema(name)


def make_schema(engine: Engine, name: str) -> None:
    """Make a schema where there is none. Safe to call from several processes at once."""
    with engine.begin() as connection:
        connection.execute(text("SELECT pg_advisory_xact_lock(:key)"), {"key": _ADVISORY_LOCK})
        connection.execute(CreateSchema(name, if_not_exists=True))


def downgrade(engine: Engine, revision: str = "base") -> None:
    """Take the database back to a revision. What only the newer tables could hold is lost."""
    from alembic import command

    _run(engine, lambda config: command.downgrade(config, revision))


def is_current(engine: Engine) -> bool:
    """Whether the database is at the revision that this code expects."""
    return revision_of(engine) == head()


def must_be_current(engine: Engine) -> None:
    """Raises OtherVersion."""
    revision = revision_of(engine)
    must_be_known(revision)
    if revision != head():
        raise OtherVersion("the database is of an older version of Ricasso; start `ricasso serve` once")


def must_be_known(revision: str | None) -> None:
    """Raises OtherVersion for a revision that this program has never heard of."""
    if revision is not None and revision not in revisions():
        raise OtherVersion(
            f"the database is of a newer version of Ricasso (revision {revision}; this program knows"
            f" {head()}): install that version again, or restore a backup from before it"
        )


def revision_of(engine: Engine) -> str | None:
    """The revision that a database is at; None: it is empty."""
    with engine.connect() as connection:
        if not inspect(connection).has_table("alembic_version"):
            return None
        revision: str | None = connection.scalar(text("SELECT version_num FROM alembic_version"))
        return revision


def revisions() -> list[str]:
    """All revisions in the code, the oldest first: the numbers that their files' names begin with."""
    return sorted(path.name.partition("_")[0] for path in (_FOLDER / "versions").glob("[0-9]*.py"))


def head() -> str:
    """The newest revision in the code."""
    return revisions()[-1]


def differences(engine: Engine) -> list[Any]:
    """What Alembic would still have to change to make the database match the models: nothing, at head."""
    from alembic.autogenerate import compare_metadata
    from alembic.runtime.migration import MigrationContext

    with engine.connect() as connection:
        context = MigrationContext.configure(connection, opts={"compare_type": True})
        return list(compare_metadata(context, Base.metadata))


def write_revision(message: str) -> str:
    """Write the revision from head to the models into the package; returns its path."""
    from alembic import command

    with TemporaryDirectory() as folder:
        engine = open_engine(f"sqlite:///{folder}/scratch.sqlite3")
        upgrade(engine)
        number = f"{len(list((_FOLDER / 'versions').glob('[0-9]*.py'))) + 1:04d}"
        with _prepared(engine) as connection:
            made = command.revision(_config(connection), message=message, autogenerate=True, rev_id=number)
        engine.dispose()
    script = made[0] if isinstance(made, list) else made
    return str(script.path if script else "")


def _run(engine: Engine, work: Callable[[Config], None]) -> None:
    with _prepared(engine) as connection:
        work(_config(connection))


def _config(connection: Connection) -> Config:
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", str(_FOLDER))
    config.set_main_option("path_separator", "os")
    config.attributes["connection"] = connection
    return config


@contextmanager
def _prepared(engine: Engine) -> Iterator[Connection]:
    """One transaction around all revisions, entered by one process at a time."""
    with engine.connect() as connection:
        if engine.dialect.name == "sqlite":
            # A table that is copied over must not take the rows that point at it along. The setting can't be
            # changed inside a transaction, so it goes to the driver before one begins.
            driver: Any = connection.connection.driver_connection
            driver.execute("PRAGMA foreign_keys=OFF")
            try:
                with connection.begin():
                    yield connection
                    broken = connection.execute(text("PRAGMA foreign_key_check")).all()
                    if broken:
                        raise RuntimeError(f"the migration would leave rows that point nowhere: {broken[:5]}")
            finally:
                driver.execute("PRAGMA foreign_keys=ON")
            return
        with connection.begin():
            connection.execute(text("SET LOCAL lock_timeout = '120s'"))
            connection.execute(text("SET LOCAL statement_timeout = '600s'"))
            connection.execute(text("SELECT pg_advisory_xact_lock(:key)"), {"key": _ADVISORY_LOCK})
            yield connection
