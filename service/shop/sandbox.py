"""The sandbox: a shadow of the shop where stores try their programs.

It has a database of its own (a file beside the shop's, or a schema in the same PostgreSQL database) and the
same tables. A test key stands in that database and in no other, and the form of a key says in which one it is
to be looked for. So nothing has to be left out anywhere: no list, count, plan or promise of the shop reads a
row of the sandbox, and no test key reads a row of the shop. Nothing in the sandbox is planned: the tasks that
make plans and loads are never run there (`service.running.tasks`).

It is made when the first test key is. Backups and moves leave it out.
"""

from __future__ import annotations

import threading
from typing import TYPE_CHECKING

from sqlalchemy import Engine

from service.records import folders, schema
from service.records.db import Database, open_engine
from service.shop import sandbox_rows as rows
from service.shop.settings import Settings

if TYPE_CHECKING:
    from service.shop.tools import Tools

#: Where its tables are on PostgreSQL.
SCHEMA = "ricasso_sandbox"


def is_made(settings: Settings, engine: Engine) -> bool:
    """Whether the shop with these settings and this database has a sandbox."""
    file = settings.sandbox.database_file
    return schema.has_schema(engine, SCHEMA) if file is None else file.is_file()


def open_database(settings: Settings) -> Database:
    """The sandbox's database, made where there is none, at the newest revision."""
    own = settings.sandbox
    folders.keep_private(own.data)
    if own.database_file is None:
        whole = open_engine(settings.url)
        schema.make_schema(whole, SCHEMA)
        whole.dispose()
    engine = open_engine(own.url, schema=SCHEMA)
    schema.upgrade(engine)
    return Database(engine, is_test=True)


class Sandbox:
    """A process's way to the sandbox: opened when it is first needed. May be used from any thread."""

    def __init__(self, tools: Tools) -> None:
        self._of = tools
        self._opening = threading.Lock()
        self._opened: Tools | None = None
        self._filled_for = ""

    def tools(self) -> Tools:
        """What use cases work with there; it is made where there is none."""
        with self._opening:
            if self._opened is None:
                self._opened = self._of.for_sandbox(open_database(self._of.settings))
            shop = self._of.catalogue.current
            if shop.version != self._filled_for:
                self._opened.database.write(lambda session: rows.fill(session, shop.products))
                self._opened.database.write(
                    lambda session: self._of.catalogue.keep_current(session, now=self._of.clock())
                )
                self._filled_for = shop.version
            return self._opened

    def tools_if_made(self) -> Tools | None:
        """The same, None where nobody has made it."""
        return self.tools() if self._opened is not None or self._is_made() else None

    def _is_made(self) -> bool:
        return is_made(self._of.settings, self._of.database.engine)

    def close(self) -> None:
        """End the connections."""
        with self._opening:
            if self._opened is not None:
                self._opened.database.engine.dispose()
                self._opened = None
