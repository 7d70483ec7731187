"""Is it alive, can it work: open to all, without detail."""

from __future__ import annotations

from typing import Literal

from fastapi import APIRouter, Response
from pydantic import Field

from service.doorway import AtHand
from service.requests.answers import AnswerBody

router = APIRouter(tags=["health"])


class HealthAnswer(AnswerBody):
    """The process answers."""

    status: Literal["ok"] = Field(description="Always `ok`.", examples=["ok"])


class ReadinessAnswer(AnswerBody):
    """Whether it can work."""

    status: Literal["ready", "unready"] = Field(
        description="`unready`: the database does not answer.", examples=["ready"]
    )


@router.get("/healthz")
async def healthz() -> HealthAnswer:
    """The process answers; nothing else is looked at."""
    return HealthAnswer(status="ok")


@router.get("/readyz", responses={503: {"model": ReadinessAnswer, "description": "The database is silent."}})
def readyz(tools: AtHand, response: Response) -> ReadinessAnswer:
    """The database answers. A dead broker is no reason to turn orders away, so it isn't asked."""
    if not tools.database.answers():
        response.status_code = 503
        return ReadinessAnswer(status="unready")
    return ReadinessAnswer(status="ready")
