"""By when a unit must be boxed so that it can still be engraved in time: loads laid backwards from when their
units are due.

The opposite of a plan: units due last are placed first, in as full loads as their plates allow, each load as
late as the station's hours let it burn without a break; seating comes before it, in open hours. Other work is
not looked at. A change of plate and of process is counted with every load, to be on the safe side.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from itertools import groupby

from layout.loading.backlog import Backlog, Kind, PlanJob, PlanStation
from layout.shop.hours import DAY_S, MOST_WEEKS, WEEK_S, Hours


@dataclass(frozen=True, slots=True)
class _Place:
    """A load of `count` units: where, when its units must be there, when its laser begins."""

    count: int
    needed: float
    begins: float
    station: str


def latest_boxed(backlog: Backlog) -> Mapping[str, float]:
    """By job, the latest moment (seconds as in `layout.shop.hours`; it may have passed) at which its unit
    must be boxed. A job that no station takes, or whose faces would take longer than any open stretch, is
    left out.
    """
    until: dict[str, float] = {}  # by station: where the laser's time is still free before
    found: dict[str, float] = {}
    rest = sorted(backlog.jobs, key=lambda one: (-one.due, one.kind.kind, one.seconds, one.job))
    for _, alike in groupby(rest, key=lambda one: (one.due, one.kind.kind, one.seconds)):
        left = list(alike)
        while left:
            count, needed = _latest(backlog, left, until)
            if count == 0:
                break
            found |= {job.job: needed for job in left[:count]}
            del left[:count]
    return found


def _latest(backlog: Backlog, left: list[PlanJob], until: dict[str, float]) -> tuple[int, float]:
    """How many units that are alike go into the next load, and by when they are needed; 0: no station takes
    them. Visits are placed from the last one; their laser time is taken."""
    job = left[0]
    needed, count, taken = job.due, len(left), dict(until)
    for faces in reversed(_visits(backlog, job.kind)):
        places = [
            place
            for station in backlog.stations
            for plate in station.plates
            if (place := _fitted(station, plate, job, faces, count, needed, taken)) is not None
        ]
        if not places:
            return 0, 0.0
        best = max(places, key=lambda one: (one.count, one.needed))
        taken[best.station] = best.begins
        needed, count = best.needed, best.count
    until |= taken
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
    job: PlanJob,
    faces: tuple[str, ...],
    count: int,
    end: float,
    taken: Mapping[str, float],
) -> _Place | None:
    options = [o for o in job.kind.options.get(station.station, ()) if o.plate == plate]
    slots = min((len({o.slot for o in options if o.face == face}) for face in faces), default=0)
    change = station.plate_change_seconds + station.process_change_seconds
    each = job.seconds * len(faces) + station.turn_seconds * (len(faces) - 1)
    count = min(count, slots)
    while count > 0 and change + each * count > station.hours.longest_s:
        count -= 1
    if count == 0:
        return None
    begins = latest_fit(station.hours, min(end, taken.get(station.station, end)), change + each * count)
    needed = latest_spend(station.hours, begins, count * station.load_seconds)
    return _Place(count, needed, begins, station.station)


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
