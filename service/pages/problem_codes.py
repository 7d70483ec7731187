"""What every problem code means: the page that a problem's `type` points to (RFC 9457).

For programmers of stores, like the description of the HTTP surface, and in English like it. Open to everyone;
it says nothing about the shop.
"""

from __future__ import annotations

from fastapi import APIRouter, Request, Response

from service.pages.render import PageRoute, page
from service.records.errors import NotFound
from service.requests.refusals import MEANINGS, STATUS_OF_CODE

router = APIRouter(include_in_schema=False, route_class=PageRoute)


@router.get("/problems")
def get_problems(request: Request) -> Response:
    """All codes."""
    return _page(request, list(MEANINGS))


@router.get("/problems/{code}")
def get_problem(request: Request, code: str) -> Response:
    """One code."""
    if code not in MEANINGS:
        raise NotFound("there is no such code")
    return _page(request, [code])


def _page(request: Request, codes: list[str]) -> Response:
    shown = [(code, STATUS_OF_CODE[code], MEANINGS[code]) for code in codes]
    return page(request, "problem_codes.html", problems=shown)
