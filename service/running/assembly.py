"""Puts together the `Tools` that requests, tasks and commands work with."""

from __future__ import annotations

from service.records import clock as clocks
from service.records import folders, schema
from service.records.clock import Clock
from service.records.db import Database, open_engine
from service.records.errors import CanNot
from service.shop import folder_in, version_rows
from service.shop.geometry_workers import Geometry
from service.shop.settings import Settings
from service.shop.tools import Tools
from service.shop.versions import Shelf, opened


class TracingMissing(CanNot):
    """Traces are wanted, and what makes them is not installed."""


def trace(tools: Tools) -> None:
    """Trace this process where the settings say so. Raises TracingMissing."""
    if not tools.settings.traces_to:
        return
    try:
        from service.running import tracing
    except ModuleNotFoundError as missing:
        raise TracingMissing(
            f'RICASSO_TRACES_TO is set, but {missing.name} is not installed: pip install "ricasso[tracing]"'
        ) from missing
    tracing.begin(tools.settings.traces_to, tools.database.engine)


def assemble(settings: Settings, *, clock: Clock = clocks.now, in_worker: bool = False) -> Tools:
    """Database at the newest schema, the shop's description in force, geometry at hand.

    A Celery worker is a process of its own already and does its geometry itself. Neither a worker nor a
    command puts a folder in force; they work with one while nothing is.
    Raises service.catalogue.CatalogueError when the shop's description is refused, FolderBehind.
    """
    folders.keep_private(settings.data)
    engine = open_engine(settings.url)
    schema.upgrade(engine)
    database = Database(engine)
    if not in_worker:
        folder_in.at_start(database, settings, clock=clock)
    shelf = _shelf(database, settings, clock=clock)
    geometry = Geometry(
        shelf.described.source,
        settings.font_tables,
        workers=0 if in_worker else settings.check_workers,
        timeout_seconds=settings.check_seconds,
        preview_workers=settings.preview_workers,
    )
    shelf.tell(lambda described: geometry.begin_with(described.source))
    return Tools(database=database, settings=settings, catalogue=shelf, geometry=geometry, clock=clock)


def _shelf(database: Database, settings: Settings, *, clock: Clock) -> Shelf:
    with database.reading() as session:
        if version_rows.newest_number(session):
            return Shelf.of(opened(session, settings.kept_shops))
    shelf = Shelf(settings.shop_folder)
    database.write(lambda session: shelf.keep_current(session, now=clock()))
    return shelf
