"""What can be promised from a plan: when a new unit would be done, and a time that is rarely overrun.

The confidence rests on one stated assumption: the times of loads differ from their estimates independently,
each with the relative spread given. It says nothing of machines that fail, people who are ill, or orders
that come later and are more urgent.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from statistics import NormalDist

from layout.backlog import Backlog, Kind, Plan, PlannedLoad
from layout.hours import DAY_S, laid_out

#: How often a promise should hold, and the relative spread of a load's time assumed until burns are recorded.
CONFIDENCE = 0.9
SPREAD = 0.3


def safe_ends(
    backlog: Backlog, plan: Plan, *, confidence: float = CONFIDENCE, spread: float = SPREAD
) -> Mapping[str, float]:
    """By job, the end of the day by whose end it is done with that confidence."""
    z = NormalDist().inv_cdf(confidence)
    openings = {station.station: laid_out(station.hours) for station in backlog.stations}
    squares = dict.fromkeys(openings, 0.0)
    found: dict[str, float] = {}
    for load in plan.loads:
        squares[load.station] += (load.ends - load.begins) ** 2
        late = z * spread * math.sqrt(squares[load.station])
        end = end_of_day(openings[load.station].spend(load.ends, max(0.0, late)))
        for job in load.jobs:
            found[job] = max(end, found.get(job, 0.0))
    return {job: end for job, end in found.items() if job in plan.done}


def end_of_day(moment: float) -> float:
    """Midnight after that moment; a moment that is midnight ends its own day."""
    return math.ceil(moment / DAY_S) * DAY_S


def earliest_end(backlog: Backlog, plan: Plan, kind: Kind, seconds: float) -> float | None:
    """When one more unit (its whole burning time in `seconds`) would be done without making room: in the
    first planned load with a free slot for it, else in a load after all others. None when no station takes
    it in one load: nothing is promised for two visits."""
    ends: list[float] = []
    for load in plan.loads:
        if _has_room(load, kind):
            ends.append(load.ends + seconds)
            break
    for station in backlog.stations:
        faces = {o.face for o in kind.options.get(station.station, ()) if o.plate in station.plates}
        if not faces.issuperset(kind.faces) or not kind.faces:
            continue
        last = max((load.ends for load in plan.loads if load.station == station.station), default=0.0)
        ready = max(last, station.free_at, backlog.now) + station.load_seconds
        work = seconds + station.plate_change_seconds + station.process_change_seconds
        if work <= station.hours.longest_s:
            ends.append(laid_out(station.hours).fit(ready, work) + work)
    return min(ends, default=None)


def _has_room(load: PlannedLoad, kind: Kind) -> bool:
    """Whether a slot that takes the unit is free in every turn it needs. Focus is left to the next plan."""
    for turn, face in enumerate(kind.faces):
        taken = {filled.slot for filled in load.turns[turn]} if turn < len(load.turns) else set()
        options = kind.options.get(load.station, ())
        if not any(o.plate == load.plate and o.face == face and o.slot not in taken for o in options):
            return False
    return bool(kind.faces)
