"""Is it alive, can it work: open to all, without detail."""

from __future__ import annotations

from fastapi import APIRouter
from fastapi.responses import JSONResponse

from service.doorway import AtHand

router = APIRouter(tags=["health"])


@router.get("/healthz")
def healthz() -> dict[str, str]:
    """The process answers; nothing else is looked at."""
    return {"status": "ok"}


@router.get("/readyz")
def readyz(tools: AtHand) -> JSONResponse:
    """The database answers. A dead broker is no reason to turn orders away, so it isn't asked."""
    if not tools.database.answers():
        return JSONResponse({"status": "unready"}, status_code=503)
    return JSONResponse({"status": "ready"})
