"""Puts together what requests, tasks and commands work with."""

from __future__ import annotations

from service import clock as clocks
from service import schema
from service.catalogue import default_folder
from service.clock import Clock
from service.db import Database, open_engine
from service.geometry import Geometry
from service.settings import Settings
from service.shelf import Shelf
from service.tools import Tools


def assemble(settings: Settings, *, clock: Clock = clocks.now, in_worker: bool = False) -> Tools:
    """Catalogue read and checked, database at the newest schema, geometry at hand.

    A Celery worker is a process of its own already and does its geometry itself.
    Raises service.catalogue.CatalogueError when the shop's description is refused.
    """
    settings.data.mkdir(parents=True, exist_ok=True)
    folder = settings.fixtures or default_folder()
    shelf = Shelf(folder)
    engine = open_engine(settings.url)
    schema.upgrade(engine)
    database = Database(engine)
    database.write(lambda session: shelf.keep_current(session, now=clock()))
    geometry = Geometry(
        folder,
        settings.data / "features",
        workers=0 if in_worker else settings.check_workers,
        timeout_seconds=settings.check_seconds,
    )
    return Tools(database=database, settings=settings, catalogue=shelf, geometry=geometry, clock=clock)
