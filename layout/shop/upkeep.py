"""What keeps a station and its bench going: routine checks, and what is used up there."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

#: How often a routine check is wanted: every working day, every week, by the hours burned since it was done,
#: or before the first burn of a process that was not burned for a while.
Every = Literal["day", "week", "hours", "process"]


@dataclass(frozen=True, slots=True)
class Routine:
    """Something to be checked, cleaned or tried at a station.

    `hours` are the hours burned for `every="hours"`; for `every="process"` a process counts as new when it
    was not burned at the station for `unused_days`. `stops`: while it is due no load is given out there and
    no turn is started. `if_not_ok` says what to do when something is wrong.
    """

    routine: str
    name: str
    how: str
    every: Every
    hours: float | None = None
    unused_days: float | None = None
    stops: bool = False
    if_not_ok: str = ""


@dataclass(frozen=True, slots=True)
class Supply:
    """Something that is used up, counted in pieces: for each unit and each load that the bench releases and
    for each order handed over. A `pack` is what a refill adds; `warn_below` or fewer are few."""

    supply: str
    name: str
    pack: int
    warn_below: int
    per_unit: int = 0
    per_load: int = 0
    per_order: int = 0
