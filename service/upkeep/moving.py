"""From one database to another, all or nothing: usually from the embedded SQLite file to PostgreSQL.

Nobody may serve meanwhile, and afterwards the old file has another name: two databases that both think they
are the shop would burn everything twice.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from service.audit.look import Report, look
from service.records import folders, schema
from service.records.db import open_engine
from service.records.errors import CanNot
from service.shop.settings import Settings
from service.upkeep import copy_rows

#: What is put behind the name of a database file that was moved away from.
MOVED = ".moved"


class CanNotMove(CanNot):
    """Nothing was moved; the text says why."""


@dataclass(frozen=True, slots=True)
class Moved:
    """What was moved: rows by table, where the old file lies now, and what an audit of the new one says."""

    rows: dict[str, int]
    old: Path
    report: Report


def move(settings: Settings, target_url: str, progress: Callable[[str, int], None]) -> Moved:
    """Move the SQLite file of the settings into an empty database.

    Raises CanNotMove, schema.OtherVersion, SQLAlchemyError.
    """
    file = settings.database_file
    if file is None or not file.is_file():
        raise CanNotMove("there is no embedded database to move in that data folder")
    try:
        alone = folders.serve_alone(settings.url)
    except folders.InUse as taken:
        raise CanNotMove(f"`ricasso serve` works with {taken}; stop it first") from None
    source, target = open_engine(settings.url), open_engine(target_url)
    try:
        schema.must_be_current(source)
        if not copy_rows.is_untouched(target):
            raise CanNotMove("the database to move to has rows in it already; make an empty one")
        schema.upgrade(target)
        before = look(source, None)
        if before.counts:
            raise CanNotMove("`ricasso audit` finds damage in the database; have that looked at first")
        with source.execution_options(readonly=True).connect() as old, target.begin() as new:
            copy_rows.copy(old, new, progress)
            sent, arrived = copy_rows.digests(old), copy_rows.digests(new)
            differing = [name for name, digest in sent.items() if arrived[name] != digest]
            if differing:
                raise CanNotMove(f"what arrived is not what was sent, in: {', '.join(differing)}")
            rows = copy_rows.counts(new)
        report = look(target, None)
    finally:
        source.dispose()
        target.dispose()
        if alone is not None:
            alone.close()
    aside = file.with_name(file.name + MOVED)
    os.replace(file, aside)
    return Moved(rows, aside, report)
