"""`GET /metrics`, for the shop's own people and their scraper (which sends a key like everybody)."""

from __future__ import annotations

from importlib.metadata import version

from fastapi import APIRouter, Request, Response

from service.api.security import House
from service.records.gauges import CONTENT_TYPE, Metrics

router = APIRouter()


@router.get("/metrics", response_class=Response, responses={200: {"content": {"text/plain": {}}}})
def metrics(request: Request, _: House) -> Response:
    """Gauges in the Prometheus text format."""
    state = request.app.state
    if not hasattr(state, "metrics"):
        state.metrics = Metrics(state.database, clock=state.clock, version=version("ricasso"))
    return Response(state.metrics.text(), media_type=CONTENT_TYPE)
