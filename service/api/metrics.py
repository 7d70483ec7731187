"""`GET /metrics`, for the shop's own people and their scraper (which sends a key like everybody)."""

from __future__ import annotations

from fastapi import APIRouter, Response

from service.api.contract import details
from service.api.security import House
from service.doorway import Gauges
from service.records.gauges import CONTENT_TYPE

router = APIRouter(tags=["health"])


@router.get("/metrics", response_class=Response, openapi_extra=details(files=["text/plain"]))
def get_metrics(gauges: Gauges, _: House) -> Response:
    """Gauges in the Prometheus text format."""
    return Response(gauges.text(), media_type=CONTENT_TYPE)
