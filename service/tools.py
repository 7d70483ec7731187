"""What tasks and commands work with: the same things a request finds in the application."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from service import clock as clocks
from service.clock import Clock
from service.db import Database

if TYPE_CHECKING:
    from service.geometry import Geometry
    from service.settings import Settings
    from service.shelf import Shelf


@dataclass(frozen=True, slots=True)
class Tools:
    database: Database
    settings: Settings
    catalogue: Shelf
    geometry: Geometry
    clock: Clock = clocks.now
