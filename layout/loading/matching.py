"""Matching units to the slots of one turn: later units may move earlier ones over, never push them out."""

from __future__ import annotations

from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass, field
from types import MappingProxyType

Unit = Hashable


@dataclass(frozen=True, slots=True)
class Seating:
    """Which unit sits in which slot, and where each unit could sit. Never changed: `seat` gives another.

    >>> one = Seating().seat("chef", ("A", "B"))
    >>> both = one.seat("parer", ("A",))  # only A takes it: the chef's knife moves to B
    >>> dict(both.slot_of)
    {'chef': 'B', 'parer': 'A'}
    """

    unit_in: Mapping[str, Unit] = field(default_factory=dict)
    choices: Mapping[Unit, tuple[str, ...]] = field(default_factory=dict)

    def seat(self, unit: Unit, slots: Sequence[str]) -> Seating | None:
        """Seat one more unit in one of `slots` (the first tried first); None when no rearranging makes room.

        One augmenting path (Kuhn's method). Taken in order of urgency, this seats the most urgent set that
        can be seated at all: sets of units that can be matched form a transversal matroid, for which the
        greedy choice is the best one (Edmonds and Fulkerson, "Transversals and matroid partition",
        J. Res. NBS 69B, 1965).
        """
        choices = {**self.choices, unit: tuple(slots)}
        unit_in = dict(self.unit_in)
        if not _augment(unit, choices, unit_in, set()):
            return None
        return Seating(MappingProxyType(unit_in), MappingProxyType(choices))

    @property
    def slot_of(self) -> Mapping[Unit, str]:
        """Slot by unit, in the order in which the units came."""
        by_unit = {unit: slot for slot, unit in self.unit_in.items()}
        return {unit: by_unit[unit] for unit in self.choices}


def _augment(
    unit: Unit, choices: Mapping[Unit, tuple[str, ...]], unit_in: dict[str, Unit], tried: set[str]
) -> bool:
    free = next((slot for slot in choices[unit] if slot not in unit_in), None)
    if free is not None:
        unit_in[free] = unit
        return True
    for slot in choices[unit]:
        if slot in tried:
            continue
        tried.add(slot)
        if _augment(unit_in[slot], choices, unit_in, tried):
            unit_in[slot] = unit
            return True
    return False
