"""What use cases work with, whoever calls them: a request, a task, a command."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from service.records import clock as clocks
from service.records.clock import Clock
from service.records.db import Database
from service.records.who import By, Who
from service.shop.rates import Rates

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
    rates: Rates = field(init=False)

    def __post_init__(self) -> None:
        rates = Rates(
            requests_a_minute=self.settings.requests_a_minute,
            previews_a_minute=self.settings.previews_a_minute,
            units_a_day=self.settings.units_a_day,
        )
        object.__setattr__(self, "rates", rates)

    def by(self, who: Who) -> By:
        """An act of this person, done now."""
        return By(who, self.clock())
