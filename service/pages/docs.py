"""The description of the HTTP surface to read: `/openapi.json` in a viewer that comes with the service.

The viewer is Swagger UI (Apache-2.0), taken from the package `fastapi-offline`, which brings its files along.
It only shows: nothing is sent from it, because here a request can start a laser's work. The description
itself is for callers with a key; a signed-in browser has one, others type theirs, which stays in the page.
"""

from __future__ import annotations

from functools import cache
from importlib.util import find_spec
from pathlib import Path

from fastapi import APIRouter, Request, Response

from service.doorway import AtHand
from service.pages.render import PageRoute, page
from service.records.errors import NotFound

router = APIRouter(include_in_schema=False, route_class=PageRoute)

_VIEWER = {"swagger-ui-bundle.js": "text/javascript", "swagger-ui.css": "text/css"}


@router.get("/docs")
def get_docs(request: Request, tools: AtHand) -> Response:
    """The viewer."""
    if not tools.settings.docs:
        raise NotFound("the description is not served here")
    return page(request, "docs.html")


@router.get("/docs/{name}")
def get_viewer(name: str) -> Response:
    """A file of the viewer."""
    if name not in _VIEWER:
        raise NotFound("there is nothing at this address")
    return Response(
        (_folder() / name).read_bytes(),
        media_type=f"{_VIEWER[name]}; charset=utf-8",
        headers={"Cache-Control": "public, max-age=86400"},
    )


@cache
def _folder() -> Path:
    """Where the package keeps them; it is not imported, for it would bring an application of its own."""
    spec = find_spec("fastapi_offline")
    assert spec is not None and spec.submodule_search_locations
    return Path(spec.submodule_search_locations[0]) / "static"
