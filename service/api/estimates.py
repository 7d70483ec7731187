"""What recorded burns say of the estimates."""

from __future__ import annotations

from typing import Any

from fastapi import APIRouter

from service.api.security import House
from service.doorway import AtHand
from service.plan import paces as learning

router = APIRouter(tags=["plan"])


@router.get("/v1/estimates")
def get_estimates(tools: AtHand, who: House) -> dict[str, Any]:
    """Expected against measured burns by station, plate and process: what was learned, and its error."""
    with tools.database.reading() as session:
        return learning.estimates_json(session)
