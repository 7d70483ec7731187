"""Is it alive, can it work: open to all, without detail."""

from __future__ import annotations

from typing import Literal

from fastapi import APIRouter, Response
from pydantic import Field

from service.doorway import AtHand, Route
from service.requests.answers import AnswerBody

router = APIRouter(tags=["health"], route_class=Route)


class HealthAnswer(AnswerBody):
    """The process answers."""

    status: Literal["ok"] = Field(description="Always `ok`.", examples=["ok"])


class ReadinessAnswer(AnswerBody):
    """Whether it can work."""

    status: Literal["ready", "unready"] = Field(
        description="`unready`: what is written would not be kept.", examples=["ready"]
    )


@router.get("/healthz")
async def get_health() -> HealthAnswer:
    """The process answers; nothing else is looked at."""
    return HealthAnswer(status="ok")


@router.get("/readyz", responses={503: {"model": ReadinessAnswer, "description": "Writes fail."}})
def get_readiness(tools: AtHand, response: Response) -> ReadinessAnswer:
    """The database keeps what is written. A dead broker is no reason to turn orders away: it isn't asked."""
    if not tools.database.takes_writes():
        response.status_code = 503
        return ReadinessAnswer(status="unready")
    return ReadinessAnswer(status="ready")
