"""The plan and the backlog."""

from __future__ import annotations

from typing import Any

from fastapi import APIRouter, Request

from service import plans
from service.api.security import House
from service.repositories import plans as rows

router = APIRouter(tags=["plan"])


@router.get("/v1/plan")
def get_plan(request: Request, who: House) -> dict[str, Any]:
    """The loads to come, station by station, and how far from the best possible the plan is at most."""
    return plans.plan_json(plans.current(request.app.state))


@router.get("/v1/backlog")
def get_backlog(request: Request, who: House) -> dict[str, Any]:
    """Hours of work by ship-by day, what will be late, what is short."""
    found = plans.current(request.app.state)
    with request.app.state.database.reading() as session:
        return plans.backlog_json(found, rows.short(session))
