"""The queue of finished units to fetch, and of those that go back."""

from __future__ import annotations

from fastapi import APIRouter

from service.api.security import House
from service.bench import pulls
from service.bench.pull_answers import PullsAnswer
from service.doorway import AtHand, Route

router = APIRouter(tags=["pulls"], route_class=Route)


@router.get("/v1/pulls")
def list_pulls(tools: AtHand, who: House) -> PullsAnswer:
    """Claimed loads first, then the next planned ones, in walking order within each. Beside them the units of
    cancelled jobs, with the bin into which each goes back."""
    with tools.database.reading() as session:
        return pulls.pulls_answer(session, tools.catalogue.current, now=tools.clock())
