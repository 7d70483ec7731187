"""What can be promised from a plan: when a new unit would be done, and a day that is rarely overrun.

A confidence of 0.9 says: if the times of loads differ from their estimates independently, each with the
relative spread given, the work is done by the end of the promised day nine times in ten. It says nothing of
machines that fail, people who are ill, or orders that come later and are more urgent.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from statistics import NormalDist

from layout.loading.backlog import Backlog, Kind, Plan, PlannedLoad, PlanStation, faces_by_visit
from layout.loading.values import Option
from layout.shop.hours import DAY_S, laid_out

#: How often a promise should hold, and the relative spread of a load's time assumed until burns are recorded.
CONFIDENCE = 0.9
SPREAD = 0.3


def safe_ends(
    backlog: Backlog, plan: Plan, *, confidence: float = CONFIDENCE, spread: float = SPREAD
) -> Mapping[str, float]:
    """By job, the end of the day by whose end it is done with that confidence."""
    stations = _Stations(backlog, confidence=confidence, spread=spread)
    found: dict[str, float] = {}
    for load in plan.loads:
        end = stations.safe(load.station, load.ends, stations.put(load.station, load.begins, load.ends))
        for job in load.jobs:
            found[job] = max(end, found.get(job, 0.0))
    return {job: end for job, end in found.items() if job in plan.done}


def end_of_day(moment: float) -> float:
    """Midnight after that moment; a moment that is midnight ends its own day."""
    return math.ceil(moment / DAY_S) * DAY_S


def safe_end_of_new(
    backlog: Backlog,
    plan: Plan,
    kind: Kind,
    seconds: float,
    *,
    units: int = 1,
    confidence: float = CONFIDENCE,
    spread: float = SPREAD,
) -> float | None:
    """The end of the day by whose end so many more units of a kind (burning one takes `seconds`) are done
    with that confidence, without making room: in free slots of planned loads, the earliest first, and in
    loads after all others. Faces that no plate takes in one load are visits, each after the one before.

    None when a face has no place, or no station is open long enough at a stretch for it. Nothing is read of
    `backlog` but its stations and plates. Focus heights are left to the next plan.
    """
    visits = _visits(backlog, kind)
    stations = _Stations(backlog, confidence=confidence, spread=spread)
    late = [stations.put(load.station, load.begins, load.ends) for load in plan.loads]
    ready, safe = backlog.now, 0.0
    for faces in visits:
        share = seconds * len(faces) / len(kind.faces)
        joined = _join(plan, stations, late, kind, faces, share, units, ready)
        added = _add(backlog, stations, kind, faces, share, units - joined.units, ready)
        if added is None:
            return None
        ready = max(joined.done, added.done)
        safe = max(safe, joined.safe, added.safe)
    return safe if visits else None


class _Stations:
    """Stations with what was put on them: when the last load ends, and how much its end may be overrun."""

    def __init__(self, backlog: Backlog, *, confidence: float, spread: float) -> None:
        self.by_name = {station.station: station for station in backlog.stations}
        self._openings = {name: laid_out(station.hours) for name, station in self.by_name.items()}
        self._squares = dict.fromkeys(self.by_name, 0.0)
        self._factor = NormalDist().inv_cdf(confidence) * spread
        self.last = {name: max(one.free_at, backlog.now) for name, one in self.by_name.items()}

    def put(self, station: str, begins: float, ends: float) -> float:
        """Put a load on a station after all others there; gives the seconds its end may be overrun by."""
        self._squares[station] += (ends - begins) ** 2
        self.last[station] = max(self.last[station], ends)
        return max(0.0, self._factor * math.sqrt(self._squares[station]))

    def safe(self, station: str, ends: float, late: float) -> float:
        """The end of the day on which a load ends that is so much later than estimated."""
        return end_of_day(self._openings[station].spend(ends, late))

    def fit(self, station: str, ready: float, work: float) -> float:
        return self._openings[station].fit(ready, work)


@dataclass(frozen=True, slots=True)
class _Placed:
    """So many units were given places; the last is done then as estimated, and safely by that day's end."""

    units: int = 0
    done: float = 0.0
    safe: float = 0.0

    def more(self, units: int, done: float, safe: float) -> _Placed:
        return _Placed(self.units + units, max(self.done, done), max(self.safe, safe))


def _join(
    plan: Plan,
    stations: _Stations,
    late: Sequence[float],
    kind: Kind,
    faces: Sequence[str],
    seconds: float,
    units: int,
    ready: float,
) -> _Placed:
    """One visit of as many units as find room in planned loads that are prepared after `ready`."""
    placed = _Placed()
    for load, overrun in zip(plan.loads, late, strict=True):
        if placed.units == units:
            break
        count = min(units - placed.units, _room(load, kind, faces)) if load.prepares >= ready else 0
        if count:
            end = load.ends + count * seconds
            placed = placed.more(count, end, stations.safe(load.station, end, overrun))
    return placed


def _add(
    backlog: Backlog,
    stations: _Stations,
    kind: Kind,
    faces: Sequence[str],
    seconds: float,
    units: int,
    ready: float,
) -> _Placed | None:
    """One visit of the others, in loads after all that are planned, each where it ends first; None when no
    station takes it."""
    slots = {plate.plate: plate.slots for plate in backlog.plates if plate.copies}
    placed = _Placed()
    while placed.units < units:
        best: tuple[float, float, str, int] | None = None
        for name, station in stations.by_name.items():
            count = min(units - placed.units, _most(station, kind, faces, seconds, slots))
            if count:
                work = count * (seconds + (len(faces) - 1) * station.turn_seconds) + _changes(station)
                seated = max(stations.last[name], ready) + count * station.load_seconds
                begins = stations.fit(name, seated, work)
                best = min(best or (math.inf, 0.0, "", 0), (begins + work, begins, name, count))
        if best is None:
            return None
        end, begins, name, count = best
        placed = placed.more(count, end, stations.safe(name, end, stations.put(name, begins, end)))
    return placed


def _visits(backlog: Backlog, kind: Kind) -> list[tuple[str, ...]]:
    """Faces by visit, as many at a time as some plate takes in one load; none when a face has no place."""
    mounts = [
        {option.face for option in kind.options.get(station.station, ()) if option.plate == plate}
        for station in backlog.stations
        for plate in station.plates
    ]
    return faces_by_visit(kind.faces, mounts)


def _room(load: PlannedLoad, kind: Kind, faces: Sequence[str]) -> int:
    """So many more units find a slot in every turn they need."""
    options = [o for o in kind.options.get(load.station, ()) if o.plate == load.plate]
    most = math.inf
    for turn, face in enumerate(faces):
        taken = {filled.slot for filled in load.turns[turn]} if turn < len(load.turns) else set()
        most = min(most, len({o.slot for o in options if o.face == face} - taken))
    return int(most)


def _most(
    station: PlanStation,
    kind: Kind,
    faces: Sequence[str],
    seconds: float,
    slots: Mapping[str, Sequence[str]],
) -> int:
    """So many units the station takes in one new load: as its plates have slots and its hours are long."""
    here: list[Option] = [o for o in kind.options.get(station.station, ()) if o.plate in station.plates]
    room = max(
        (
            min(len({o.slot for o in here if (o.plate, o.face) == (plate, face)}) for face in faces)
            for plate in {o.plate for o in here}
            if plate in slots
        ),
        default=0,
    )
    each = seconds + (len(faces) - 1) * station.turn_seconds
    left = station.hours.longest_s - _changes(station)
    if left < each:
        return 0
    return room if each == 0 or math.isinf(left) else min(room, int(left // each))


def _changes(station: PlanStation) -> float:
    return station.plate_change_seconds + station.process_change_seconds
