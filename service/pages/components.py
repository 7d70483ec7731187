"""Scripts for the pages of stores: web components, loaded from here by pages that live elsewhere."""

from __future__ import annotations

from fastapi import APIRouter, Request, Response

from service.doorway import Route
from service.pages import files
from service.records.errors import NotFound

router = APIRouter(include_in_schema=False, route_class=Route)

_COMPONENTS = frozenset({"ricasso-preview.js"})


@router.get("/components/{name}")
def get_component(request: Request, name: str) -> Response:
    """A file under a name that stays. Browsers keep it for an hour, then ask whether it is the same."""
    if name not in _COMPONENTS:
        raise NotFound("there is nothing at this address")
    data, digest = files.read(name)
    headers = {
        "ETag": f'"{digest}"',
        "Cache-Control": "public, max-age=3600",
        # Any store's page may load it: there is nothing in it that is not for everybody.
        "Access-Control-Allow-Origin": "*",
        "Cross-Origin-Resource-Policy": "cross-origin",
    }
    if headers["ETag"] in request.headers.get("if-none-match", ""):
        return Response(status_code=304, headers=headers)
    return Response(data, media_type="text/javascript; charset=utf-8", headers=headers)
