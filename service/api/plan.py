"""The plan and the backlog."""

from __future__ import annotations

from fastapi import APIRouter

from service.api.contract import details
from service.api.security import House
from service.doorway import AtHand, Route
from service.plan import board_rows as rows
from service.plan import in_force as kept_plan
from service.plan import outlook
from service.plan.plan_answers import BacklogAnswer, PlanAnswer, backlog_answer, plan_answer
from service.records import errors

router = APIRouter(tags=["plan"], route_class=Route)


@router.get("/v1/plan", openapi_extra=details(errors.NoPlanYet))
def get_plan(tools: AtHand, who: House) -> PlanAnswer:
    """The loads to come, station by station, and how far from the best possible the plan is at most."""
    return plan_answer(kept_plan.current(tools))


@router.get("/v1/backlog", openapi_extra=details(errors.NoPlanYet))
def get_backlog(tools: AtHand, who: House) -> BacklogAnswer:
    """Hours of work by ship-by day, what will be late, what is short; in `outlook` all that is not burned,
    planned or not, against the hours that the stations are open."""
    planned = kept_plan.current(tools)
    with tools.database.reading() as session:
        days = outlook.outlook(session, planned, now=tools.clock())
        return backlog_answer(planned, rows.short(session), days)
