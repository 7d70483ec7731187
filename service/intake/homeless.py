"""Accepted units that no longer fit since the shop's description was changed: held until they fit again.

A unit was accepted for certain places, with marks frozen as they are. When the description is edited, all of
those places may be gone, or the judge may refuse the marks in every one that is left: a hole was added, a
zone made smaller. Such units are held at once and named with the reason, before anybody fetches them.
Nothing of what was approved is lost by that: marks and places stay frozen, and are looked at again and again.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace

from sqlalchemy.orm import Session

from layout.judge.load import verify
from layout.shop.loads import LoadLayout, Place, SlotFill, Turn
from layout.shop.proven_recipes import as_described
from layout.shop.shop import Shop
from service.intake import homeless_rows as place_rows
from service.loads import calibrations, waiting
from service.loads import load as loads
from service.loads import load_rows as rows
from service.loads import waiting_rows as claims
from service.loads.waiting_rows import Waiting
from service.records.announcements import tell_order
from service.records.errors import MoveNotAllowed
from service.records.ids import JOB, public
from service.records.states import JobState
from service.records.tables import Job
from service.records.who import SWEEP, By
from service.shop.tools import Tools
from service.stock import holds
from service.stock import reservations as stock


@dataclass(frozen=True, slots=True)
class Misfit:
    """A unit of an accepted order that the shop as it is no longer takes, and why."""

    job: int
    reason: str
    why: str


def look(tools: Tools) -> int:
    """Hold open units that no longer fit, let go those that fit again; how many moved."""
    shop = tools.catalogue.current
    with tools.database.reading() as session:
        accepted = place_rows.open_since_other_catalogues(session, shop.version)
        held = place_rows.held(session, (holds.NO_PLACE_LEFT, holds.NO_LONGER_FITS))
    lost = {one.job: one for one in misfits(tools, shop, accepted)}
    still = {one.job for one in misfits(tools, shop, held)}
    back = {job.id for job in held} - still
    if not lost and not back:
        return 0

    def work(session: Session) -> int:
        by = tools.by(SWEEP)
        jobs = rows.jobs(session, set(lost) | back)
        return sum(_move(session, job, lost.get(job.id), by=by) for job in jobs.values())

    return tools.database.write(work)


def would_be_lost(tools: Tools, shop: Shop) -> list[tuple[str, Misfit]]:
    """Accepted open units that would no longer fit if the shop were as given, with their orders' references;
    nothing is changed."""
    with tools.database.reading() as session:
        accepted = place_rows.open_since_other_catalogues(session, shop.version)
        orders = place_rows.order_refs(session, {job.order_id for job in accepted})
    order_of = {job.id: orders[job.order_id] for job in accepted}
    return [(order_of[unit.job], unit) for unit in misfits(tools, shop, accepted)]


def misfits(tools: Tools, shop: Shop, jobs: Sequence[Waiting]) -> list[Misfit]:
    """Those of the units that the shop, as it is given, takes nowhere where they were accepted.

    The judge looks at each unit alone, place by place, until one takes it; in a geometry process.
    """
    with tools.database.reading() as session:
        gone = homeless(session, shop, jobs)
        faces = _faces(session, shop, [job for job in jobs if job.id not in gone])
        unseen = [face for face in dict.fromkeys(faces.values()) if face not in _SEEN]
        tried = {face: _tries(session, shop, face) for face in unseen}
    bare = replace(as_described(shop), fonts={}, artworks={})
    for first in range(0, len(unseen), _AT_ONCE):
        some = unseen[first : first + _AT_ONCE]
        said = tools.geometry.work(refused_everywhere, bare, [tried[face] for face in some])
        if len(_SEEN) > _MOST_SEEN:
            _SEEN.clear()
        _SEEN.update(zip(some, said, strict=True))
    found = [
        Misfit(job, holds.NO_PLACE_LEFT, f"{public(JOB, job)}: no plate of the shop takes it any more")
        for job in sorted(gone)
    ]
    refused: dict[int, str] = {}
    for (job, _), face in faces.items():
        if (why := _SEEN.get(face)) is not None:
            refused.setdefault(job, why)
    return found + [
        Misfit(job, holds.NO_LONGER_FITS, f"{public(JOB, job)}: {why}") for job, why in refused.items()
    ]


@dataclass(frozen=True, slots=True)
class _Face:
    """A face of one wording of a line, and where it may still be burned in a version of the shop."""

    version: str
    line_id: int
    words_revision: int
    sku: str
    blade: str
    face: str
    places: tuple[Place, ...]


#: Faces judged in one go, so that none takes longer than a request may.
_AT_ONCE = 50
#: What the judge said of a face; the same face needs no second look.
_SEEN: dict[_Face, str | None] = {}
_MOST_SEEN = 50_000


def refused_everywhere(shop: Shop, asked: Sequence[Sequence[LoadLayout]]) -> list[str | None]:
    """What the judge has against each face at the first of its places, when it refuses it in all of them;
    None where one takes it. Each place is a load of that face alone."""
    return [_refused(shop, tries) for tries in asked]


def _refused(shop: Shop, tries: Sequence[LoadLayout]) -> str | None:
    first = None
    for load in tries:
        findings = verify(shop, load)
        if not findings:
            return None
        first = first or _PLACE.sub("", findings[0].message)
    return first


#: The judge names turn, slot and job first; of a unit that is in no load they mean nothing.
_PLACE = re.compile(r"^turn \d+, slot \S+, job \S+?(?:, |: )")


def _faces(session: Session, shop: Shop, jobs: Sequence[Waiting]) -> dict[tuple[int, str], _Face]:
    """Every face that is left of the units, by unit and face."""
    eligible = claims.eligible(session, {job.line_id for job in jobs})
    return {
        (job.id, face): _Face(
            shop.version,
            job.line_id,
            job.words_revision,
            job.sku,
            job.blade,
            face,
            tuple(
                Place(*place)
                for place in eligible[job.line_id]
                if place[3] == face and _is_there(shop, *place[:3], blade=job.blade, face=face)
            ),
        )
        for job in jobs
        for face in job.faces
    }


def _tries(session: Session, shop: Shop, asked: _Face) -> list[LoadLayout]:
    """The face alone at each of its places, with the first copy of the plate as it lies there now."""
    marks = tuple(
        loads.mark_value(mark)
        for mark in rows.line_marks(session, {asked.line_id})
        if (mark.words_revision, mark.face) == (asked.words_revision, asked.face)
    )
    tries = []
    for place in asked.places:
        copy = shop.plates[place.plate].copies[0]
        stored = calibrations.locked(session, shop, place.station, place.plate, copy)
        fill = SlotFill(
            place.slot, asked.sku, asked.blade, asked.face, marks, frozenset(asked.places), job="J0"
        )
        lies = loads.calibration_value(stored)
        tries.append(LoadLayout(place.station, place.plate, copy, lies, (Turn(1, (fill,)),)))
    return tries


def homeless(session: Session, shop: Shop, jobs: Sequence[Waiting]) -> set[int]:
    """Those of the jobs that have a face left for which no place remains in the shop as it is. A recipe whose
    test card was withdrawn takes no place away."""
    eligible = claims.eligible(session, {job.line_id for job in jobs})
    misfits: dict[int, set[tuple[str, str, str]]] = {}
    for job_id, *place in waiting.misfits(session, jobs):
        misfits.setdefault(job_id, set()).add((place[0], place[1], place[2]))
    found = set()
    for job in jobs:
        left = {
            face
            for station, plate, slot, face in eligible[job.line_id]
            if (station, plate, slot) not in misfits.get(job.id, set())
            and _is_there(shop, station, plate, slot, blade=job.blade, face=face)
        }
        if not left.issuperset(job.faces):
            found.add(job.id)
    return found


def _is_there(shop: Shop, station: str, plate: str, slot: str, *, blade: str, face: str) -> bool:
    """Whether the station still mounts a plate with that slot, which takes the blade with that face up."""
    if not waiting.is_mounted(shop, station, plate):
        return False
    slots = (one for one in shop.plates[plate].slots if one.slot == slot)
    return any(one.seat(blade, face) is not None for one in slots)


def _move(session: Session, job: Job, lost: Misfit | None, *, by: By) -> bool:
    """Whether the unit still was where it was seen, and has moved."""
    try:
        if lost is not None:
            if JobState(job.state) not in {JobState.READY, JobState.SHORT}:
                return False
            holds.hold(session, job, lost.reason, by=by, why=lost.why)
            stock.unreserve(session, job)
            return True
        if job.state != JobState.HELD.value or job.hold_reason not in {
            holds.NO_PLACE_LEFT,
            holds.NO_LONGER_FITS,
        }:
            return False
        stock.make_ready(session, job, by=by, why="it fits again")
    except MoveNotAllowed:
        return False  # a load or the desk was faster
    order = job.line.order
    if not any(JobState(other.state) is JobState.HELD for line in order.lines for other in line.jobs):
        tell_order(session, "order.accepted", order, now=by.at)
    return True
