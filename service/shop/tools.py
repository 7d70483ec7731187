"""What use cases work with, whoever calls them: a request, a task, a command."""

from __future__ import annotations

import copy
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from service.records import clock as clocks
from service.records.clock import Clock
from service.records.db import Database
from service.records.who import By, Who
from service.shop.rates import Rates
from service.shop.sandbox import Sandbox

if TYPE_CHECKING:
    from service.shop.geometry_workers import Geometry
    from service.shop.settings import Settings
    from service.shop.versions import Shelf


@dataclass(frozen=True, slots=True)
class Tools:
    """Database, settings, the shop's description in force, geometry workers, and the clock.

    Made once a process (`service.running.assembly`) and handed to whatever needs more than one of them.
    """

    database: Database
    settings: Settings
    catalogue: Shelf
    geometry: Geometry
    clock: Clock = clocks.now
    is_sandbox: bool = False
    rates: Rates = field(init=False)
    sandbox: Sandbox = field(init=False)

    def __post_init__(self) -> None:
        rates = Rates(
            requests_a_minute=self.settings.requests_a_minute,
            previews_a_minute=self.settings.previews_a_minute,
            units_a_day=self.settings.units_a_day,
        )
        object.__setattr__(self, "rates", rates)
        object.__setattr__(self, "sandbox", Sandbox(self))

    def pinned(self) -> Tools:
        """The same, with the shop's description in force now staying so: for one request, or one task."""
        view = copy.copy(self)
        catalogue = self.catalogue.pinned()
        object.__setattr__(view, "catalogue", catalogue)
        object.__setattr__(view, "geometry", self.geometry.of(catalogue.described.source))
        return view

    def follow(self) -> bool:
        """Take up the shop's description that is in force by now; says whether it was another."""
        with self.database.reading() as session:
            return self.catalogue.follow(session, self.settings.kept_shops)

    def for_sandbox(self, database: Database) -> Tools:
        """The same shop, geometry and clock, with the sandbox's database and folder and counts of its own."""
        return Tools(
            database=database,
            settings=self.settings.sandbox,
            catalogue=self.catalogue,
            geometry=self.geometry,
            clock=self.clock,
            is_sandbox=True,
        )

    def by(self, who: Who) -> By:
        """An act of this person, done now."""
        return By(who, self.clock())
