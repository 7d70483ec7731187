"""The queue of finished units to fetch."""

from __future__ import annotations

from typing import Any

from fastapi import APIRouter, Request

from service import pulls
from service.api.security import House

router = APIRouter(tags=["pulls"])


@router.get("/v1/pulls")
def get_pulls(request: Request, who: House) -> dict[str, Any]:
    """Claimed loads first, then the next planned ones, in walking order within each."""
    state = request.app.state
    with state.database.reading() as session:
        return {"pulls": pulls.queue(session, state.catalogue.current, now=state.clock())}
