"""The slots of one load while a plan is made: units may move over for later ones, never out.

The same matching as `layout.loading.matching`, changed in place because a plan seats tens of thousands.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

from layout.loading.values import Filled

if TYPE_CHECKING:
    from layout.plan.search.problem import Floor


class Room:
    """Slots of one load while it is being filled."""

    __slots__ = ("floor", "heights", "mount", "sort_of", "turns")

    def __init__(self, floor: Floor, mount: int, heights: tuple[float, ...]) -> None:
        self.floor, self.mount, self.heights = floor, mount, heights
        self.turns: list[dict[str, int]] = [{} for _ in heights]
        self.sort_of: dict[int, int] = {}

    def seat(self, unit: int, sort: int) -> bool:
        """Seat one more; False, and nothing has changed, when no rearranging makes room."""
        faces = len(self.floor.sorts[sort].faces)
        before = [dict(turn) for turn in self.turns[:faces]] if faces > 1 else None
        self.sort_of[unit] = sort
        for turn in range(faces):
            if not self._augment(turn, unit, set()):
                del self.sort_of[unit]
                if before is not None:
                    self.turns[:faces] = before
                return False
        return True

    def _augment(self, turn: int, unit: int, tried: set[str]) -> bool:
        seated = self.turns[turn]
        slots = self.floor.slots(self.mount, self.sort_of[unit], turn, self.heights[turn])
        for slot in slots:
            if slot not in seated:
                seated[slot] = unit
                return True
        for slot in slots:
            if slot in tried:
                continue
            tried.add(slot)
            if self._augment(turn, seated[slot], tried):
                seated[slot] = unit
                return True
        return False

    def turned_in_place(self) -> Iterator[dict[int, str]]:
        """Slots by unit for every turn; a unit is turned over in its own slot where that is possible."""
        own: dict[int, str] = {}
        for turn, seated in enumerate(self.turns):
            if turn == 0:
                own = {unit: slot for slot, unit in seated.items()}
                yield own
                continue
            again = Room(self.floor, self.mount, self.heights)
            again.sort_of = self.sort_of
            stay = [
                unit
                for unit in seated.values()
                if own.get(unit) in self.floor.slots(self.mount, self.sort_of[unit], turn, self.heights[turn])
            ]
            for unit in stay:
                again.turns[turn][own[unit]] = unit
            for unit in seated.values():
                if unit not in stay:
                    again._augment(turn, unit, set())
            own = {unit: slot for slot, unit in again.turns[turn].items()}
            yield own

    def rows(self, who: Sequence[tuple[str | None, str | None]]) -> tuple[tuple[Filled, ...], ...]:
        """What sits where, turn by turn: `who` names the n-th unit, as a job or a lot."""
        turns: list[tuple[Filled, ...]] = []
        for number, slot_of in enumerate(self.turned_in_place()):
            unit_in = {slot: unit for unit, slot in slot_of.items()}
            row = []
            for slot in self.floor.mounts[self.mount].plate.slots:
                if slot in unit_in:
                    job, lot = who[unit_in[slot]]
                    face = self.floor.sorts[self.sort_of[unit_in[slot]]].faces[number]
                    row.append(Filled(slot, face, job=job, lot=lot))
            turns.append(tuple(row))
        return tuple(turn for turn in turns if turn)
