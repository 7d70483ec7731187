"""Repeats: a faint or partial mark burned again before the unit is unseated, by an explicit act with a
reason.

The unit must still sit as it was burned, on a plate with the same calibration: otherwise the second mark
would lie beside the first.
"""

from __future__ import annotations

from collections.abc import Sequence

from sqlalchemy.orm import Session

from service.loads import contents, leases, progress
from service.loads import load_rows as rows
from service.loads import proving_rows as records
from service.records.errors import BadRequest, MoveNotAllowed, StaleCalibration
from service.records.ids import CALIBRATION, JOB, public
from service.records.moves import move_job, move_load, write_history
from service.records.states import JobState, LoadState
from service.records.tables import Job, Load, LoadSlot
from service.records.who import By


def burn_again(
    session: Session,
    load: Load,
    turn: int,
    identities: Sequence[str],
    reason: str,
    *,
    by: By,
) -> None:
    """Let faint or partial marks be burned again in the same seating: a new attempt, in a new file with those
    jobs only.

    Raises BadRequest for a job whose face was not burned in this turn, MoveNotAllowed when the turn was left,
    StaleCalibration when the plate was measured again since.
    """
    leases.must_be(load, LoadState.TURNING, LoadState.BURNED, LoadState.INTERRUPTED, to="burned again")
    if rows.open_starts(session, load.id):
        raise MoveNotAllowed("first say what is on the metal of every unit (resolve)", state=load.state)
    if turn != _last_burned_turn(load) or any(
        slot.state == "seated" and slot.turn != turn for slot in contents.pending(load)
    ):
        raise MoveNotAllowed(f"the units of turn {turn} no longer sit as they were burned", turn=turn)
    job_ids = sorted({contents.job_of(load, identity) for identity in identities})
    jobs = rows.jobs(session, [*contents.active_jobs(load)])
    _none_left_partial(
        [job for job in jobs.values() if job.id not in job_ids], "burned again now, or scrapped first"
    )
    burned = {slot.job_id: slot for slot in contents.present(load, turn) if slot.state == "burned"}
    for job_id in job_ids:
        slot, job = burned.get(job_id), jobs[job_id]
        if slot is None:
            raise BadRequest(
                f"{public(JOB, job_id)} has nothing burned in turn {turn}",
                field="jobs",
                job=public(JOB, job_id),
            )
        _must_meet(session, load, slot)
        slot.state, slot.attempt = "seated", slot.attempt + 1
        job.faces_done = [face for face in job.faces_done if face != slot.face]
        session.flush()
        if JobState(job.state) is not JobState.LOADED:
            move_job(session, job, JobState.LOADED, by=by, why=f"{slot.face} is burned again")
        write_history(session, "job", job.id, "again", move_from=job.state, by=by, why=reason)
    load.current_turn = turn
    session.flush()
    move_load(session, load, LoadState.SEATED, by=by, why=f"again: {reason}")
    contents.raise_revision(session, load, by=by, why=f"burned again: {reason}")


def withdraw(
    session: Session,
    load: Load,
    turn: int,
    identities: Sequence[str],
    reason: str,
    *,
    by: By,
) -> None:
    """Take back what `burn_again` asked for, before it was started: those marks stay as they are, and go
    where they were before (a complete one to the next turn or to inspection, a partial one is doubtful).

    Raises BadRequest for a job that is not to be burned again, MoveNotAllowed once the start is on record, or
    when a partial mark would stay beside one that is burned again.
    """
    leases.must_be(load, LoadState.SEATED, to="left as it was burned")
    leases.must_be_turn(load, turn)
    waiting = {slot.job_id: slot for slot in to_burn_again(session, load)}
    jobs = rows.jobs(session, contents.active_jobs(load))
    for job_id in sorted({contents.job_of(load, identity) for identity in identities}):
        slot = waiting.pop(job_id, None)
        if slot is None:
            raise BadRequest(
                f"{public(JOB, job_id)} is not to be burned again", field="jobs", job=public(JOB, job_id)
            )
        _leave(session, load, jobs[job_id], slot, by=by, why=reason)
    if waiting:
        _none_left_partial(list(jobs.values()), "burned again with the others, or taken back with them")
    progress.move_on(session, load, by=by, why=f"not burned again: {reason}")
    contents.raise_revision(session, load, by=by, why=f"not burned again: {reason}")


def to_burn_again(session: Session, load: Load) -> list[LoadSlot]:
    """Slots whose unit will be burned again in the same seating."""
    marked = _marked(session, load)
    return [slot for slot in contents.pending(load) if (slot.job_id, slot.face) in marked]


def _leave(session: Session, load: Load, job: Job, slot: LoadSlot, *, by: By, why: str) -> None:
    """Leave a mark as the last attempt left it."""
    slot.state, slot.attempt = "burned", slot.attempt - 1
    write_history(session, "job", job.id, "not_again", move_from=job.state, by=by, why=why)
    if _marked(session, load)[job.id, slot.face] == "partial":
        move_job(session, job, JobState.DOUBTFUL, by=by, why=f"{slot.face} stays partial")
        return
    job.faces_done = [*job.faces_done, slot.face]
    session.flush()
    if not any(other.job_id == job.id for other in contents.pending(load)):
        move_job(session, job, JobState.ENGRAVED, by=by, why=f"{slot.face} stays as it is")


def _marked(session: Session, load: Load) -> dict[tuple[int | None, str], str]:
    """What the last finished attempt in this load left on each (job, face)."""
    return {
        (start.job_id, start.face): start.outcome
        for start in rows.starts(session, [claim.job_id for claim in load.jobs])
        if start.load_id == load.id and start.outcome in {"complete", "partial"}
    }


def _must_meet(session: Session, load: Load, slot: LoadSlot) -> None:
    """A repeat must lie on its first mark: with another calibration of the plate it would lie beside it."""
    newest = records.newest_calibration(session, load.station, load.copy)
    in_force = public(CALIBRATION, newest.id) if newest is not None else load.calibration["calibration"]
    burns = [
        s for s in rows.starts(session, [slot.job_id or 0]) if (s.load_id, s.face) == (load.id, slot.face)
    ]
    for burn in burns[-1:]:
        file = rows.file_of(session, load.id, burn.turn, burn.file_sha256)
        if file is not None and file.calibration not in {None, in_force}:
            job = public(JOB, slot.job_id or 0)
            raise StaleCalibration(
                f"{load.copy} was measured again after {job} was burned: a repeat would lie beside the first "
                "mark; inspect it as it is",
                job=job,
                calibration=in_force,
            )


def _none_left_partial(jobs: Sequence[Job], wanted: str) -> None:
    left = [job for job in jobs if JobState(job.state) is JobState.DOUBTFUL]
    if left:
        named = ", ".join(public(JOB, job.id) for job in left)
        raise MoveNotAllowed(f"{named}: a partial mark must be {wanted}", jobs=named)


def _last_burned_turn(load: Load) -> int:
    return max((slot.turn for slot in contents.present(load) if slot.state == "burned"), default=0)
