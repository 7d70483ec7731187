"""Whole tables: counted, compared and copied from one database to another, whatever is in them."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Iterable, Iterator, Mapping
from typing import Any

from sqlalchemy import (
    JSON,
    Column,
    ColumnElement,
    Connection,
    Engine,
    Insert,
    Table,
    Text,
    bindparam,
    cast,
    func,
    insert,
    inspect,
    select,
    text,
    type_coerce,
)

from service.records.tables import Base

#: Rows that are read and written at a time: memory stays small however long the shop has run.
_AT_ONCE = 1_000


def tables() -> list[Table]:
    """All tables, each after those that its rows point at."""
    return Base.metadata.sorted_tables


def has_no_tables(engine: Engine) -> bool:
    """Whether nothing was ever made in a database."""
    return not inspect(engine).get_table_names()


def is_untouched(engine: Engine) -> bool:
    """Whether a database has no table, or none of ours with a row in it."""
    there = set(inspect(engine).get_table_names())
    with engine.connect() as connection:
        return not any(
            connection.execute(select(table).limit(1)).first() for table in tables() if table.name in there
        )


def counts(connection: Connection) -> dict[str, int]:
    """By table, its rows."""
    return {
        table.name: connection.execute(select(func.count()).select_from(table)).scalar_one()
        for table in tables()
    }


def copy(source: Connection, target: Connection, progress: Callable[[str, int], None]) -> None:
    """Copy all rows, numbers included. `progress` hears the table and how many of its rows are there.

    Rows go in by number: what points into its own table points at an earlier row.
    """
    for table in tables():
        done = 0
        filling = _filling(table, target)
        for rows in _parts(source, table, [_as_kept(column, source) for column in table.columns]):
            target.execute(filling, rows)
            done += len(rows)
            progress(table.name, done)
    if target.dialect.name == "postgresql":
        _number_on(target)


def digests(connection: Connection) -> dict[str, str]:
    """By table, a digest of all that is in it, the same on every kind of database."""
    made: dict[str, str] = {}
    for table in tables():
        digest = hashlib.sha256()
        for rows in _parts(connection, table, table.columns):
            for row in rows:
                digest.update(json.dumps(_plain(row), sort_keys=True, default=str).encode())
        made[table.name] = digest.hexdigest()
    return made


def _plain(value: Any) -> Any:
    """A value with its numbers as every database gives them back: PostgreSQL's JSON has no -0.0."""
    if isinstance(value, float) and value.is_integer():
        return int(value)
    if isinstance(value, Mapping):
        return {key: _plain(part) for key, part in value.items()}
    return [_plain(part) for part in value] if isinstance(value, list) else value


def shared_snapshot(connection: Connection) -> str:
    """PostgreSQL: the name under which others may read what this transaction sees, as long as it lasts."""
    for limit in ("statement_timeout", "idle_in_transaction_session_timeout"):
        connection.execute(text(f"SET LOCAL {limit} = 0"))
    return str(connection.execute(text("SELECT pg_export_snapshot()")).scalar_one())


def _parts(
    connection: Connection, table: Table, columns: Iterable[ColumnElement[Any]]
) -> Iterator[list[dict[str, Any]]]:
    ordered = select(*columns).order_by(*table.primary_key.columns)
    answer = connection.execution_options(yield_per=_AT_ONCE).execute(ordered)
    for part in answer.mappings().partitions(_AT_ONCE):
        yield [dict(row) for row in part]


def _as_kept(column: ColumnElement[Any], connection: Connection) -> ColumnElement[Any]:
    """JSON as its text: nothing, and a null that was written, are two things."""
    if not isinstance(column.type, JSON):
        return column
    is_text = connection.dialect.name == "sqlite"
    return (type_coerce(column, Text) if is_text else cast(column, Text)).label(column.key)


def _filling(table: Table, connection: Connection) -> Insert:
    filling = insert(table)
    values: dict[str, ColumnElement[Any]]
    if connection.dialect.name == "sqlite":
        values = {c.name: type_coerce(bindparam(c.name, type_=Text), c.type) for c in json_columns(table)}
    else:
        values = {c.name: cast(bindparam(c.name, type_=Text), c.type) for c in json_columns(table)}
    others = {c.name: bindparam(c.name, type_=c.type) for c in table.columns if c.name not in values}
    return filling.values({**others, **values})


def json_columns(table: Table) -> list[Column[Any]]:
    return [column for column in table.columns if isinstance(column.type, JSON)]


def _number_on(target: Connection) -> None:
    """Let PostgreSQL number new rows after those that were copied with their numbers."""
    for table in tables():
        column = table.autoincrement_column
        if column is None:
            continue
        of_this = {"table": table.name, "column": column.name}
        sequence = target.execute(text("SELECT pg_get_serial_sequence(:table, :column)"), of_this).scalar()
        last = target.execute(select(func.max(column))).scalar()
        if sequence and last is not None:
            target.execute(select(func.setval(sequence, last)))
