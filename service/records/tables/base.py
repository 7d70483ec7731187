"""Column types that mean the same on SQLite and PostgreSQL, and names for every constraint."""

from __future__ import annotations

from datetime import UTC, datetime
from enum import StrEnum
from typing import Annotated, Any

from sqlalchemy import (
    JSON,
    BigInteger,
    CheckConstraint,
    DateTime,
    Dialect,
    Integer,
    MetaData,
    String,
    TypeDecorator,
)
from sqlalchemy.dialects.postgresql import JSONB
from sqlalchemy.orm import DeclarativeBase, mapped_column

Json = JSON().with_variant(JSONB(), "postgresql")
#: A document, or SQL's own NULL where there is none.
JsonOrNull = JSON(none_as_null=True).with_variant(JSONB(none_as_null=True), "postgresql")


class UtcDateTime(TypeDecorator[datetime]):
    """Aware UTC in, aware UTC out: SQLite gives naive values back, PostgreSQL aware ones."""

    impl = DateTime(timezone=True)
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        if value is None:
            return None
        if value.tzinfo is None:
            raise ValueError("a time without a zone can't be stored")
        return value.astimezone(UTC)

    def process_result_value(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        if value is None:
            return None
        return value.replace(tzinfo=UTC) if value.tzinfo is None else value.astimezone(UTC)


#: SQLite numbers rows by itself only for INTEGER keys.
Id = Annotated[int, mapped_column(BigInteger().with_variant(Integer, "sqlite"), primary_key=True)]
BigInt = BigInteger().with_variant(Integer, "sqlite")


class Base(DeclarativeBase):
    metadata = MetaData(
        naming_convention={
            "ix": "ix_%(column_0_label)s",
            "uq": "uq_%(table_name)s_%(column_0_N_name)s",
            "ck": "ck_%(table_name)s_%(constraint_name)s",
            "fk": "fk_%(table_name)s_%(column_0_N_name)s_%(referred_table_name)s",
            "pk": "pk_%(table_name)s",
        }
    )
    type_annotation_map = {  # noqa: RUF012  SQLAlchemy reads it as a class attribute
        datetime: UtcDateTime,
        dict[str, Any]: Json,
        list[Any]: Json,
        list[str]: Json,
        int: BigInt,
        str: String(200),
    }


def one_of(column: str, states: type[StrEnum]) -> CheckConstraint:
    """A CHECK that closes a state column in the database as well."""
    listed = ", ".join(f"'{state.value}'" for state in states)
    return CheckConstraint(f"{column} IN ({listed})", name=f"{column}_known")
