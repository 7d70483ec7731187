"""A shop after a day as each revision of the tables keeps it, as SQL beside this file (`kept/0007.sql.gz`).

    python -m tests.service.records.kept_shops    # writes those that are missing, the newest of today's code

They are written once, by the program that was at that revision or by taking a newer shop back to it, and
never again: they stand for the databases of shops that have not been brought up to date.
"""

from __future__ import annotations

import gzip
import sqlite3
from contextlib import closing
from pathlib import Path
from tempfile import TemporaryDirectory

from service.records import schema
from service.records.db import open_engine

KEPT = Path(__file__).parent / "kept"


def put_back(revision: str, file: Path) -> None:
    """Make a database of the shop as that revision kept it."""
    script = gzip.decompress((KEPT / f"{revision}.sql.gz").read_bytes()).decode()
    with closing(sqlite3.connect(file)) as connection:
        connection.executescript(script)


def write_missing() -> list[str]:
    """Write the shops that are missing; returns their revisions."""
    from tests.audited_day import a_day

    missing = [name for name in schema.revisions() if not (KEPT / f"{name}.sql.gz").exists()]
    if not missing:
        return []
    with TemporaryDirectory() as folder:
        day = Path(folder) / "ricasso.sqlite3"
        a_day(Path(folder)).database.engine.dispose()
        for revision in missing:
            copy = Path(folder) / f"{revision}.sqlite3"
            with closing(sqlite3.connect(day)) as whole, closing(sqlite3.connect(copy)) as part:
                whole.backup(part)
            engine = open_engine(f"sqlite:///{copy}")
            if revision != schema.head():
                schema.downgrade(engine, revision)
            engine.dispose()
            with closing(sqlite3.connect(copy)) as connection:
                script = "\n".join(connection.iterdump()) + "\n"
            (KEPT / f"{revision}.sql.gz").write_bytes(gzip.compress(script.encode(), mtime=0))
    return missing


if __name__ == "__main__":
    for name in write_missing():
        print(f"{name}  {(KEPT / f'{name}.sql.gz').stat().st_size} bytes")
