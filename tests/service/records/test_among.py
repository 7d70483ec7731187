"""Rows by many numbers, sent as one value."""

from __future__ import annotations

from sqlalchemy import func, insert, select, text

from service.records.among import among
from service.records.db import Database, send
from service.records.tables import History
from tests.clocks import MORNING

_FOUND = select(History.id).where(among(History.id, "wanted"), History.subject == "job").order_by(History.id)


def test_rows_are_found_by_any_of_the_numbers_however_many_there_are(database: Database) -> None:
    row = {
        "subject": "job",
        "subject_id": 1,
        "move_to": "ready",
        "who": "owner:Ada",
        "why": "",
        "at": MORNING,
    }
    with database.writing() as session:
        session.execute(insert(History), [row] * 4)
        ids = list(session.scalars(select(History.id).order_by(History.id)))

    with database.reading() as session:
        # The last is more than a statement may have values of its own, on either database.
        wanted = (set(), {ids[2], ids[0]}, {-1, *ids}, set(range(ids[0], ids[0] + 70_000)))
        found = [list(send(session, _FOUND, {"wanted": numbers}).scalars()) for numbers in wanted]

    assert found == [[], [ids[0], ids[2]], ids, ids]


def test_an_index_is_used_for_them(database: Database) -> None:
    """SQLite would ask of every row whether it is true that it is among them."""
    statement = select(func.count()).where(among(History.id, "wanted"))
    compiled = str(statement.compile(database.engine))
    explain = "EXPLAIN QUERY PLAN " if database.is_sqlite else "EXPLAIN "
    numbers = "[1, 2]" if database.is_sqlite else [1, 2]

    with database.reading() as session:
        session.execute(text("SELECT 1"))
        if not database.is_sqlite:
            session.execute(text("SET enable_seqscan = off"))
        values = (numbers,) if database.is_sqlite else {"wanted": numbers}
        plan = session.connection().exec_driver_sql(explain + compiled, values).all()

    assert "SEARCH history USING" in str(plan) if database.is_sqlite else "Index" in str(plan)
