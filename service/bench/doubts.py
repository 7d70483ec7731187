"""After an interruption: a person says, unit by unit and face by face, what is on the metal."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal

from sqlalchemy.orm import Session

from service.bench import burns
from service.loads import contents, leases, progress
from service.loads import load_rows as rows
from service.loads import lots as lot_counts
from service.records.errors import BadRequest
from service.records.ids import JOB, LOAD, public
from service.records.moves import move_job, write_history
from service.records.states import JobState, LoadState
from service.records.tables import BurnStart, Load
from service.records.who import By

Outcome = Literal["clean", "partial", "complete"]
OUTCOMES: tuple[Outcome, ...] = ("complete", "partial", "clean")


def resolve(
    session: Session,
    load: Load,
    jobs: Mapping[str, Mapping[str, Outcome]],
    lots: Mapping[str, Mapping[Outcome, int]],
    *,
    by: By,
) -> None:
    """Record what is on the metal after an interrupted turn.

    Clean: the job is ready again, its unit in hand. Complete: on to the next turn or to inspection. Partial:
    it stays doubtful until it is burned again in the same seating or scrapped. For a lot, the number of
    blades of each; partial ones are scrap. A load that still counts as burning is interrupted first. A report
    need not name every unit.

    Raises BadRequest for a face that was not started, MoveNotAllowed when nothing was interrupted.
    """
    leases.must_be(load, LoadState.BURNING, LoadState.INTERRUPTED, to="resolved")
    if LoadState(load.state) is LoadState.BURNING:
        leases.interrupt(session, load, by=by, why="interrupted, says the bench")
    open_starts = {(s.job_id, s.face): s for s in rows.open_starts(session, load.id) if s.job_id is not None}
    left = False
    for identity, faces in sorted(jobs.items()):
        job_id = contents.job_of(load, identity)
        for face, outcome in sorted(faces.items()):
            started = open_starts.pop((job_id, face), None)
            if started is None:
                raise BadRequest(
                    f"{face} of {identity} is not in doubt", field="jobs", job=identity, face=face
                )
            left |= _settle(session, load, started, outcome, by=by)
    for identity, counts in sorted(lots.items()):
        left |= _settle_blades(session, load, identity, counts, by=by)
    if left:
        contents.raise_revision(session, load, by=by, why="taken out clean after an interruption")
    progress.move_on(session, load, by=by, why="resolved")


def _settle(session: Session, load: Load, started: BurnStart, outcome: Outcome, *, by: By) -> bool:
    """Record one face of one job; returns whether the job has left the load."""
    job_id = started.job_id or 0
    job = rows.jobs(session, [job_id])[job_id]
    here = [s for s in rows.starts(session, [job_id]) if s.load_id == load.id and s.face == started.face]
    if outcome == "clean" and any(s.outcome in {"complete", "partial"} for s in here):
        raise BadRequest(
            f"{public(JOB, job_id)} was burned before in this seating; it can't be clean",
            field="jobs",
            job=public(JOB, job_id),
            face=started.face,
        )
    started.outcome, started.finished_at = outcome, by.at
    slot = next(s for s in load.slots if s.turn == started.turn and s.slot == started.slot)
    write_history(session, "job", job_id, outcome, move_from=job.state, by=by, why=started.face)
    if outcome == "clean":
        contents.remove_unit(session, load, job_id, why="clean")
        move_job(session, job, JobState.READY, by=by, why=f"{started.face} is clean")
        return True
    slot.state = "burned"
    session.flush()
    if outcome == "complete":
        burns.faces_done(session, load, [(job, started.face)], by=by)
    return False


def _settle_blades(
    session: Session, load: Load, identity: str, counts: Mapping[Outcome, int], *, by: By
) -> bool:
    lot_id = contents.lot_of(load, identity)
    started = [s for s in rows.open_starts(session, load.id) if s.lot_id == lot_id]
    wanted = [outcome for outcome in OUTCOMES for _ in range(counts.get(outcome, 0))]
    if any(count < 0 for count in counts.values()) or len(wanted) != len(started):
        raise BadRequest(f"{identity} has {len(started)} blades in doubt", field="lots", lot=identity)
    lot = rows.lots(session, [lot_id])[lot_id]
    for start, outcome in zip(started, wanted, strict=True):
        start.outcome, start.finished_at = outcome, by.at
        slot = next(s for s in load.slots if s.turn == start.turn and s.slot == start.slot)
        slot.state = "burned" if outcome != "clean" else "removed"
        slot.removed_why = {"complete": None, "partial": "scrap", "clean": "clean"}[outcome]
        if outcome == "clean":
            lot.loaded, lot.waiting = lot.loaded - 1, lot.waiting + 1
        elif outcome == "partial":
            lot.loaded, lot.scrapped = lot.loaded - 1, lot.scrapped + 1
    lot.version += 1
    session.flush()
    summary = ", ".join(f"{counts.get(outcome, 0)} {outcome}" for outcome in OUTCOMES)
    write_history(
        session,
        "lot",
        lot_id,
        "resolved",
        by=by,
        why=f"{summary} in {public(LOAD, load.id)}",
    )
    lot_counts.close_if_done(session, lot, by=by)
    return "clean" in wanted
