"""Burning: started once, and finished. Burning again is an act of its own (`service.loads.repeats`)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import Session

from layout.shop.findings import Finding
from service.loads import contents, leases, progress
from service.loads import load_rows as rows
from service.loads import meter_rows as meters
from service.records.announcements import tell_units
from service.records.errors import (
    AlreadyBurned,
    LoadRefused,
    MoveNotAllowed,
    StaleCalibration,
    StaleFile,
    StaleVersion,
)
from service.records.ids import JOB, LOAD, public
from service.records.moves import move_jobs, move_load
from service.records.states import JobState, LoadState
from service.records.tables import BurnStart, Job, Load, LoadSlot
from service.records.who import By
from service.requests.check_answers import findings_answer


@dataclass(frozen=True, slots=True)
class Judged:
    """What the judge said of a load's contents at one revision."""

    load: int
    fence: int
    revision: int
    findings: tuple[Finding, ...]


def start(
    session: Session,
    load: Load,
    turn: int,
    file_sha256: str,
    *,
    judged: Judged,
    lease: timedelta,
    by: By,
) -> None:
    """Record, before the beam is on, that a turn burns now. From here on nothing in it returns to the queue
    by itself.

    Raises MoveNotAllowed when the turn is not seated or another load burns at the station, StaleFile when the
    digest is not that of a file of this turn and revision, LoadRefused when the judge found something,
    AlreadyBurned when a start for one of the jobs, face and attempt is on record.
    """
    if LoadState(load.state) is LoadState.BURNING:
        raise AlreadyBurned(f"turn {load.current_turn} has been started", turn=load.current_turn)
    leases.must_be(load, LoadState.SEATED, to="started")
    leases.must_be_turn(load, turn)
    slots = contents.pending(load, turn)
    if not slots or any(slot.state != "seated" for slot in slots):
        raise MoveNotAllowed(f"not every unit of turn {turn} is seated", turn=turn)
    files = [file for file in rows.files(session, load.id, revision=load.revision) if file.turn == turn]
    if file_sha256 not in {file.sha256 for file in files}:
        _refuse_if_measured_again(session, load, turn, file_sha256)
        raise StaleFile(f"this is no file of turn {turn} as it is now", turn=turn, revision=load.revision)
    if (judged.load, judged.fence, judged.revision) != (load.id, load.fence, load.revision):
        raise StaleVersion("what is in this load changed while it was judged; try again")
    if judged.findings:
        raise LoadRefused("this load may not be burned", findings=findings_answer(judged.findings))
    other = rows.burning(session, load.station, but=load.id)
    if other is not None:
        raise MoveNotAllowed(
            f"{public(LOAD, other.id)} is burning at {load.station}", burning=public(LOAD, other.id)
        )
    _all_loaded(session, slots)
    _write_starts(session, load, slots, file_sha256, now=by.at)
    until = by.at + leases.while_burning(load, lease)
    try:
        move_load(
            session,
            load,
            LoadState.BURNING,
            by=by,
            why=f"turn {turn}",
            lease_until=until,
            started_at=load.started_at or by.at,
        )
    except IntegrityError as error:
        raise MoveNotAllowed(f"another load is burning at {load.station}") from error
    meters.note_processes(session, load.station, rows.processes_of(files), at=by.at)


def finish(session: Session, load: Load, turn: int, *, lease: timedelta, by: By) -> None:
    """Record that the turn has burned to its end: its faces are on the metal. Raises MoveNotAllowed."""
    leases.must_be(load, LoadState.BURNING, to="finished")
    leases.must_be_turn(load, turn)
    burned = rows.open_starts(session, load.id)
    jobs = rows.jobs(session, [start.job_id for start in burned if start.job_id is not None])
    for began in {start.started_at for start in burned}:  # all of a turn at one moment
        meters.count_burn(session, load.station, started_at=began, seconds=(by.at - began).total_seconds())
    by_slot = {(slot.turn, slot.slot): slot for slot in load.slots}
    for burn in burned:
        burn.finished_at, burn.outcome = by.at, "complete"
        by_slot[burn.turn, burn.slot].state = "burned"
    faces = {burn.job_id: burn.face for burn in burned if burn.job_id is not None}
    faces_done(session, load, [(jobs[job_id], face) for job_id, face in faces.items()], by=by)
    load.lease_until = by.at + lease
    progress.move_on(session, load, by=by, why=f"turn {turn} burned")


def faces_done(session: Session, load: Load, burned: Sequence[tuple[Job, str]], *, by: By) -> None:
    """Record that faces are on the metal, one a job; a job with no further turn in this load is engraved."""
    for job, face in burned:
        if face not in job.faces_done:
            job.faces_done = [*job.faces_done, face]
    to_burn = {slot.job_id for slot in contents.pending(load)}
    sure = [job for job, _ in burned if job.id in to_burn and JobState(job.state) is JobState.DOUBTFUL]
    why = {job.id: f"{face} is complete" for job, face in burned}
    move_jobs(session, sure, JobState.LOADED, by=by, why=why)
    engraved = [(job, face) for job, face in burned if job.id not in to_burn]
    why = {job.id: f"{face} in {public(LOAD, load.id)}" for job, face in engraved}
    move_jobs(session, [job for job, _ in engraved], JobState.ENGRAVED, by=by, why=why)
    whole = [(job, face) for job, face in engraved if set(job.faces) <= set(job.faces_done)]
    told = _whole_before(session, whole)
    tell_units(session, "job.engraved", [job for job, _ in whole if job.id not in told], now=by.at)


def _whole_before(session: Session, burned: Sequence[tuple[Job, str]]) -> set[int]:
    """Jobs of which every face was complete before this one was burned again: then their store was told."""
    complete: dict[int | None, list[str]] = {job.id: [] for job, _ in burned}
    for start in rows.starts(session, [job.id for job, _ in burned]):
        if start.outcome == "complete":
            complete[start.job_id].append(start.face)
    for job, face in burned:
        complete[job.id].remove(face)
    return {job.id for job, _ in burned if set(job.faces) <= set(complete[job.id])}


def _refuse_if_measured_again(session: Session, load: Load, turn: int, file_sha256: str) -> None:
    """Raises StaleCalibration when the file was right until its plate was measured again."""
    old = rows.file_of(session, load.id, turn, file_sha256)
    if old is not None and old.calibration not in {None, load.calibration["calibration"]}:
        raise StaleCalibration(
            f"{load.copy} was measured again since this file was made; take the file again",
            turn=turn,
            revision=load.revision,
            calibration=load.calibration["calibration"],
        )


def _all_loaded(session: Session, slots: Sequence[LoadSlot]) -> None:
    other = rows.not_loaded(session, [slot.job_id for slot in slots if slot.job_id is not None])
    if other is not None:
        job, state = public(JOB, other[0]), other[1]
        raise MoveNotAllowed(f"{job} is {state}", job=job, state=state)


def _write_starts(
    session: Session, load: Load, slots: Sequence[LoadSlot], file_sha256: str, *, now: datetime
) -> None:
    for slot in slots:
        again = slot.attempt > 1 and slot.job_id is not None
        session.add(
            BurnStart(
                load_id=load.id,
                turn=slot.turn,
                slot=slot.slot,
                job_id=slot.job_id,
                lot_id=slot.lot_id,
                face=slot.face,
                attempt=slot.attempt,
                file_sha256=file_sha256,
                started_at=now,
                why=rows.last_reason(session, slot.job_id or 0, "again") if again else None,
                operator=load.operator,
            )
        )
    try:
        session.flush()
    except IntegrityError as error:
        raise AlreadyBurned("a start for one of these jobs, face and attempt is on record") from error
