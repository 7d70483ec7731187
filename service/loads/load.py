"""A load read from its rows as a value for the geometry; jobs and blades taken out of one that has not
started."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from typing import Any

from sqlalchemy.orm import Session

from layout.shop.blades import Surface
from layout.shop.loads import LoadLayout, Mark, Place, SlotFill, Turn
from layout.shop.outline import Outline
from layout.shop.stations import Calibration
from service.loads import contents
from service.loads import load_rows as rows
from service.loads.leases import close_if_empty
from service.records.errors import MoveNotAllowed, NotFound
from service.records.ids import JOB, LOAD, public
from service.records.moves import move_job
from service.records.states import JobState
from service.records.tables import FrozenMark, Job, Load, LoadSlot, Lot
from service.records.who import By


def find(session: Session, load_id: int) -> Load:
    """Raises NotFound."""
    load = rows.find(session, load_id)
    if load is None:
        raise NotFound("no such load", id=public(LOAD, load_id))
    return load


# --- as values ---


def jobs_of(session: Session, load: Load) -> dict[int, Job]:
    """All jobs that sit or sat in the load, as they are now: read once for several of its values."""
    return rows.jobs(session, {slot.job_id for slot in load.slots if slot.job_id is not None})


def layout_of(
    session: Session, load: Load, *, whole: bool = False, jobs: Mapping[int, Job] | None = None
) -> LoadLayout:
    """The load as values, from frozen outlines: what is still to be burned, or the `whole` of it. `jobs`: its
    jobs where they have been read (`jobs_of`)."""
    slots = contents.present(load) if whole else contents.pending(load)
    return layout_of_slots(session, load, slots, jobs=jobs)


def layout_of_slots(
    session: Session, load: Load, slots: Sequence[LoadSlot], *, jobs: Mapping[int, Job] | None = None
) -> LoadLayout:
    """Some slots of a load as values, from frozen outlines."""
    of_slots = {slot.job_id for slot in slots if slot.job_id is not None}
    known = rows.jobs(session, of_slots) if jobs is None else jobs
    jobs = {job_id: known[job_id] for job_id in sorted(of_slots)}
    lot_ids = {s.lot_id for s in slots if s.lot_id is not None}
    lots = {lot_id: rows.lot(session, lot_id) for lot_id in sorted(lot_ids)}
    line_marks = _by(rows.line_marks(session, {j.line_id for j in jobs.values()}), "line_id")
    lot_marks = _by(rows.lot_marks(session, lots), "lot_id")

    def fill(slot: LoadSlot) -> SlotFill:
        if slot.job_id is not None:
            job = jobs[slot.job_id]
            marks = [m for m in line_marks.get(job.line_id, ()) if m.words_revision == job.words_revision]
            return _fill(slot, job, marks, job.line.eligible)
        lot = lots[slot.lot_id or 0]
        return _fill(slot, lot, lot_marks.get(lot.id, ()), lot.eligible)

    turns = tuple(
        Turn(turn, tuple(fill(s) for s in slots if s.turn == turn)) for turn in range(1, load.turns + 1)
    )
    return LoadLayout(load.station, load.plate, load.copy, calibration_value(load.calibration), turns)


def burned_already(session: Session, load: Load, all_jobs: Mapping[int, Job]) -> frozenset[tuple[str, str]]:
    """(job, face) pairs that are on the metal, save those to be burned again in this seating."""
    slots = contents.present(load)
    again = {(s.job_id, s.face) for s in contents.pending(load) if s.attempt > 1}
    jobs = {slot.job_id: all_jobs[slot.job_id] for slot in slots if slot.job_id is not None}
    burned = {(job.id, face) for job in jobs.values() for face in job.faces_done}
    for start in rows.starts(session, jobs):
        here = start.load_id == load.id and (start.job_id, start.face) in again
        if start.outcome != "clean" and not here and start.job_id is not None:
            burned.add((start.job_id, start.face))
    return frozenset((public(JOB, job_id), face) for job_id, face in burned)


def calibration_value(stored: Mapping[str, Any]) -> Calibration:
    a, b, c, d, tx, ty = (float(value) for value in stored["matrix"])
    return Calibration(
        stored["calibration"], stored["station"], stored["copy"], (a, b, c, d, tx, ty), stored["residual_mm"]
    )


def mark_value(mark: FrozenMark) -> Mark:
    return Mark(mark.zone, mark.face, Surface(mark.material, mark.finish), Outline.from_record(mark.outline))


def _fill(slot: LoadSlot, unit: Job | Lot, marks: Sequence[FrozenMark], eligible: Sequence[Any]) -> SlotFill:
    return SlotFill(
        slot=slot.slot,
        sku=unit.sku,
        blade=unit.blade,
        face=slot.face,
        marks=tuple(mark_value(mark) for mark in marks if mark.face == slot.face and not _is_erased(mark)),
        eligible=frozenset(Place(*place) for place in eligible),
        job=contents.named(slot) if slot.job_id is not None else None,
        lot=contents.named(slot) if slot.lot_id is not None else None,
    )


def _is_erased(mark: FrozenMark) -> bool:
    """Whether only the digest of a mark is left."""
    return not any(mark.outline.values())


def _by(marks: Sequence[FrozenMark], owner: str) -> dict[int, list[FrozenMark]]:
    marks_by_owner: dict[int, list[FrozenMark]] = {}
    for mark in marks:
        marks_by_owner.setdefault(getattr(mark, owner), []).append(mark)
    return marks_by_owner


# --- changes from outside the bench ---


def remove_job(session: Session, job: Job, *, reason: str, by: By) -> None:
    """Take a loaded job out of its load, which has not started, and make it ready again.

    The load's revision rises, so that files which burn it are stale. Raises MoveNotAllowed when the job is in
    no load, or its load has started.
    """
    claim = rows.active_claim(session, job.id)
    load = rows.lock(session, claim.load_id) if claim is not None else None
    if load is None or job.id not in contents.active_jobs(load):
        raise MoveNotAllowed(f"{public(JOB, job.id)} is in no load", job=public(JOB, job.id))
    if not contents.is_unstarted(load):
        raise MoveNotAllowed(
            f"{public(JOB, job.id)} is in a load that has started", job=public(JOB, job.id), state=load.state
        )
    session.refresh(job)
    contents.remove_unit(session, load, job.id, why=reason[:40])
    move_job(session, job, JobState.READY, by=by, why=f"taken out of {public(LOAD, load.id)}: {reason}")
    contents.raise_revision(session, load, by=by, why=f"{public(JOB, job.id)} taken out: {reason}")
    close_if_empty(session, load, by=by)


def take_out(
    session: Session,
    load: Load,
    jobs: Sequence[int],
    lots: Collection[int],
    *,
    why: str,
    by: By,
) -> None:
    """Take jobs and all blades of those lots out of a load that has not started: back to the queue, their
    slots to be cleared, earlier files stale. `why` is kept with the slots."""
    blades = [slot for slot in contents.pending(load) if slot.lot_id in lots]
    if not jobs and not blades:
        return
    name = public(LOAD, load.id)
    for job in rows.jobs(session, jobs).values():
        contents.remove_unit(session, load, job.id, why=why[:40])
        move_job(session, job, JobState.READY, by=by, why=f"taken out of {name}: {why}")
    contents.remove_slots(session, blades, why=why[:40])
    for lot_id, count in sorted(Counter(slot.lot_id or 0 for slot in blades).items()):
        contents.give_back_blades(session, lot_id, count, by=by, why=f"{count} from {name}: {why}")
    contents.raise_revision(session, load, by=by, why=why)
    close_if_empty(session, load, by=by)
