"""Seating units in the slots of one load: a bipartite matching, turn by turn.

Each unit may sit in some of the slots. One more is seated along an augmenting path: units already seated move
to other slots of theirs, and nobody is pushed out. The same matching as `layout.loading.matching`, but
changed in place, because a plan seats tens of thousands of units.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from layout.loading.values import Filled
from layout.plan.search.problem import Load, Problem


class SlotMatching:
    """Units matched to the slots of one load while it is being filled, at one head height a turn."""

    __slots__ = ("heights", "mount", "problem", "sort_of", "turns")

    def __init__(self, problem: Problem, mount: int, heights: tuple[float, ...]) -> None:
        self.problem, self.mount, self.heights = problem, mount, heights
        self.turns: list[dict[str, int]] = [{} for _ in heights]
        self.sort_of: dict[int, int] = {}

    def seat(self, unit: int, sort: int) -> bool:
        """Seat one more unit; False, with nothing changed, when no rearranging makes room."""
        faces = len(self.problem.sorts[sort].faces)
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
        slots = self.problem.slots(self.mount, self.sort_of[unit], turn, self.heights[turn])
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
            again = SlotMatching(self.problem, self.mount, self.heights)
            again.sort_of = self.sort_of
            stay = [
                unit
                for unit in seated.values()
                if own.get(unit)
                in self.problem.slots(self.mount, self.sort_of[unit], turn, self.heights[turn])
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
            for slot in self.problem.mounts[self.mount].plate.slots:
                if slot in unit_in:
                    job, lot = who[unit_in[slot]]
                    face = self.problem.sorts[self.sort_of[unit_in[slot]]].faces[number]
                    row.append(Filled(slot, face, job=job, lot=lot))
            turns.append(tuple(row))
        return tuple(turn for turn in turns if turn)


def fits(problem: Problem, load: Load) -> bool:
    """Whether the units can sit on the mount together and burn within one open stretch, assuming few changes;
    the timing has the last word."""
    is_fitting = problem.fitting_loads.get(load)
    if is_fitting is None:
        is_fitting = problem.fitting_loads[load] = _fits(problem, load)
    return is_fitting


def _fits(problem: Problem, load: Load) -> bool:
    mount, units = load
    sorts = tuple(sorted([problem.units[unit].sort for unit in units]))
    if any(mount not in problem.sorts[sort].fits for sort in sorts):
        return False
    work = problem.work(load)
    station = problem.stations[problem.mounts[mount].station]
    changes = (len(work.processes) - 1) * station.process_change_seconds
    if work.seconds + changes > problem.longest(mount):
        return False
    key = (mount, sorts)
    is_seated = problem.fitting_sorts.get(key)
    if is_seated is None:
        is_seated = problem.fitting_sorts[key] = seated(problem, mount, sorts) is not None
    return is_seated


def seated(problem: Problem, mount: int, sorts: Sequence[int]) -> SlotMatching | None:
    """The sorts seated on the mount (unit n is the n-th of them); None when there are not slots for all."""
    if len(sorts) > len(problem.mounts[mount].plate.slots):
        return None
    for heights in problem.heights(mount):
        matching = SlotMatching(problem, mount, heights)
        if all(matching.seat(unit, sort) for unit, sort in enumerate(sorts)):
            return matching
    return None
