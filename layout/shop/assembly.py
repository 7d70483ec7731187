"""What the shop says of its assembly bench: what the build plan is made by, and what is inspected."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Assembly:
    """`service_level` is the share of weeks in which what is asked for shall be there; `weeks_to_build` how
    long a unit takes from being wanted to being boxed; `units_per_week` what can be built, None: enough;
    `release_day` the weekday (0 is Monday) on which new work is put on sale, None: there is no such day.
    `house_mark_days` is how long before a work order is due its blades' house mark is; `inspect` are the
    points by which every unit is inspected before it is boxed."""

    service_level: float = 0.95
    weeks_to_build: float = 1.0
    units_per_week: int | None = None
    release_day: int | None = None
    house_mark_days: float = 2.0
    inspect: tuple[str, ...] = ()


DEFAULT_ASSEMBLY = Assembly()
