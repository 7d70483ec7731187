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
from service.loads import contents, waiting_rows
from service.loads import load_rows as rows
from service.loads.leases import close_if_empty
from service.records.db import forget_oldest
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
    marks = rows.line_marks(session, {job.line_id for job in jobs.values()})
    values = [(mark, mark_value(mark)) for mark in marks if not _is_erased(mark)]
    return _layout(session, load, slots, jobs, values)


def layout_shown(session: Session, load: Load, jobs: Mapping[int, Job]) -> LoadLayout:
    """The whole load as `layout_of` reads it, for answers: each outline is read once by this process, which
    has kept it since, and nothing may be burned by it. Whoever holds a load looks at it at every step."""
    lines = {job.line_id for job in jobs.values() if job.line.order.erased_at is None}
    marks = rows.line_marks(session, lines, has_outlines=False)
    outlines = _kept_outlines(session, marks)
    values = [(mark, mark_value(mark, outlines[mark.digest])) for mark in marks]
    return _layout(session, load, contents.present(load), jobs, values)


def _layout(
    session: Session,
    load: Load,
    slots: Sequence[LoadSlot],
    jobs: Mapping[int, Job],
    line_marks: Sequence[tuple[FrozenMark, Mark]],
) -> LoadLayout:
    lot_ids = sorted({slot.lot_id for slot in slots if slot.lot_id is not None})
    lots = {lot_id: rows.lot(session, lot_id) for lot_id in lot_ids}
    of_jobs: dict[tuple[int, int], list[Mark]] = {}
    for row, mark in line_marks:
        of_jobs.setdefault((row.line_id or 0, row.words_revision), []).append(mark)
    of_lots: dict[int, list[Mark]] = {}
    for row in rows.lot_marks(session, lots):
        of_lots.setdefault(row.lot_id or 0, []).append(mark_value(row))

    def fill(slot: LoadSlot) -> SlotFill:
        if slot.job_id is not None:
            job = jobs[slot.job_id]
            return _fill(slot, job, of_jobs.get((job.line_id, job.words_revision), ()), job.line.eligible)
        lot = lots[slot.lot_id or 0]
        return _fill(slot, lot, of_lots.get(lot.id, ()), lot.eligible)

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


def mark_value(mark: FrozenMark, outline: Outline | None = None) -> Mark:
    """`outline`: the mark's own, where it has been read."""
    read = Outline.from_record(mark.outline) if outline is None else outline
    return Mark(mark.zone, mark.face, Surface(mark.material, mark.finish), read)


#: By digest: what stands under one is the same for as long as anybody asks.
_OUTLINES: dict[str, Outline] = {}
#: An outline takes some ten kilobytes; the loads that a shop has in hand have a hundred or so.
_MOST_OUTLINES = 256


def _kept_outlines(session: Session, marks: Sequence[FrozenMark]) -> dict[str, Outline]:
    """Outlines of the marks by digest; those that this process has not got are read."""
    wanted = {mark.digest: mark.id for mark in marks}
    found = {digest: kept for digest in wanted if (kept := _OUTLINES.get(digest)) is not None}
    others = {mark_id: digest for digest, mark_id in wanted.items() if digest not in found}
    if others:
        read = waiting_rows.outlines(session, others).items()
        found |= {others[mark_id]: Outline.from_record(record) for mark_id, record in read}
        _OUTLINES.update(found)
        forget_oldest(_OUTLINES, most=_MOST_OUTLINES)
    return found


def _fill(slot: LoadSlot, unit: Job | Lot, marks: Sequence[Mark], eligible: Sequence[Any]) -> SlotFill:
    return SlotFill(
        slot=slot.slot,
        sku=unit.sku,
        blade=unit.blade,
        face=slot.face,
        marks=tuple(mark for mark in marks if mark.face == slot.face),
        eligible=frozenset(Place(*place) for place in eligible),
        job=contents.named(slot) if slot.job_id is not None else None,
        lot=contents.named(slot) if slot.lot_id is not None else None,
    )


def _is_erased(mark: FrozenMark) -> bool:
    """Whether only the digest of a mark is left."""
    return not any(mark.outline.values())


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
