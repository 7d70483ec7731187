"""Shops of each earlier revision, brought up to date in place: nothing is lost, nothing is damaged."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from service.audit.look import look
from service.cli.main import run
from service.records import schema
from service.records.db import open_engine
from service.running.assembly import assemble
from service.shop.settings import Settings
from tests.service.records.kept_shops import KEPT, put_back

REVISIONS = schema.revisions()


def counted(file: Path) -> dict[str, int]:
    with closing(sqlite3.connect(file)) as connection:
        names = connection.execute(
            "SELECT name FROM sqlite_master WHERE type = 'table' AND name NOT LIKE 'sqlite%'"
            " AND name <> 'alembic_version'"
        )
        return {
            name: connection.execute(f'SELECT count(*) FROM "{name}"').fetchone()[0]
            for (name,) in names.fetchall()
        }


def test_a_shop_of_every_revision_is_kept() -> None:
    """A new revision comes with `python -m tests.service.records.kept_shops`."""
    assert sorted(path.name.split(".")[0] for path in KEPT.glob("*.sql.gz")) == REVISIONS


@pytest.mark.parametrize(
    "revision",
    # Each goes the way of all that follow it: the oldest for every change, the newest for today's.
    [r if r in {"0001", REVISIONS[-1]} else pytest.param(r, marks=pytest.mark.long) for r in REVISIONS],
)
def test_a_shop_of_that_revision_is_brought_up_to_date_with_all_that_is_in_it(
    revision: str, tmp_path: Path
) -> None:
    file = tmp_path / "ricasso.sqlite3"
    put_back(revision, file)
    before = counted(file)
    engine = open_engine(f"sqlite:///{file}")
    assert schema.revision_of(engine) == revision
    assert before["job"] > 5 and before["history"] > 30

    schema.upgrade(engine)

    after = counted(file)
    assert schema.differences(engine) == []
    assert {name: after.get(name) for name in before} == before
    assert look(engine, None).counts == {}
    engine.dispose()


def test_the_program_brings_an_old_shop_up_to_date_at_its_start_and_serves_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    put_back("0001", tmp_path / "ricasso.sqlite3")
    refused = run(["backup", str(tmp_path / "before.tar.gz"), "--data", str(tmp_path)])

    tools = assemble(Settings(data=tmp_path), in_worker=True)
    tools.database.engine.dispose()

    assert refused == 1
    assert "start `ricasso serve` once" in capsys.readouterr().err
    assert run(["db", "status", "--data", str(tmp_path)]) == 0
    assert "up to date" in capsys.readouterr().out
    assert run(["backup", str(tmp_path / "after.tar.gz"), "--data", str(tmp_path)]) == 0
