"""When must a unit be boxed so that it can still be engraved in time? A plan run backwards from due times.

A plan asks how early everything can be done; a build list asks how late assembly may finish a unit. So units
due last are placed first, in loads as full as their plates allow, each load as late as the station's hours
let it burn without a break. Pulling and seating come before the burn; taking out, inspecting, wiping, bagging
and boxing come after it, all in the time of the people who are there.

Units due at the same time that can sit in the same places share loads, whatever their words and however long
they burn. The shortest go into the last load, so that every load before it can wait as long as possible
(moving a shorter unit into a later load delays everything laid before it). Other work is ignored. Every load
counts a change of plate and of process, to be on the safe side.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import accumulate

from layout.loading.backlog import Backlog, Kind, PlanJob, PlanStation, visits_of
from layout.shop.hours import DAY_S, MOST_WEEKS, WEEK_S, Hours


@dataclass(frozen=True, slots=True)
class _Place:
    """A load of `count` units: where it is, when its units must be there, when its laser begins and ends."""

    count: int
    needed: float
    begins: float
    burned: float
    station: str


def latest_boxed(backlog: Backlog) -> Mapping[str, float]:
    """The latest moment at which each job's unit must be boxed (seconds as in `layout.shop.hours`; it may
    have passed). Jobs that no station takes, or whose faces would burn longer than any open stretch, are left
    out."""
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
    """The faces to be burned, and every slot of every station that takes one of them."""
    slots = {(s, o.plate, o.slot, o.face) for s, options in kind.options.items() for o in options}
    return kind.faces, frozenset(slots)


def _latest(backlog: Backlog, left: Sequence[PlanJob], free_until: dict[str, _Place]) -> tuple[int, float]:
    """How many of the units, counted from the first, go into the next load, and when they are needed; 0 when
    no station takes them. Visits are placed last first; `free_until` is updated with their laser time."""
    kind = left[0].kind
    visits = visits_of(backlog, kind)
    needed, count, taken = left[0].due, len(left) * bool(visits), dict(free_until)
    for faces in reversed(visits):
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


def _fitted(
    station: PlanStation,
    plate: str,
    units: Sequence[PlanJob],
    faces: tuple[str, ...],
    end: float,
    taken: Mapping[str, _Place],
) -> _Place | None:
    """A load of as many units, counted from the first, as the plate holds and one open stretch has time
    for."""
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
    """The latest moment at which this much handling can begin at a station and still be done by `end`.

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
    """The latest moment at which work can begin and still be done by `end`, if it pauses while the station is
    shut.

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
    """Open spans before a moment, latest first; the first is cut off at that moment."""
    if not hours.week:
        yield float("-inf"), end
        return
    this_week = int(end // WEEK_S)
    for week in range(this_week, this_week - MOST_WEEKS, -1):
        for span in reversed(hours.week):
            begins, ends = span[0] + week * WEEK_S, min(span[1] + week * WEEK_S, end)
            if begins < ends and int(begins // DAY_S) not in hours.shut:
                yield begins, ends
