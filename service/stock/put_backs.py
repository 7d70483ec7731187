"""Boxed units whose job was cancelled after they were fetched: they go back into a bin."""

from __future__ import annotations

from sqlalchemy.orm import Session

from service.records.errors import BadRequest, MoveNotAllowed, NotFound
from service.records.ids import JOB, public
from service.records.moves import write_history
from service.records.states import StockChange
from service.records.tables import Job
from service.records.who import By
from service.stock import reservations as stock
from service.stock import stock_rows as rows


def put_back(session: Session, job_id: int, bin_name: str | None, *, by: By) -> Job:
    """Put a unit back into its bin, or into another named bin, and give it to a job that waits for one.

    Raises NotFound, MoveNotAllowed when the job holds no unit that is to be put back, BadRequest for an
    unknown bin.
    """
    job = rows.job(session, job_id)
    if job is None:
        raise NotFound("no such job", id=public(JOB, job_id))
    into = bin_name or job.pulled_from
    if into is None or rows.one_bin(session, into) is None:
        raise BadRequest(f"no bin named {into}" if into else "say into which bin it goes", field="bin")
    if not rows.end_put_back(session, job_id):
        raise MoveNotAllowed(f"{public(JOB, job_id)} holds no unit to be put back", job=public(JOB, job_id))
    stock.put_in(session, into, job.sku, StockChange.PUT_BACK, by=by, job_id=job_id)
    write_history(session, "job", job_id, "put_back", move_from=job.state, by=by, why=f"into {into}")
    session.flush()
    stock.serve_short(session, job.sku, by=by)
    session.refresh(job)
    return job
