"""Rows that hundreds of tests begin with: written once by the service's own code, then put back as they are.

A shop's keys, bins and boxed units are a hundred statements and more, which take longer than many a test that
needs them.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable
from dataclasses import dataclass
from typing import Any, TypeVar, cast

from sqlalchemy import Connection
from sqlalchemy.orm import Session

from service.records.db import Database
from tests.servers import filled_tables

T = TypeVar("T")


@dataclass(frozen=True)
class _Beginning:
    """Rows by table, in the database's own form, parents first; how far sequences were drawn from."""

    given: Any
    rows: dict[str, Any]
    sequences: list[tuple[str, int]]


_known: dict[Hashable, _Beginning] = {}


def begin(database: Database, name: Hashable, work: Callable[[Session], T]) -> T:
    """`work` done in a transaction of its own; what it gives.

    The next time that an empty database begins with `name`, its rows are put back and the same is given.
    """
    kind = (database.engine.dialect.name, database.is_test, name)
    with database.engine.begin() as connection:
        if filled_tables(connection):  # whatever is there already is part of what `work` comes to
            kind = None  # type: ignore[assignment]
        elif kind in _known:
            _put_back(connection, _known[kind])
            return cast(T, _known[kind].given)
    given = database.write(work)
    if kind is not None:
        with database.engine.begin() as connection:
            _known[kind] = _read(connection, given)
    return given


def _read(connection: Connection, given: object) -> _Beginning:
    tables = list(reversed(filled_tables(connection)))
    cursor = connection.connection.cursor()
    if connection.dialect.name == "sqlite":
        return _Beginning(
            given, {name: cursor.execute(f'SELECT * FROM "{name}"').fetchall() for name in tables}, []
        )
    rows = {}
    for name in tables:
        with cast(Any, cursor).copy(f'COPY "{name}" TO STDOUT') as copy:
            rows[name] = b"".join(copy)
    cursor.execute("SELECT sequencename, last_value FROM pg_sequences WHERE last_value IS NOT NULL")
    return _Beginning(given, rows, cursor.fetchall())


def _put_back(connection: Connection, beginning: _Beginning) -> None:
    cursor = connection.connection.cursor()
    if connection.dialect.name == "sqlite":
        for name, rows in beginning.rows.items():
            places = ", ".join("?" * len(rows[0]))
            cursor.executemany(f'INSERT INTO "{name}" VALUES ({places})', rows)
        return
    for name, rows in beginning.rows.items():
        with cast(Any, cursor).copy(f'COPY "{name}" FROM STDIN') as copy:
            copy.write(rows)
    cursor.executemany("SELECT setval(quote_ident(%s)::regclass, %s)", beginning.sequences)
