"""By when a unit must be boxed so that it can still be engraved in time: loads laid backwards from when their
units are due.

A plan asks how early everything can be done; a build list asks how late assembly may finish a unit. So this
is a plan run backwards: units due last are placed first, in as full loads as their plates allow, each load
as late as the station's hours let it burn without a break; pulling and seating come before it, looking,
inspecting, wiping, bagging and boxing after it, in the time of the people who are there. Units
due at the same time that may sit in the same places share loads, whatever words they get and however long
these burn; the shortest go into the last load, so that every load before it is needed as late as can be
(moving a shorter unit to a later load delays all that is laid before it). Other work is not looked at. A
change of plate and of process is counted with every load, to be on the safe side.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import accumulate

from layout.loading.backlog import Backlog, Kind, PlanJob, PlanStation
from layout.shop.hours import DAY_S, MOST_WEEKS, WEEK_S, Hours


@dataclass(frozen=True, slots=True)
class _Place:
    """A load of `count` units: where, when its units must be there, when its laser begins and ends."""

    count: int
    needed: float
    begins: float
    burned: float
    station: str


def latest_boxed(backlog: Backlog) -> Mapping[str, float]:
    """By job, the latest moment (seconds as in `layout.shop.hours`; it may have passed) at which its unit
    must be boxed. A job that no station takes, or whose faces would take longer than any open stretch, is
    left out.
    """
    free_until: dict[str, _Place] = {}  # by station, the load placed last: everything else comes before it
    boxed_by: dict[str, float] = {}
    for alike in _groups(backlog.jobs):
        left = alike
        while left:
            count, needed = _latest(backlog, left, free_until)
            if count == 0:
                break
            boxed_by |= {job.job: needed for job in left[:count]}
            left = left[count:]
    return boxed_by


def _groups(jobs: Sequence[PlanJob]) -> list[list[PlanJob]]:
    """Units that may share loads, those due last first; within a group the shortest first.

    Focus heights and processes are left out: a load may burn several processes, and the plan sorts out what
    can't be in focus together.
    """
    kinds = {id(job.kind): job.kind for job in jobs}
    places = {key: _places(kind) for key, kind in kinds.items()}
    names: dict[object, str] = {}  # by places, the first kind that has them: groups come in a fixed order
    groups: dict[tuple[float, str], list[PlanJob]] = {}
    for job in sorted(jobs, key=lambda job: (-job.due, job.kind.kind, job.seconds, job.job)):
        name = names.setdefault(places[id(job.kind)], job.kind.kind)
        groups.setdefault((job.due, name), []).append(job)
    return [sorted(group, key=lambda job: (job.seconds, job.job)) for group in groups.values()]


def _places(kind: Kind) -> tuple[object, ...]:
    """Faces to be burned, and every slot of every station that takes one of them."""
    slots = {(s, o.plate, o.slot, o.face) for s, options in kind.options.items() for o in options}
    return kind.faces, frozenset(slots)


def _latest(backlog: Backlog, left: Sequence[PlanJob], free_until: dict[str, _Place]) -> tuple[int, float]:
    """How many of the units, from the first on, go into the next load, and by when they are needed; 0: no
    station takes them. Visits are placed from the last one; their laser time is taken."""
    kind = left[0].kind
    needed, count, taken = left[0].due, len(left), dict(free_until)
    for faces in reversed(_visits(backlog, kind)):
        places = [
            place
            for station in backlog.stations
            for plate in station.plates
            if (place := _fitted(station, plate, left[:count], faces, needed, taken)) is not None
        ]
        if not places:
            return 0, 0.0
        best = max(places, key=lambda place: (place.count, place.needed))
        taken[best.station] = best
        needed, count = best.needed, best.count
    free_until |= taken
    return count, needed


def _visits(backlog: Backlog, kind: Kind) -> list[tuple[str, ...]]:
    """All faces in one load where some plate takes them all, else one visit a face."""
    for station in backlog.stations:
        for plate in station.plates:
            here = {o.face for o in kind.options.get(station.station, ()) if o.plate == plate}
            if here.issuperset(kind.faces):
                return [kind.faces]
    return [(face,) for face in kind.faces]


def _fitted(
    station: PlanStation,
    plate: str,
    units: Sequence[PlanJob],
    faces: tuple[str, ...],
    end: float,
    taken: Mapping[str, _Place],
) -> _Place | None:
    """As many of the units, from the first on, as one load of the plate takes in one open stretch."""
    options = [o for o in units[0].kind.options.get(station.station, ()) if o.plate == plate]
    slots = min((len({o.slot for o in options if o.face == face}) for face in faces), default=0)
    change = station.plate_change_seconds + station.process_change_seconds
    turning = station.turn_seconds * (len(faces) - 1)
    burning = list(accumulate(unit.seconds * len(faces) + turning for unit in units[:slots]))
    count = sum(change + seconds <= station.hours.longest_s for seconds in burning)
    if count == 0:
        return None
    # While the load after this one burns, people finish this one; then they turn to that one.
    after = taken.get(station.station)
    boxed = end if after is None else min(end, after.burned) if station.after_burn_s else end
    burned = latest_handling(station, boxed, count * station.after_burn_s)
    burned = burned if after is None else min(burned, after.begins)
    begins = latest_fit(station.hours, burned, change + burning[count - 1])
    burned = begins + change + burning[count - 1]
    needed = latest_handling(station, begins, count * station.load_seconds)
    return _Place(count, needed, begins, burned, station.station)


def latest_handling(station: PlanStation, end: float, seconds: float) -> float:
    """Latest begin of so much handling at a station that is done by `end`.

    Raises ValueError when nobody ever works.
    """
    if station.hands is None:
        return latest_spend(station.hours, end, seconds)
    if seconds <= 0:
        return end
    until = end
    for _ in range(MOST_WEEKS):
        for begins, ends, people in reversed(station.hands.spans(until - WEEK_S, until)):
            if (ends - begins) * people >= seconds:
                return ends - seconds / people
            seconds -= (ends - begins) * people
        until -= WEEK_S
    raise ValueError("nobody ever works")


def latest_fit(hours: Hours, end: float, seconds: float) -> float:
    """Latest begin of work that is not interrupted and done by `end`.

    Raises ValueError when no span is as long as that.

    >>> early = Hours.of_week({0: ((8 * 3600, 12 * 3600),)})
    >>> latest_fit(early, 10 * 3600, 3600) / 3600, latest_fit(early, 8.5 * 3600, 3600) / 3600  # a week before
    (9.0, -157.0)
    """
    if seconds <= hours.longest_s:
        for begins, ends in _open_before(hours, end):
            if ends - begins >= seconds:
                return ends - seconds
    raise ValueError(f"no open span is {seconds:.0f} s long")


def latest_spend(hours: Hours, end: float, seconds: float) -> float:
    """Latest begin of work that pauses while the station is shut and is done by `end`.

    Raises ValueError when the station is never open.
    """
    if seconds <= 0:
        return end
    for begins, ends in _open_before(hours, end):
        if ends - begins >= seconds:
            return ends - seconds
        seconds -= ends - begins
    raise ValueError("the station is never open")


def _open_before(hours: Hours, end: float) -> Iterator[tuple[float, float]]:
    """Open spans before a moment, the latest first, the first of them cut at that moment."""
    if not hours.week:
        yield float("-inf"), end
        return
    this_week = int(end // WEEK_S)
    for week in range(this_week, this_week - MOST_WEEKS, -1):
        for span in reversed(hours.week):
            begins, ends = span[0] + week * WEEK_S, min(span[1] + week * WEEK_S, end)
            if begins < ends and int(begins // DAY_S) not in hours.shut:
                yield begins, ends
