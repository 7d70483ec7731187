"""Accepted units whose frozen places the shop has taken away, all of them: held until one of them is back.

Nothing of what was approved is lost by that: the places stay frozen, and are looked for again and again.
"""

from __future__ import annotations

from collections.abc import Sequence

from sqlalchemy.orm import Session

from layout.shop.shop import Shop
from service.intake import homeless_rows as place_rows
from service.loads import load_rows as rows
from service.loads import waiting
from service.loads import waiting_rows as claims
from service.loads.waiting_rows import Waiting
from service.records.announcements import tell_order
from service.records.errors import MoveNotAllowed
from service.records.ids import JOB, public
from service.records.states import JobState
from service.records.tables import Job
from service.records.who import SWEEP, By
from service.shop.tools import Service
from service.stock import holds
from service.stock import reservations as stock


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
        by = By(SWEEP, service.clock())
        jobs = rows.jobs(session, lost | found)
        return sum(_move(session, job, is_lost=job.id in lost, by=by) for job in jobs.values())

    return service.database.write(work)


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


def _move(session: Session, job: Job, *, is_lost: bool, by: By) -> bool:
    """Whether the job still was where it was seen, and has moved."""
    try:
        if is_lost:
            why = f"{public(JOB, job.id)}: no plate of the shop takes it where it was accepted"
            holds.hold(session, job, holds.NO_PLACE_LEFT, by=by, why=why)
            stock.unreserve(session, job)
            return True
        if (job.state, job.hold_reason) != (JobState.HELD.value, holds.NO_PLACE_LEFT):
            return False
        stock.make_ready(session, job, by=by, why="one of its places is back")
    except MoveNotAllowed:
        return False  # a load or the desk was faster
    order = job.line.order
    if not any(JobState(other.state) is JobState.HELD for line in order.lines for other in line.jobs):
        tell_order(session, "order.accepted", order, now=by.at)
    return True
