"""Rows by many numbers: whether a column is among them, the numbers sent as one value.

In SQL's own IN each number is a value with a name of its own: a statement of a hundred of them is put
together, read and planned each time it is sent, and is another one for ninety-nine.
"""

from __future__ import annotations

import json
from collections.abc import Collection
from typing import Any

from sqlalchemy import (
    ARRAY,
    BigInteger,
    Boolean,
    ColumnElement,
    Dialect,
    Text,
    TypeDecorator,
    bindparam,
)
from sqlalchemy.ext.compiler import compiles
from sqlalchemy.sql.functions import FunctionElement
from sqlalchemy.types import TypeEngine


class _Numbers(TypeDecorator[Collection[int]]):
    """Numbers in ascending order: an array of PostgreSQL's, a document for SQLite."""

    impl = Text
    cache_ok = True

    def load_dialect_impl(self, dialect: Dialect) -> TypeEngine[Any]:
        is_array = dialect.name == "postgresql"
        return dialect.type_descriptor(ARRAY(BigInteger()) if is_array else Text())

    def process_bind_param(self, value: Collection[int] | None, dialect: Dialect) -> Any:
        numbers = sorted(value or ())
        return numbers if dialect.name == "postgresql" else json.dumps(numbers)


class _Among(FunctionElement[bool]):
    type = Boolean()
    inherit_cache = True

    def self_group(self, against: Any = None) -> Any:
        """As it is: SQLite, which has no booleans, would be asked whether it equals 1, and use no index."""
        return self


def among(column: Any, named: str) -> ColumnElement[bool]:
    """Whether the column is one of the numbers that the statement is given under that name."""
    return _Among(column, bindparam(named, type_=_Numbers()))


@compiles(_Among, "postgresql")
def _any(element: _Among, compiler: Any, **how: Any) -> str:
    column, numbers = (compiler.process(part, **how) for part in element.clauses)
    return f"{column} = ANY ({numbers})"


@compiles(_Among, "sqlite")
def _listed(element: _Among, compiler: Any, **how: Any) -> str:
    """By JSON's table-valued function (https://www.sqlite.org/json1.html#jeach)."""
    column, numbers = (compiler.process(part, **how) for part in element.clauses)
    return f"{column} IN (SELECT value FROM json_each({numbers}))"  # noqa: S608  our own column
