"""What tasks and commands work with: the same things a request finds in the application."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

from service.records import clock as clocks
from service.records.clock import Clock
from service.records.db import Database

if TYPE_CHECKING:
    from service.shop.geometry_workers import Geometry
    from service.shop.settings import Settings
    from service.shop.versions import Shelf


class Service(Protocol):
    """What use cases need of the application or of the tools, whichever called them."""

    @property
    def database(self) -> Database: ...
    @property
    def geometry(self) -> Geometry: ...
    @property
    def catalogue(self) -> Shelf: ...
    @property
    def clock(self) -> Clock: ...


@dataclass(frozen=True, slots=True)
class Tools:
    database: Database
    settings: Settings
    catalogue: Shelf
    geometry: Geometry
    clock: Clock = clocks.now
