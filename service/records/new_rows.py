"""New rows put straight into their tables, with the numbers and defaults that they get there written on them.

A session works out, for every row that is added to it, what must be written before what, and remembers the
row to see what will be changed of it. Where a use case knows the order itself and changes nothing afterwards,
as when an order comes in, that is two thirds of what a row costs. The statements are built once, for the same
reason.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cache
from typing import Any

from sqlalchemy import BindParameter, ColumnElement, Connection, Insert, func, insert, inspect, select, update
from sqlalchemy.dialects.postgresql import psycopg
from sqlalchemy.orm import Session

from service.records.db import as_list
from service.records.tables import Base

_Columns = tuple[tuple[str, str, Any], ...]
#: A name as PostgreSQL takes it, in quotes where it needs them.
_quoted = psycopg.dialect().identifier_preparer.quote  # type: ignore[no-untyped-call]


def put(session: Session, rows: Sequence[Base]) -> None:
    """Insert new rows of one table with one statement, in their order. The session does not keep them: what
    is changed of them afterwards is not written."""
    if not rows:
        return
    kind = type(rows[0])
    number, columns = _number_of(kind), _columns(kind, is_numbered=False)
    values = [_values(row, columns) for row in rows]
    done = session.connection().execute(_insert(kind), values if len(values) > 1 else values[0])
    if number is not None:
        for row, given in zip(rows, done.scalars(), strict=True):
            setattr(row, number, given)


@dataclass(frozen=True, slots=True)
class Filled:
    """New rows of several tables as they are written: for each table its rows by column."""

    tables: Sequence[tuple[type[Base], list[dict[str, Any]]]] = ()


NOTHING = Filled()


@dataclass(frozen=True, slots=True)
class Change:
    """New values of a row by column; texts and numbers."""

    kind: type[Base]
    id: int
    values: Mapping[str, str | int]


@dataclass(frozen=True, slots=True)
class Premise:
    """A query of PostgreSQL's that gives a row, or none, and then nothing is written. One that changes
    something must ask the premise before it, by its name, whether that gave its row.

    `fills`: where new rows have something in this column, they get the premise's column of that name."""

    name: str
    query: str
    values: Mapping[str, Any]
    fills: tuple[type[Base], str] | None = None


def filled(rows: Mapping[type[Base], Sequence[Base]]) -> Filled:
    """Rows of several tables, those first that others refer to, whole: with the defaults of what was left
    out, on themselves too. Rows of one table have all got their number (`numbers`), or none of them has:
    nobody is told those that they get where they are written."""
    return Filled([(kind, _filled(kind, of_kind)) for kind, of_kind in rows.items()])


def put_all(session: Session, rows: Filled, *, change: Change | None = None) -> None:
    """Insert new rows of several tables, each table's in their order, and change a row that is there.

    On PostgreSQL that is one statement, the same for any number of rows: each table's come as one document.
    Sent by themselves, ten tables' rows spend more time on the way than they take to write."""
    session.flush()
    connection = session.connection()
    if connection.dialect.name == "postgresql":
        _put_in_one(connection, rows, change, ())
        return
    for kind, values in rows.tables:
        if values:
            connection.execute(_plain_insert(kind), values)
    if change is not None:
        table: Any = change.kind.__table__
        connection.execute(update(table).where(table.c.id == change.id), dict(change.values))


def put_where(session: Session, rows: Filled, *, change: Change, premises: Sequence[Premise]) -> bool:
    """The same on PostgreSQL where these premises hold, which are looked at one behind the other and in the
    same statement; False, and nothing is written, where one does not."""
    session.flush()
    return _put_in_one(session.connection(), rows, change, premises) == 1


def _put_in_one(
    connection: Connection, rows: Filled, change: Change | None, premises: Sequence[Premise]
) -> int:
    """How many rows were changed."""
    tables = [(kind, values) for kind, values in rows.tables if values]
    if not tables and change is None:
        return 0
    numbered = tuple((kind, _number_of(kind) in values[0]) for kind, values in tables)
    sent: dict[str, Any] = {}
    for number, (_, values) in enumerate(tables):
        sent[f"new_{number}"] = json.dumps(values, default=_moment)
    changed = None
    if change is not None:
        changed = change.kind, tuple(change.values)
        sent |= {**change.values, "of_changed": change.id}
    for premise in premises:
        sent |= premise.values
    asked = tuple((premise.name, premise.query, premise.fills) for premise in premises)
    return connection.exec_driver_sql(_in_one(numbered, changed, asked), sent).rowcount


def numbers(kind: type[Base], many: BindParameter[int], *, dialect: str) -> ColumnElement[Any]:
    """Numbers for so many new rows, as a column of a SELECT in the transaction that writes them; what the
    column comes to is for `numbers_from`."""
    table: Any = kind.__table__
    column = table.autoincrement_column
    if dialect == "postgresql":
        each = func.generate_series(1, many).table_valued("unit")
        drawn = select(func.nextval(f"{table.name}_{column.name}_seq")).select_from(each)
        return as_list(drawn, dialect)
    # SQLite has one transaction that writes, and a table's next number is one more than its largest.
    return select(func.coalesce(func.max(column), 0) + 1).scalar_subquery()


def numbers_from(found: Any, many: int) -> Sequence[int]:
    """Numbers of so many rows, as the column of `numbers` gave them."""
    return found if isinstance(found, list) else range(found, found + many)


def _filled(kind: type[Base], rows: Sequence[Base]) -> list[dict[str, Any]]:
    is_numbered = bool(rows) and _number_of(kind) in rows[0].__dict__
    columns = _columns(kind, is_numbered=is_numbered)
    return [_values(row, columns) for row in rows]


def _values(row: Base, columns: _Columns) -> dict[str, Any]:
    """What is written of a row, by column; what was left out is its column's default, on the row too."""
    given = row.__dict__
    values = {}
    for name, column, default in columns:
        if name not in given and default is not None:
            setattr(row, name, default.arg(None) if default.is_callable else default.arg)
        values[column] = given.get(name)
    return values


def _moment(value: Any) -> str:
    """A moment in a document. Raises ValueError for one without a zone, TypeError for anything else."""
    if not isinstance(value, datetime):
        raise TypeError(f"a {type(value).__name__} can't be written so")
    if value.tzinfo is None:
        raise ValueError("a time without a zone can't be stored")
    return value.astimezone(UTC).isoformat()


@cache
def _number_of(kind: type[Base]) -> str | None:
    """The attribute of the number that the database gives a row, where it gives one."""
    table: Any = kind.__table__
    numbered = table.autoincrement_column
    return None if numbered is None else inspect(kind).get_property_by_column(numbered).key


@cache
def _columns(kind: type[Base], *, is_numbered: bool) -> _Columns:
    """What is named of each row: attribute, column, default. `is_numbered`: its number too."""
    number = _number_of(kind)
    mapped = ((attribute.key, attribute.columns[0]) for attribute in inspect(kind).column_attrs)
    return tuple((key, column.key, column.default) for key, column in mapped if is_numbered or key != number)


@cache
def _plain_insert(kind: type[Base]) -> Insert:
    return insert(kind.__table__)  # type: ignore[arg-type]


@cache
def _insert(kind: type[Base]) -> Insert:
    """The same, telling the number that each row was given, where it is given one."""
    table: Any = kind.__table__
    numbered = table.autoincrement_column
    if numbered is None:
        return _plain_insert(kind)
    return _plain_insert(kind).returning(numbered, sort_by_parameter_order=True)


@cache
def _in_one(
    kinds: tuple[tuple[type[Base], bool], ...],
    changed: tuple[type[Base], tuple[str, ...]] | None,
    premises: tuple[tuple[str, str, tuple[type[Base], str] | None], ...],
) -> str:
    """The rows of several tables from as many documents, and the columns that change of a row, for PostgreSQL
    (WITH queries that modify data, https://www.postgresql.org/docs/current/queries-with.html), behind what
    they rest on. That what they refer to exists is looked at when all of them are written. No name has quotes
    or a table before it that needs none: the driver remembers how it reads a text of up to 4,096 characters
    (psycopg 3.3, `_queries.py`), and an order's is almost as long."""
    parts = [(name, query) for name, query, _ in premises]
    rests = f"(SELECT true FROM {parts[-1][0]})" if parts else "true"  # noqa: S608  our own names
    given = {fills: name for name, _, fills in premises if fills is not None}
    for number, (kind, is_numbered) in enumerate(kinds):
        table = _quoted(kind.__tablename__)
        columns = [column for _, column, _ in _columns(kind, is_numbered=is_numbered)]
        named = ", ".join(map(_quoted, columns))
        read = ", ".join(_read(column, given.get((kind, column))) for column in columns)
        rows = f"SELECT {read} FROM json_populate_recordset(NULL::{table}, %(new_{number})s) WHERE {rests}"  # noqa: S608  our own names
        parts.append((f"new_{number}", f"INSERT INTO {table} ({named}) {rows}"))
    if changed is not None:
        kind, of_row = changed
        values = ", ".join(f"{_quoted(column)} = %({column})s" for column in of_row)
        row = f"UPDATE {_quoted(kind.__tablename__)} SET {values} WHERE id = %(of_changed)s AND {rests}"  # noqa: S608  our own names
        parts.append(("changed", row))
    *before, (_, last) = parts
    named_before = ", ".join(f"{name} AS ({query})" for name, query in before)
    return f"WITH {named_before} {last}" if before else last


def _read(column: str, premise: str | None) -> str:
    """A column of a document's row, or the premise's where the row has something there."""
    name = _quoted(column)
    if premise is None:
        return name
    return f"CASE WHEN {name} IS NOT NULL THEN (SELECT {name} FROM {premise}) END"  # noqa: S608  our own names
