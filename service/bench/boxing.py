"""Boxing: an inspected unit goes into its box with its label on. Noted, so that every tablet shows what is
left."""

from __future__ import annotations

from sqlalchemy.orm import Session

from service.loads import contents, leases
from service.loads import load_rows as rows
from service.records.errors import MoveNotAllowed
from service.records.ids import JOB, LOAD, public
from service.records.moves import write_history
from service.records.states import JobState, LoadState
from service.records.tables import Load
from service.records.who import By


def boxed(session: Session, load: Load, identity: str, *, by: By) -> None:
    """Note that a unit is in its box with its label on. Noting it again changes nothing.

    Raises MoveNotAllowed for a unit that has not passed inspection.
    """
    leases.must_be(load, LoadState.BURNED, to="boxed")
    job_id = contents.job_of(load, identity)
    job = rows.jobs(session, [job_id])[job_id]
    if JobState(job.state) is not JobState.PASSED:
        raise MoveNotAllowed(
            f"{public(JOB, job_id)} has not passed inspection; it does not go into a box yet",
            job=public(JOB, job_id),
            state=job.state,
        )
    if job_id not in rows.boxed(session, [job_id]):
        write_history(session, "job", job_id, "boxed", move_from=job.state, by=by, why=public(LOAD, load.id))
