"""The guides, a page each: what lies as Markdown in `service/guides/`, for readers of the repository too.

Open to everyone, like the pages of problem codes: they say nothing about the shop. In English.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

from fastapi import APIRouter, Request, Response

import service
from service.pages.render import PageRoute, page
from service.records.errors import NotFound

if TYPE_CHECKING:
    from service.pages.rendered_guide import Guide

router = APIRouter(include_in_schema=False, route_class=PageRoute)

FOLDER = Path(service.__file__).parent / "guides"
#: Every guide by its reader, in the order in which the index shows them.
READERS = {
    "Owner": ("first-shop", "keys"),
    "Desk and bench": ("desk-and-bench", "plan"),
    "Store's developer": ("store",),
    "Administrator": ("operate", "scale", "settings", "security", "limits"),
}
_PICTURES = {".png": "image/png", ".svg": "image/svg+xml"}


@router.get("/guides")
def get_guides(request: Request) -> Response:
    """All guides, by reader."""
    readers = {reader: [guide(name) for name in names] for reader, names in READERS.items()}
    return page(request, "guides.html", readers=readers)


@router.get("/guides/{name}")
def get_guide(request: Request, name: str) -> Response:
    """One guide."""
    if name not in {name for names in READERS.values() for name in names}:
        raise NotFound("there is no such guide")
    return page(request, "guide.html", guide=guide(name))


@router.get("/guides/pictures/{name}")
def get_guide_picture(name: str) -> Response:
    """A picture that a guide shows."""
    if name not in _pictures():
        raise NotFound("there is no such picture")
    path = FOLDER / "pictures" / name
    return Response(
        path.read_bytes(),
        media_type=_PICTURES[path.suffix],
        headers={"Cache-Control": "public, max-age=3600"},
    )


@cache
def _pictures() -> frozenset[str]:
    return frozenset(path.name for path in (FOLDER / "pictures").iterdir() if path.suffix in _PICTURES)


@cache
def guide(name: str) -> Guide:
    """The guide of that name, rendered once."""
    from service.pages.rendered_guide import rendered  # here: every start would wait for Markdown's reader

    return rendered(name, (FOLDER / f"{name}.md").read_text(encoding="utf-8"))
