"""The folder of the shop's description, put in force.

A folder is read at the start of `ricasso serve` and by `ricasso catalogue publish`. Between that, the
description in force is changed on pages and by programs; so at a start there may be two to choose from.
"""

from __future__ import annotations

import structlog

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


def at_start(database: Database, settings: Settings, *, clock: Clock) -> None:
    """Put the folder in force where nothing is yet, or where it was changed and what is in force came from a
    folder. A folder that is as any description on record was changes nothing.

    Raises CatalogueError, FolderBehind.
    """
    with database.reading() as session:
        now_in_force = rows.in_force(session)
    if now_in_force is not None and settings.fixtures is None:
        return
    folder = settings.shop_folder
    content = catalogue.read(folder)
    text = catalogue.text_digest_of(content)
    with database.reading() as session:
        known = rows.with_text(session, text)
    if known is not None and now_in_force is not None:
        if known.text != now_in_force.text:
            log.warning(
                "folder_not_read", folder=str(folder), as_number=known.number, in_force=now_in_force.number
            )
        return
    if now_in_force is not None and now_in_force.origin != Origin.FOLDER.value:
        raise FolderBehind(
            f"{folder} was changed, and so was the shop's description in force (number "
            f"{now_in_force.number}, by {now_in_force.by.partition(':')[2]}): `ricasso catalogue publish "
            f"--fixtures {folder}` puts the folder in force, `ricasso catalogue export {folder} --replace` "
            "writes what is in force into it"
        )
    came_from = now_in_force.number if now_in_force is not None else 0
    catalogue.parse(content)  # says each trouble on a line of its own
    new = versions.judged(content)
    by = By(SWEEP, clock())
    row: CatalogueInForce = database.write(
        lambda session: versions.put_in_force(
            session, new, came_from=came_from, by=by, why=f"read from {folder}", origin=Origin.FOLDER
        )
    )
    log.info("folder_put_in_force", folder=str(folder), number=row.number, version=row.version[:12])
