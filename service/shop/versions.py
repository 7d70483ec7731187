"""The shop's description in force, and every older one that a load may still be locked to."""

from __future__ import annotations

import threading
from datetime import datetime
from pathlib import Path

from sqlalchemy.orm import Session

from layout.shop.shop import Shop
from service.records.errors import CatalogueMissing
from service.records.moves import write_history
from service.records.tables import CatalogueVersion
from service.records.who import SWEEP, By
from service.shop import catalogue
from service.shop import version_rows as rows


class Shelf:
    """Shops by version: the current one loaded from files and checked, older ones read from their rows."""

    def __init__(self, folder: Path) -> None:
        """Raises service.catalogue.CatalogueError when the folder's files are refused."""
        self.folder = folder
        self.content = catalogue.read(folder)
        self.current: Shop = catalogue.parse(self.content)
        self._lock = threading.Lock()
        self._by_version: dict[str, Shop] = {self.current.version: self.current}

    def keep_current(self, session: Session, *, now: datetime) -> None:
        """Write the current version's files to the database, once, so that they outlive the folder."""
        if rows.find(session, self.current.version) is None:
            session.add(
                CatalogueVersion(version=self.current.version, loaded_at=now, content=dict(self.content))
            )
            why = f"version {self.current.version[:12]}"
            write_history(session, "shop", 0, "described", by=By(SWEEP, now), why=why)

    def at(self, session: Session, version: str) -> Shop:
        """The shop at a version. Raises CatalogueMissing."""
        with self._lock:
            kept = self._by_version.get(version)
        if kept is not None:
            return kept
        row = rows.find(session, version)
        if row is None:
            raise CatalogueMissing("this catalogue version is not on record", version=version)
        shop = catalogue.parse(row.content)
        with self._lock:
            self._by_version[version] = shop
        return shop
