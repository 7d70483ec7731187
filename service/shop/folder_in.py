"""The folder of the shop's description, put in force.

A folder is read at the start of `ricasso serve` and by `ricasso catalogue publish`. Between that, the
description in force is changed on pages and by programs; so at a start there may be two to choose from.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import Enum, auto
from pathlib import Path

import structlog
from sqlalchemy.orm import Session

from service.records.clock import Clock
from service.records.db import Database
from service.records.errors import CanNot
from service.records.states import Origin
from service.records.tables import CatalogueInForce
from service.records.who import SWEEP, By
from service.shop import catalogue, versions
from service.shop import version_rows as rows
from service.shop.settings import Settings

log = structlog.get_logger(__name__)


class FolderBehind(CanNot):
    """The folder was changed, and so was what is in force: a person must choose."""


class Says(Enum):
    """What a folder is beside what is in force."""

    FIRST = auto()  # nothing is in force yet
    SAME = auto()  # as it is
    EARLIER = auto()  # as an earlier one was: an old copy, which must not roll the shop back
    CHANGED = auto()  # new, and what is in force came from a folder
    BOTH_CHANGED = auto()  # new, and what is in force did not


@dataclass(frozen=True, slots=True)
class Beside:
    """A folder beside what is in force; `row` is None for the first."""

    says: Says
    row: CatalogueInForce | None

    def both_ways_out(self, folder: Path) -> str:
        """What to do where both were changed."""
        return (
            f"`ricasso catalogue publish --fixtures {folder}` puts the folder in force, "
            f"`ricasso catalogue export {folder} --replace` writes what is in force into it"
        )


def beside(session: Session, content: Mapping[str, str]) -> Beside:
    """What a folder's content is beside what is in force."""
    row, text = rows.in_force(session), catalogue.text_digest_of(content)
    if row is None:
        return Beside(Says.FIRST, None)
    if row.text == text:
        return Beside(Says.SAME, row)
    if rows.with_text(session, text) is not None:
        return Beside(Says.EARLIER, row)
    came_from_folder = row.origin == Origin.FOLDER.value
    return Beside(Says.CHANGED if came_from_folder else Says.BOTH_CHANGED, row)


def at_start(database: Database, settings: Settings, *, clock: Clock) -> None:
    """Put the folder in force where nothing is yet, or where it was changed and what is in force came from a
    folder. Raises CatalogueError, FolderBehind."""
    with database.reading() as session:
        if settings.fixtures is None and rows.newest_number(session):
            return
    folder = settings.shop_folder
    content = catalogue.read(folder)
    with database.reading() as session:
        found = beside(session, content)
    if found.row is not None and found.says is Says.EARLIER:
        log.warning("folder_not_read", folder=str(folder), in_force=found.row.number)
    if found.row is not None and found.says is Says.BOTH_CHANGED:
        raise FolderBehind(
            f"{folder} was changed, and so was the shop's description in force (number {found.row.number}, "
            f"by {found.row.by.partition(':')[2]}): {found.both_ways_out(folder)}"
        )
    if found.says not in {Says.FIRST, Says.CHANGED}:
        return
    new = versions.judged_by_line(content)
    catalogue.keep(content, versions.kept_file(settings.kept_shops, new.text))
    by = By(SWEEP, clock())
    row: CatalogueInForce = database.write(
        lambda session: versions.put_in_force(
            session,
            new,
            came_from=found.row.number if found.row is not None else 0,
            by=by,
            why=f"read from {folder}",
            origin=Origin.FOLDER,
        )
    )
    log.info("folder_put_in_force", folder=str(folder), number=row.number, version=row.version[:12])
