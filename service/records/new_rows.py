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

from sqlalchemy import BindParameter, ColumnElement, Insert, func, insert, inspect, select, update
from sqlalchemy.orm import Session

from service.records.db import as_list
from service.records.tables import Base

_Columns = tuple[tuple[str, str, Any], ...]


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
        numbered = tuple(
            (kind, bool(values) and _number_of(kind) in values[0]) for kind, values in rows.tables
        )
        sent: list[str | int] = [json.dumps(values, default=_moment) for _, values in rows.tables]
        changed = None
        if change is not None:
            changed = change.kind, tuple(change.values)
            sent += [*change.values.values(), change.id]
        connection.exec_driver_sql(_in_one(numbered, changed), tuple(sent))
        return
    for kind, values in rows.tables:
        if values:
            connection.execute(_plain_insert(kind), values)
    if change is not None:
        table: Any = change.kind.__table__
        connection.execute(update(table).where(table.c.id == change.id), dict(change.values))


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
    kinds: tuple[tuple[type[Base], bool], ...], changed: tuple[type[Base], tuple[str, ...]] | None
) -> str:
    """The rows of several tables from as many documents, for PostgreSQL (WITH queries that modify data,
    https://www.postgresql.org/docs/current/queries-with.html), then the columns that change and the number of
    their row. That what they refer to exists is looked at when all of them are written."""
    parts = []
    for kind, is_numbered in kinds:
        table = f'"{kind.__tablename__}"'
        named = ", ".join(f'"{column}"' for _, column, _ in _columns(kind, is_numbered=is_numbered))
        rows = f"SELECT {named} FROM json_populate_recordset(NULL::{table}, %s)"  # noqa: S608  our own names
        parts.append(f"INSERT INTO {table} ({named}) {rows}")
    if changed is not None:
        kind, columns = changed
        values = ", ".join(f'"{column}" = %s' for column in columns)
        parts.append(f'UPDATE "{kind.__tablename__}" SET {values} WHERE id = %s')  # noqa: S608  our own names
    *before, last = parts
    withs = ", ".join(f"new_{number} AS ({part})" for number, part in enumerate(before))
    return f"WITH {withs} {last}" if withs else last
