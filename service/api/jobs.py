"""Jobs: one physical unit each, with everything that happened to it."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query, Request, Response
from pydantic import AfterValidator, Field
from sqlalchemy.orm import Session

from service.api import wire
from service.api.contract import details
from service.api.security import Anyone, Bench
from service.doorway import AtHand, Route
from service.intake import order_rows as rows
from service.intake.order_answers import JobAnswer, JobsAnswer, job_answer
from service.proving import test_cards
from service.records import errors
from service.records.errors import NotFound
from service.records.ids import JOB, number
from service.records.states import JobState
from service.requests.inscriptions import Strict, storable
from service.stock import put_backs

router = APIRouter(tags=["jobs"], route_class=Route)


class PutBackIn(Strict):
    bin: Annotated[str, Field(min_length=1, max_length=30), AfterValidator(storable)] | None = Field(
        default=None,
        description="Where it stands; left out: in the bin that it came from.",
        examples=["A-01"],
    )


@router.get("/v1/jobs")
def list_jobs(
    request: Request,
    tools: AtHand,
    response: Response,
    who: Anyone,
    limit: wire.Limit = 50,
    cursor: wire.Cursor = None,
    state: Annotated[
        JobState | None, Query(description="Keep those in that state.", examples=["ready"])
    ] = None,
) -> JobsAnswer:
    """Jobs in the order in which they were made."""
    with tools.database.reading() as session:
        page = rows.jobs_page(
            session,
            client=who.sees_client,
            after_id=wire.read_cursor(cursor),
            limit=limit + 1,
            state=state.value if state else None,
        )
        if len(page) > limit:
            response.headers["Link"] = wire.next_link(request, page[limit - 1].id, limit)
        return JobsAnswer(jobs=tuple(job_answer(job) for job in page[:limit]))


@router.get("/v1/jobs/{identity}")
def get_job(tools: AtHand, identity: wire.JobId, who: Anyone) -> JobAnswer:
    """One job with its history."""
    with tools.database.reading() as session:
        job = rows.job(session, number(JOB, identity), client=who.sees_client)
        if job is None:
            raise NotFound("no such job", id=identity)
        shop = test_cards.proven(session, tools.catalogue.current)
        wanted = test_cards.waiting(session, shop, only=job.id).get(job.id)
        return job_answer(job, rows.history(session, "job", job.id), waits_for_test_card=wanted)


@router.post("/v1/jobs/{identity}/put-back", openapi_extra=details(errors.BadRequest, errors.MoveNotAllowed))
def put_back_unit(tools: AtHand, identity: wire.JobId, body: PutBackIn, who: Bench) -> JobAnswer:
    """The unit of a cancelled job stands in a bin again: its own, or the one that is named."""

    def work(session: Session) -> JobAnswer:
        job = put_backs.put_back(session, number(JOB, identity), body.bin, by=tools.by(who))
        return job_answer(job, rows.history(session, "job", job.id))

    return tools.database.write(work)
