"""What the shop says of its assembly bench: what the build plan is made by."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Assembly:
    """`service_level` is the share of weeks in which what is asked for shall be there; `weeks_to_build` how
    long a unit takes from being wanted to being boxed; `units_per_week` what can be built, None: enough;
    `release_day` the weekday (0 is Monday) on which new work is put on sale, None: there is no such day."""

    service_level: float = 0.95
    weeks_to_build: float = 1.0
    units_per_week: int | None = None
    release_day: int | None = None


DEFAULT_ASSEMBLY = Assembly()
