"""The made-up shop of `fixtures/`, read and judged once in a process: that takes half a second."""

from __future__ import annotations

import functools

from layout.shop.shop import Shop
from service.records.db import Database
from service.records.states import Origin
from service.records.who import By
from service.shop import catalogue, versions


@functools.cache
def the_made_up_shop() -> Shop:
    return catalogue.load(catalogue.default_folder())


@functools.cache
def as_judged() -> versions.Judged:
    """It as a new description that was looked over, and may be put in force."""
    return versions.judged(catalogue.read(catalogue.default_folder()))


def put_in_force(database: Database, *, by: By) -> None:
    """It becomes the database's first description."""
    database.write(
        lambda session: versions.put_in_force(
            session, as_judged(), came_from=0, by=by, why="", origin=Origin.FOLDER
        )
    )
