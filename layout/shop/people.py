"""Who works when, and how long their hands take over one unit."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Shift:
    """So many people at work in these spans of a week (seconds since Monday 00:00), but not on `days_off`
    (ISO dates)."""

    people: int
    week: tuple[tuple[float, float], ...]
    days_off: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Handling:
    """Seconds of one person's work for one unit, step by step. Seating and turning over depend on the plate
    and stand with each station."""

    pull: float = 0.0
    look: float = 0.0  # at the mark, before the unit is taken out
    inspect: float = 0.0
    wipe: float = 0.0
    bag: float = 0.0
    box: float = 0.0

    @property
    def finishing(self) -> float:
        """From the plate to ready to hand over."""
        return self.inspect + self.wipe + self.bag + self.box


@dataclass(frozen=True, slots=True)
class Pickups:
    """When the carrier comes: cut-offs of a week in seconds since Monday 00:00, sorted; `packing_s` is what
    packing needs between a boxed unit and the cut-off."""

    cutoffs: tuple[float, ...]
    packing_s: float = 0.0


NO_HANDLING = Handling()
