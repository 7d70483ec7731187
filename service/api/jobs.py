"""Jobs: one physical unit each, with everything that happened to it."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Query, Request, Response

from service.api import wire
from service.api.security import Anyone
from service.errors import NotFound
from service.ids import JOB, number
from service.orders import job_json
from service.repositories import orders as rows
from service.states import JobState

router = APIRouter(tags=["jobs"])


@router.get("/v1/jobs")
def get_jobs(
    request: Request,
    response: Response,
    who: Anyone,
    limit: wire.Limit = 50,
    cursor: wire.Cursor = None,
    state: Annotated[JobState | None, Query()] = None,
) -> dict[str, Any]:
    """Jobs in the order in which they were made."""
    with request.app.state.database.reading() as session:
        found = rows.jobs_page(
            session,
            client=who.sees_client,
            after_id=wire.read_cursor(cursor),
            limit=limit + 1,
            state=state.value if state else None,
        )
        if len(found) > limit:
            response.headers["Link"] = wire.next_link(request, found[limit - 1].id, limit)
        return {"jobs": [job_json(job) for job in found[:limit]]}


@router.get("/v1/jobs/{identity}")
def get_job(request: Request, identity: str, who: Anyone) -> dict[str, Any]:
    """One job with its history."""
    with request.app.state.database.reading() as session:
        job = rows.job(session, number(JOB, identity), client=who.sees_client)
        if job is None:
            raise NotFound("no such job", id=identity)
        return job_json(job, rows.history(session, "job", job.id))
