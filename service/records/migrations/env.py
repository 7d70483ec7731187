"""Run by Alembic. The connection comes from `service.records.schema`: there is one way to open a database."""

from __future__ import annotations

from typing import Any, Literal

from alembic import context
from sqlalchemy import JSON

from service.records.tables import Base
from service.records.tables.base import UtcDateTime


def render(kind: str, thing: Any, autogen: Any) -> str | Literal[False]:
    """A revision must stay true when the code moves on, so it names no types of ours."""
    if kind == "type" and isinstance(thing, UtcDateTime):
        return "sa.DateTime(timezone=True)"
    if kind == "type" and isinstance(thing, JSON):
        autogen.imports.add("from sqlalchemy.dialects import postgresql")
        return 'sa.JSON().with_variant(postgresql.JSONB(), "postgresql")'
    return False


context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=Base.metadata,
    # SQLite can't alter a table in place: Alembic copies it over.
    render_as_batch=True,
    render_item=render,
    compare_type=True,
)
context.run_migrations()
