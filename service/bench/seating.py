"""Seating units in the slots of a turn. What does not fit leaves the load and waits for another place."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal

from sqlalchemy.orm import Session

from service.bench import mounting
from service.loads import contents, leases, progress, repeats
from service.loads import load_rows as rows
from service.records.errors import BadRequest, MoveNotAllowed
from service.records.ids import JOB, LOAD, public
from service.records.moves import move_job, move_load
from service.records.states import JobState, LoadState
from service.records.tables import Job, Load, LoadSlot
from service.records.who import By
from service.stock import holds

Seated = Literal["seated", "does_not_fit"]


def seated(session: Session, load: Load, turn: int, slots: Mapping[str, Seated], *, by: By) -> None:
    """Record what sits; the load is `seated` when every slot of the turn is. A report may be partial.

    A unit that does not fit leaves its slot and the load, in hand, and is ready for another slot or plate; if
    no other place takes it, it is held for the desk.

    Raises BadRequest for a slot with nothing to seat, MoveNotAllowed for another turn, for a unit not pulled
    yet, and until somebody has said which plate is mounted.
    """
    leases.must_be(load, LoadState.PULLED, LoadState.TURNING, LoadState.SEATED, to="seated")
    leases.must_be_turn(load, turn)
    mounting.must_be_said(load)
    waiting = {slot.slot: slot for slot in contents.pending(load, turn)}
    fetched = {claim.job_id: claim.fetched for claim in load.jobs if claim.active}
    misfits = []
    for name, what in sorted(slots.items()):
        slot = waiting.get(name)
        if slot is None:
            raise BadRequest(f"slot {name} has nothing to seat in turn {turn}", field="slots", slot=name)
        if slot.job_id is not None and fetched.get(slot.job_id) == "to_pull":
            raise MoveNotAllowed(f"{contents.named(slot)} has not been fetched yet", slot=name)
        if what == "does_not_fit":
            misfits.append(slot)
        else:
            slot.state, slot.removed_why = "seated", None
    session.flush()
    for slot in misfits:
        _take_out(session, load, slot, by=by)
    if misfits:
        named = ", ".join(slot.slot for slot in misfits)
        contents.raise_revision(session, load, by=by, why=f"does not fit: {named}")
    leases.close_if_empty(session, load, by=by)
    progress.move_on(session, load, by=by, why="nothing left to burn in this turn")
    left = contents.pending(load, load.current_turn)
    whole = bool(left) and load.current_turn == turn and all(slot.state == "seated" for slot in left)
    if whole and LoadState(load.state) in {LoadState.PULLED, LoadState.TURNING}:
        move_load(session, load, LoadState.SEATED, by=by, why=f"turn {turn}")


def _take_out(session: Session, load: Load, slot: LoadSlot, *, by: By) -> None:
    if slot in repeats.to_burn_again(session, load):
        raise MoveNotAllowed(f"slot {slot.slot} is burned again in the same seating", slot=slot.slot)
    if slot.lot_id is not None:
        contents.remove_slots(session, [slot], why="does_not_fit")
        why = f"slot {slot.slot} of {public(LOAD, load.id)}"
        contents.give_back_blades(session, slot.lot_id, 1, what="does_not_fit", by=by, why=why)
        return
    job = rows.jobs(session, [slot.job_id or 0])[slot.job_id or 0]
    contents.remove_unit(session, load, job.id, why="does_not_fit")
    why = f"does not fit slot {slot.slot} of {load.plate}"
    move_job(session, job, JobState.READY, by=by, why=why)
    if not _other_places(session, job):
        why = f"fits nowhere: {public(JOB, job.id)}"
        holds.hold(session, job, holds.DOES_NOT_FIT, by=by, why=why)


def _other_places(session: Session, job: Job) -> bool:
    """Whether any eligible place is left for the unit's next face."""
    tried = {(station, plate, slot) for _, station, plate, slot in rows.misfits(session, [job.id])}
    face = next((face for face in job.faces if face not in job.faces_done), None)
    return any(
        (station, plate, slot) not in tried and at == face for station, plate, slot, at in job.line.eligible
    )
