"""What has moved between two backlogs: a few jobs, or so much that a plan has to be made anew."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

from layout.loading.backlog import Backlog, Kind, PlanJob, PlanStation

#: A plan that more jobs came to or left than this is made anew.
MOST_JOBS = 24


@dataclass(frozen=True, slots=True)
class Moved:
    """Jobs that left, by name, and jobs that came; one that has changed did both."""

    left: tuple[str, ...]
    came: tuple[PlanJob, ...]


def moved(before: Backlog, after: Backlog) -> Moved | None:
    """What a plan of `before` lacks to be one of `after`, whatever time has passed; None when stations, plate
    copies or lots have moved, or many jobs."""
    if _floor(before) != _floor(after) or before.lots != after.lots:
        return None
    alike = _alike()
    old, new = ({job.job: job for job in backlog.jobs} for backlog in (before, after))
    same = {name for name, job in old.items() if name in new and _is_same(job, new[name], alike)}
    left = tuple(name for name in old if name not in same)
    came = [job for name, job in new.items() if name not in same]
    if len(left) + len(came) > MOST_JOBS:
        return None
    kinds = {id(job.kind): job.kind for job in before.jobs}
    known = {id(job.kind): next((k for k in kinds.values() if alike(k, job.kind)), job.kind) for job in came}
    return Moved(left, tuple(replace(job, kind=known[id(job.kind)]) for job in came))


def _floor(backlog: Backlog) -> tuple[object, ...]:
    """Stations and plates; a station or copy that is free is free, since whenever that is."""

    def until(moment: float) -> float | None:
        return moment if moment > backlog.now else None

    def station(one: PlanStation) -> tuple[object, ...]:
        idle = replace(one, free_at=0.0, hands_free_at=0.0)
        return idle, until(one.free_at), until(one.hands_free_at)

    plates = tuple(
        (plate.plate, plate.slots, {copy: until(free) for copy, free in plate.copies.items()})
        for plate in backlog.plates
    )
    return tuple(map(station, backlog.stations)), plates


def _alike() -> Callable[[Kind, Kind], bool]:
    """Whether two kinds are one but for their names; each pair is looked at once."""
    known: dict[tuple[int, int], bool] = {}

    def alike(one: Kind, other: Kind) -> bool:
        pair = id(one), id(other)
        if pair not in known:
            known[pair] = replace(one, kind=other.kind) == other
        return known[pair]

    return alike


def _is_same(one: PlanJob, other: PlanJob, alike: Callable[[Kind, Kind], bool]) -> bool:
    return (one.order, one.due, one.seconds, one.weight, one.bin) == (
        other.order, other.due, other.seconds, other.weight, other.bin,
    ) and alike(one.kind, other.kind)  # fmt: skip
