"""`GET /metrics`, for the shop's own people and their scraper (which sends a key like everybody)."""

from __future__ import annotations

from fastapi import APIRouter, Request, Response

from service.api.contract import details
from service.api.security import House
from service.doorway import Gauges, Route

router = APIRouter(tags=["health"], route_class=Route)

_FORMS = ["text/plain", "application/openmetrics-text"]


@router.get("/metrics", response_class=Response, openapi_extra=details(files=_FORMS))
def get_metrics(request: Request, gauges: Gauges, _: House) -> Response:
    """Gauges of what the tables hold, counters and histograms of what this process has done: in the
    Prometheus text format, or as OpenMetrics where `Accept` asks for it."""
    page, media_type = gauges.page(request.headers.get("accept", ""))
    return Response(page, media_type=media_type)
