"""What recorded burns say of the estimates."""

from __future__ import annotations

from fastapi import APIRouter

from service.api.security import House
from service.doorway import AtHand, Route
from service.plan.estimate_answers import EstimatesAnswer, estimates_answer

router = APIRouter(tags=["plan"], route_class=Route)


@router.get("/v1/estimates")
def get_estimates(tools: AtHand, who: House) -> EstimatesAnswer:
    """Expected against measured burns by station, plate and process: what was learned, and its error."""
    with tools.database.reading() as session:
        return estimates_answer(session)
