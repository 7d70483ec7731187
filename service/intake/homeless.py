"""Accepted units that a change of the shop's description has made impossible: held until they fit again.

A unit was accepted for certain places, with marks frozen as they are. When the description is edited, all of
those places may be gone, or the judge may refuse the marks in every one that is left: a hole was added, a
zone made smaller. Such units are held at once, with the reason, before anybody fetches them. Nothing that was
approved is lost: marks and places stay frozen and are judged again whenever the description changes.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace

from sqlalchemy.orm import Session

from layout.judge.load import verify
from layout.shop.findings import Finding
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
    """A unit of an accepted order that fits nowhere any more, and why."""

    job: int
    reason: str
    why: str


def look(tools: Tools) -> int:
    """Hold open units that no longer fit, release those that fit again; returns how many moved."""
    shop = tools.catalogue.current
    with tools.database.reading() as session:
        accepted = place_rows.open_since_other_catalogues(session, shop.version)
        held = place_rows.held(session, (holds.NO_PLACE_LEFT, holds.NO_LONGER_FITS))
    lost = {misfit.job: misfit for misfit in misfits(tools, shop, accepted)}
    still = {misfit.job for misfit in misfits(tools, shop, held)}
    back = {job.id for job in held} - still
    if not lost and not back:
        return 0

    def work(session: Session) -> int:
        by = tools.by(SWEEP)
        jobs = rows.jobs(session, set(lost) | back)
        return sum(_move(session, job, lost.get(job.id), by=by) for job in jobs.values())

    return tools.database.write(work)


def would_be_lost(tools: Tools, shop: Shop) -> list[tuple[str, Misfit]]:
    """Accepted open units that would no longer fit in the given shop, with their orders' references. Changes
    nothing."""
    with tools.database.reading() as session:
        accepted = place_rows.open_since_other_catalogues(session, shop.version)
        orders = place_rows.order_refs(session, {job.order_id for job in accepted})
    order_of = {job.id: orders[job.order_id] for job in accepted}
    return [(order_of[unit.job], unit) for unit in misfits(tools, shop, accepted)]


def misfits(tools: Tools, shop: Shop, jobs: Sequence[Waiting]) -> list[Misfit]:
    """The units that fit at none of their accepted places in the given shop.

    The judge looks at each unit alone, place by place, until one takes it; in a geometry process.
    """
    with tools.database.reading() as session:
        gone = homeless(session, shop, jobs)
        faces = _faces(session, shop, [job for job in jobs if job.id not in gone])
        unseen = [face for face in dict.fromkeys(faces.values()) if face not in _REFUSAL_OF]
        tried = {face: _tries(session, shop, face) for face in unseen}
    bare = replace(as_described(shop), fonts={}, artworks={})
    for first in range(0, len(unseen), _FACES_A_BATCH):
        batch = unseen[first : first + _FACES_A_BATCH]
        refusals = tools.geometry.work(refused_everywhere, bare, [tried[face] for face in batch])
        if len(_REFUSAL_OF) > _MOST_REFUSALS:
            _REFUSAL_OF.clear()
        _REFUSAL_OF.update(zip(batch, refusals, strict=True))
    without_place = [
        Misfit(job, holds.NO_PLACE_LEFT, f"{public(JOB, job)}: no plate of the shop takes it any more")
        for job in sorted(gone)
    ]
    refused: dict[int, Finding] = {}
    for (job, _), face in faces.items():
        if (finding := _REFUSAL_OF.get(face)) is not None:
            refused.setdefault(job, finding)
    return without_place + [
        Misfit(job, holds.NO_LONGER_FITS, holds.no_longer_fitting(job, finding))
        for job, finding in refused.items()
    ]


@dataclass(frozen=True, slots=True)
class _Face:
    """One face of a line's words, and where it may still be burned in a version of the shop."""

    version: str
    line_id: int
    words_revision: int
    sku: str
    blade: str
    face: str
    places: tuple[Place, ...]


#: Faces judged in one go, so that none takes longer than a request may.
_FACES_A_BATCH = 50
#: Why the judge refuses a face, None where it does not; the same face is never judged twice.
_REFUSAL_OF: dict[_Face, Finding | None] = {}
_MOST_REFUSALS = 50_000


def refused_everywhere(shop: Shop, faces: Sequence[Sequence[LoadLayout]]) -> list[Finding | None]:
    """Why the judge refuses each face at its first place, if it refuses it at all of them; None where some
    place takes it. `faces` gives for each face its places, each as a load of that face alone."""
    return [_refused(shop, tries) for tries in faces]


def _refused(shop: Shop, tries: Sequence[LoadLayout]) -> Finding | None:
    first = None
    for load in tries:
        findings = verify(shop, load)
        if not findings:
            return None
        first = first or replace(findings[0], message=_PLACE.sub("", findings[0].message))
    return first


#: The judge names turn, slot and job first; of a unit that is in no load they mean nothing.
_PLACE = re.compile(r"^turn \d+, slot \S+, job \S+?(?:, |: )")


def _faces(session: Session, shop: Shop, jobs: Sequence[Waiting]) -> dict[tuple[int, str], _Face]:
    """The faces still to be engraved, by job and face."""
    eligible = claims.eligible(session, jobs)
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
                for place in eligible[job.wording].all
                if place[3] == face and _is_there(shop, *place[:3], blade=job.blade, face=face)
            ),
        )
        for job in jobs
        for face in job.faces
    }


def _tries(session: Session, shop: Shop, face: _Face) -> list[LoadLayout]:
    """The face alone at each of its places, with the first copy of the plate as it lies there now."""
    marks = tuple(
        loads.mark_value(mark)
        for mark in rows.line_marks(session, {face.line_id})
        if (mark.words_revision, mark.face) == (face.words_revision, face.face)
    )
    tries = []
    for place in face.places:
        copy = shop.plates[place.plate].copies[0]
        stored = calibrations.locked(session, shop, place.station, place.plate, copy)
        fill = SlotFill(place.slot, face.sku, face.blade, face.face, marks, frozenset(face.places), job="J0")
        lies = loads.calibration_value(stored)
        tries.append(LoadLayout(place.station, place.plate, copy, lies, (Turn(1, (fill,)),)))
    return tries


def homeless(session: Session, shop: Shop, jobs: Sequence[Waiting]) -> set[int]:
    """Jobs with a face left to engrave for which no accepted place remains. A recipe whose test card was
    withdrawn takes no place away."""
    eligible = claims.eligible(session, jobs)
    misfits: dict[int, set[tuple[str, str, str]]] = {}
    for job_id, *place in waiting.misfits(session, jobs):
        misfits.setdefault(job_id, set()).add((place[0], place[1], place[2]))
    homeless_jobs = set()
    for job in jobs:
        left = {
            face
            for station, plate, slot, face in eligible[job.wording].all
            if (station, plate, slot) not in misfits.get(job.id, set())
            and _is_there(shop, station, plate, slot, blade=job.blade, face=face)
        }
        if not left.issuperset(job.faces):
            homeless_jobs.add(job.id)
    return homeless_jobs


def _is_there(shop: Shop, station: str, plate: str, slot: str, *, blade: str, face: str) -> bool:
    """Whether the station still mounts a plate with that slot, which takes the blade with that face up."""
    if not waiting.is_mounted(shop, station, plate):
        return False
    slots = (candidate for candidate in shop.plates[plate].slots if candidate.slot == slot)
    return any(candidate.seat(blade, face) is not None for candidate in slots)


def _move(session: Session, job: Job, lost: Misfit | None, *, by: By) -> bool:
    """Hold or release the unit; False where a load or the desk has moved it meanwhile."""
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
