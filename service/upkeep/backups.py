"""A backup of a running shop, and a shop from a backup.

The copy is of one moment, and nobody waits for it: SQLite's online backup
(https://www.sqlite.org/backup.html) and a PostgreSQL snapshot both let the shop write on.
"""

from __future__ import annotations

import os
import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from importlib.metadata import version
from pathlib import Path
from tempfile import TemporaryDirectory

from sqlalchemy import Engine, make_url

from service.intake import import_orders as imports
from service.photos import photos
from service.records import clock, folders, schema
from service.records.db import open_engine
from service.records.errors import CanNot
from service.requests.sessions import SECRET_FILE
from service.shop.settings import Settings
from service.upkeep import archive, copy_rows, postgres_tools
from service.upkeep.archive import DATABASES, Manifest, NoBackup


class NotEmpty(CanNot):
    """There is a shop already where one was to be put."""


def back_up(settings: Settings, path: Path) -> Manifest:
    """Write a backup of all that can't be made again.

    Raises FileNotFoundError (no database), postgres_tools.ToolFailed, schema.OtherVersion, OSError.
    """
    file = settings.database_file
    if file is not None and not file.is_file():
        raise FileNotFoundError(2, "there is no database", str(file))
    with (
        _opened(settings.url) as engine,
        TemporaryDirectory(dir=path.absolute().parent, prefix=".backup-") as scratch,
    ):
        schema.must_be_current(engine)
        kind = engine.dialect.name
        copy = Path(scratch) / DATABASES[kind]
        rows = _copy_sqlite(engine, copy) if kind == "sqlite" else _dump(engine, copy)
        facts = {
            "ricasso": version("ricasso"),
            "revision": schema.head(),
            "made_at": clock.now().isoformat(timespec="seconds"),
            "database": kind,
            "rows": rows,
        }
        return archive.write(path, facts, {copy.name: copy, **dict(_files(settings.data))})


def restore(settings: Settings, path: Path) -> Manifest:
    """Put a backup where the settings say, and bring it to this program's revision. The database appears
    last, so that what a kill left half done is no shop yet and can be begun again.

    Raises NoBackup, NotEmpty, postgres_tools.ToolFailed, schema.OtherVersion, OSError.
    """
    url, file = make_url(settings.url), settings.database_file
    kind = url.get_backend_name()
    settings.data.mkdir(parents=True, exist_ok=True)
    with TemporaryDirectory(dir=settings.data, prefix=".restoring-") as scratch:
        unpacked = Path(scratch)
        manifest = archive.read(path, unpacked)
        if manifest.database != kind:
            raise NoBackup(
                f"{path} is of {manifest.database}, and RICASSO_DATABASE_URL names {kind}: restore it as it"
                " was, then use `ricasso move`"
            )
        schema.must_be_known(manifest.revision)
        _must_be_empty(file, settings.url)
        for name in manifest.sha256:
            if name not in DATABASES.values():
                place = settings.data / name
                place.parent.mkdir(parents=True, exist_ok=True)
                shutil.copyfile(unpacked / name, place)
        copy = unpacked / DATABASES[kind]
        if file is not None:
            os.replace(copy, file)
        else:
            postgres_tools.restore(url, copy)
    folders.keep_private(settings.data)
    with _opened(settings.url) as engine:
        schema.upgrade(engine)
    return manifest


def _must_be_empty(file: Path | None, url: str) -> None:
    if file is not None:
        if file.exists():
            raise NotEmpty(f"there is a database already: {file}; restore into another --data")
        return
    with _opened(url) as engine:
        if not copy_rows.has_no_tables(engine):
            raise NotEmpty("there are tables already in the database that RICASSO_DATABASE_URL names")


def _files(data: Path) -> Iterator[tuple[str, Path]]:
    """What belongs to a backup beside the database, by its name in it."""
    if (data / SECRET_FILE).is_file():
        yield SECRET_FILE, data / SECRET_FILE
    for folder in (imports.FOLDER, photos.FOLDER):
        for file in sorted((data / folder).rglob("*")):
            if file.is_file():
                yield file.relative_to(data).as_posix(), file


def _copy_sqlite(engine: Engine, copy: Path) -> dict[str, int]:
    with closing(sqlite3.connect(copy)) as target:
        connection = engine.raw_connection()
        try:
            connection.driver_connection.backup(target)  # type: ignore[union-attr]
        finally:
            connection.close()
        (sound,) = target.execute("PRAGMA integrity_check").fetchone()
        if sound != "ok":
            raise NoBackup(f"the database itself is damaged: {sound}")
    with _opened(f"sqlite:///{copy}") as copied, copied.connect() as rows:
        return copy_rows.counts(rows)


def _dump(engine: Engine, copy: Path) -> dict[str, int]:
    with engine.connect().execution_options(isolation_level="REPEATABLE READ") as connection:
        snapshot = copy_rows.shared_snapshot(connection)
        postgres_tools.dump(engine.url, copy, snapshot=snapshot)
        return copy_rows.counts(connection)


@contextmanager
def _opened(url: str) -> Iterator[Engine]:
    engine = open_engine(url)
    try:
        yield engine
    finally:
        engine.dispose()
