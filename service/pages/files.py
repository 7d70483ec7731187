"""Style, script and icon, under names that change with their content, so that browsers may keep them."""

from __future__ import annotations

import hashlib
from functools import cache
from pathlib import Path

from fastapi import APIRouter, Response

from service.doorway import Route
from service.records.errors import NotFound

router = APIRouter(include_in_schema=False, route_class=Route)

_FOLDER = Path(__file__).parent / "static"
_TYPES = {
    "face-editor.js": "text/javascript; charset=utf-8",
    "docs.js": "text/javascript; charset=utf-8",
    "pages.css": "text/css; charset=utf-8",
    "pages.js": "text/javascript; charset=utf-8",
    "trace.js": "text/javascript; charset=utf-8",
    "mark.svg": "image/svg+xml",
}


@cache
def read(name: str) -> tuple[bytes, str]:
    """A file's bytes, and the beginning of their digest."""
    data = (_FOLDER / name).read_bytes()
    return data, hashlib.sha256(data).hexdigest()[:12]


def address(name: str) -> str:
    """Where a page finds the file."""
    return f"/static/{read(name)[1]}/{name}"


@router.get("/static/{digest}/{name}")
def get_static(digest: str, name: str) -> Response:
    """One file, to be kept forever: other content has another address."""
    if name not in _TYPES or read(name)[1] != digest:
        raise NotFound("there is nothing at this address")
    return Response(
        read(name)[0],
        media_type=_TYPES[name],
        headers={"Cache-Control": "public, max-age=31536000, immutable"},
    )
