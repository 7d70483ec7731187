"""A plan put together load by load, with what it costs so far. Nothing changes in place, so many plans may
begin alike.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

from layout.plan.search.problem import Floor, Load, Work
from layout.plan.search.timing import At, Clockwork, happens
from layout.shop.hours import DAY_S


class Passage(NamedTuple):
    """The floor between two loads: what every station is at, when every plate's copies are free (the first
    free first), ends of visits that others follow; weighted days late, and changes, so far."""

    at: tuple[At, ...]
    copies: tuple[tuple[tuple[float, str], ...], ...]
    ends: Mapping[int, float]
    lateness: int
    changes: int


class _Known(NamedTuple):
    """What is asked of a load whenever it is put somewhere."""

    work: Work
    plate: int
    station: int
    after: tuple[int, ...]
    followed: tuple[int, ...]
    dues: tuple[tuple[float, int, int], ...]  # due, weight, working days up to it; the earliest first


class Track:
    """Puts loads after one another, as `layout.plan.search.timing.Clockwork` does."""

    def __init__(self, floor: Floor) -> None:
        self.floor = floor
        clockwork = Clockwork(floor)
        plates = sorted(clockwork.copies)
        self.start = Passage(
            tuple(clockwork.at),
            tuple(
                tuple(sorted((free, copy) for copy, free in clockwork.copies[plate].items()))
                for plate in plates
            ),
            {}, 0, 0,
        )  # fmt: skip
        self._plate_of = [plates.index(mount.plate.plate) for mount in floor.mounts]
        self._followed = {unit.after for unit in floor.units if unit.after is not None}
        self._known: dict[Load, _Known] = {}

    def _ask(self, load: Load) -> _Known:
        known = self._known.get(load)
        if known is None:
            floor = self.floor
            mine = [floor.units[unit] for unit in load[1]]
            done = [floor.jobs[unit.job] for unit in mine if unit.last]
            known = _Known(
                floor.work(load),
                self._plate_of[load[0]],
                floor.mounts[load[0]].station,
                tuple(unit.after for unit in mine if unit.after is not None),
                tuple(unit.unit for unit in mine if unit.unit in self._followed),
                tuple(sorted((j.due, j.weight, floor.days.count(int(j.due // DAY_S))) for j in done)),
            )
            self._known[load] = known
        return known

    def put(self, passage: Passage, load: Load) -> Passage:
        """The passage after one more load.

        Raises KeyError when an earlier visit of a unit is in no load before, ValueError when no open stretch
        is long enough.
        """
        work, plate, station, after, followed, dues = self._ask(load)
        copies = passage.copies[plate]
        ready, copy = copies[0]
        if after:
            ready = max(ready, *(passage.ends[unit] for unit in after))
        timed, at = happens(self.floor, work, passage.at[station], copy, ready)
        end = timed.ends
        ends = passage.ends
        if followed:
            ends = {**ends, **dict.fromkeys(followed, end)}
        lateness = passage.lateness
        if dues and dues[0][0] < end:
            today = self.floor.days.count(int(end // DAY_S))
            for due, weight, day in dues:
                if due >= end:
                    break
                lateness += weight * max(1, today - day)
        if len(copies) == 1:
            copies = ((end, copy),)
        elif copies[-1][0] < end:
            copies = (*copies[1:], (end, copy))
        else:
            copies = tuple(sorted((*copies[1:], (end, copy))))
        return Passage(
            (*passage.at[:station], at, *passage.at[station + 1 :]),
            (*passage.copies[:plate], copies, *passage.copies[plate + 1 :]),
            ends,
            lateness,
            passage.changes + timed.changes,
        )
