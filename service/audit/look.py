"""The whole look, from one moment of the database."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from sqlalchemy import Engine
from sqlalchemy.orm import Session

from service.audit import files as burn_files
from service.audit import photo_rows
from service.audit.rules import RULES
from service.shop.versions import Versions

#: Of each rule, so that one fault that is everywhere does not hide the others.
MOST_OF_ONE = 50


@dataclass(frozen=True, slots=True)
class Damage:
    """Something that can't be true."""

    code: str
    says: str


@dataclass(frozen=True, slots=True)
class Report:
    """What was looked at, and the damage: at most MOST_OF_ONE of a code, and how many there are of each."""

    rules: int
    files: int
    damage: tuple[Damage, ...]
    counts: dict[str, int]


def look(engine: Engine, shelf: Versions | None, *, photos: Path | None = None) -> Report:
    """Look at everything. `shelf`: to build burn files again, None to leave that out; `photos`: the folder
    with photos of marks.

    Raises SQLAlchemyError.
    """
    counts: Counter[str] = Counter()
    shown: list[Damage] = []

    def note(code: str, says: str) -> None:
        counts[code] += 1
        if counts[code] <= MOST_OF_ONE:
            shown.append(Damage(code, says))

    built = 0
    with one_moment(engine) as session:
        for rule in RULES:
            for found in rule.look(session):
                note(rule.code, rule.says.format(**found))
        if shelf is not None:
            for says in burn_files.differing(session, shelf):
                built += 1
                if says:
                    note("file_differs", says)
        if photos is not None:
            for says in photo_rows.files_unlike(session, photos):
                note("photo_differs", says)
    return Report(len(RULES), built, tuple(shown), dict(counts))


@contextmanager
def one_moment(engine: Engine) -> Iterator[Session]:
    """A session that sees the database as it is now, however long it takes, and can't write."""
    if engine.dialect.name != "sqlite":
        options = {"isolation_level": "REPEATABLE READ", "postgresql_readonly": True}
        with Session(engine.execution_options(**options)) as session:
            yield session
        return
    with engine.execution_options(readonly=True).connect() as connection:
        connection.exec_driver_sql("PRAGMA query_only=ON")
        try:
            with Session(connection) as session:
                yield session
        finally:
            # The connection goes back to those who write.
            connection.exec_driver_sql("PRAGMA query_only=OFF")
