"""Accepted units whose frozen places the shop has taken away, all of them: held until one of them is back.

Nothing of what was approved is lost by that: the places stay frozen, and are looked for again and again.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from datetime import datetime

from sqlalchemy.orm import Session

from layout.parts import Shop
from service import holds, stock, waiting
from service.errors import MoveNotAllowed
from service.ids import JOB, ORDER, public
from service.models import Job
from service.repositories import claims
from service.repositories import loads as rows
from service.repositories import places as place_rows
from service.repositories.claims import MarkSurface, Waiting
from service.repositories.messages import tell
from service.states import JobState
from service.tools import Service
from service.who import SWEEP

#: A frozen place: station, plate, slot, face.
Place = tuple[str, str, str, str]


def look(service: Service) -> int:
    """Hold ready units for which no place is left, let go those for which one is back; how many moved."""
    shop = service.catalogue.current
    with service.database.reading() as session:
        ready = place_rows.ready_since_other_catalogues(session, shop.version)
        held = place_rows.held(session, holds.NO_PLACE_LEFT)
        lost = homeless(session, shop, ready)
        found = {job.id for job in held} - homeless(session, shop, held)
    if not lost and not found:
        return 0

    def work(session: Session) -> int:
        now = service.clock()
        jobs = rows.jobs(session, lost | found)
        return sum(_move(session, job, is_lost=job.id in lost, now=now) for job in jobs.values())

    return service.database.write(work)


def homeless(session: Session, shop: Shop, jobs: Sequence[Waiting]) -> set[int]:
    """Those of the jobs that have a face left for which no place remains in the shop as it is."""
    eligible = claims.eligible(session, {job.line_id for job in jobs})
    marks: dict[tuple[int, int], dict[str, list[MarkSurface]]] = {}
    for mark in claims.surfaces(session, set(eligible)):
        faces = marks.setdefault((mark.line_id, mark.words_revision), {})
        faces.setdefault(mark.face, []).append(mark)
    misfits: dict[int, set[tuple[str, str, str]]] = {}
    for job_id, *place in waiting.misfits(session, jobs):
        misfits.setdefault(job_id, set()).add((place[0], place[1], place[2]))
    known: dict[tuple[int, int, tuple[str, ...]], set[Place]] = {}
    found = set()
    for job in jobs:
        key = (job.line_id, job.words_revision, job.faces)
        if key not in known:
            faces = marks.get(key[:2], {})
            known[key] = {
                (station, option.plate, option.slot, option.face)
                for station in shop.stations
                for option in waiting.options_at(
                    session, shop, station, job, eligible=eligible[job.line_id], marks=faces
                )
            }
        if not _has_all(job.faces, known[key], misfits.get(job.id, set())):
            found.add(job.id)
    return found


def _has_all(faces: Sequence[str], places: Collection[Place], misfits: Collection[tuple[str, ...]]) -> bool:
    left = {face for *place, face in places if tuple(place) not in misfits}
    return left.issuperset(faces)


def _move(session: Session, job: Job, *, is_lost: bool, now: datetime) -> bool:
    """Whether the job still was where it was seen, and has moved."""
    try:
        if is_lost:
            why = f"{public(JOB, job.id)}: no plate of the shop takes it where it was accepted"
            holds.hold(session, job, holds.NO_PLACE_LEFT, who=SWEEP, now=now, why=why)
            stock.unreserve(session, job)
            return True
        if (job.state, job.hold_reason) != (JobState.HELD.value, holds.NO_PLACE_LEFT):
            return False
        stock.make_ready(session, job, who=SWEEP, now=now, why="one of its places is back")
    except MoveNotAllowed:
        return False  # a load or the desk was faster
    order = job.line.order
    if not any(JobState(other.state) is JobState.HELD for line in order.lines for other in line.jobs):
        tell(
            session, "order.accepted", client=order.client, now=now, order=public(ORDER, order.id),
            order_ref=order.order_ref,
        )  # fmt: skip
    return True
