"""What goes wrong, shown to people: a page with the status that a program would get, never JSON.

Whatever happens, a browser that opens an address gets a page: nothing is there, something is refused, the
database can't be reached, our own code broke. Programs still get problems (RFC 9457). The page needs no
database, and where even it can't be drawn, a few plain words remain.
"""

from __future__ import annotations

from collections.abc import Callable
from html import escape
from typing import Any

import structlog
from fastapi import FastAPI, Request, Response
from fastapi.exceptions import RequestValidationError
from fastapi.responses import HTMLResponse
from starlette.exceptions import HTTPException

from service.doorway import language_of
from service.pages.render import HEADERS, PageRoute, page
from service.papers import texts
from service.papers.words import _
from service.records.db import UNREACHABLE
from service.records.errors import BadRequest, Refusal

log = structlog.get_logger(__name__)

Answer = Callable[[Request, Exception], Response]

#: What a fault is called, and what to do now, by status; 500 stands for all that are not listed.
SAID = {
    404: (
        _("Nothing here"),
        _("There is nothing at this address. It may have been typed wrongly, or be out of date."),
    ),
    405: (_("Not possible"), _("This address is for forms only. Go back and use the button on the page.")),
    413: (_("Too large"), _("What was sent is too large.")),
    500: (
        _("Something went wrong here"),
        _(
            "It is in the log; tell whoever looks after the service. "
            "Reload to see where things stand, then try again."
        ),
    ),
    503: (
        _("Busy, or out of reach"),
        _("The service can't do this right now. Reload in a moment to see where things stand."),
    ),
}


def install(app: FastAPI) -> None:
    """Answer people with a page for every error that programs get as a problem."""
    for kind in (Refusal, RequestValidationError, HTTPException, *UNREACHABLE):
        answer: Any = app.exception_handlers[kind]
        app.add_exception_handler(kind, _for_people(answer))


def is_for_people(request: Request) -> bool:
    """Whether a person will read the answer: at a page's own address, or in a browser's window."""
    if isinstance(request.scope.get("route"), PageRoute):
        return True
    if request.headers.get("sec-fetch-mode") == "navigate":
        return True
    is_program = request.url.path.startswith("/v1/")
    return not is_program and "text/html" in request.headers.get("accept", "")


def fault_page(request: Request, status: int, *, refused: Refusal | None = None) -> Response:
    """The page for what went wrong; `refused` is shown in its own words."""
    title, advice = SAID.get(status, SAID[500])
    try:
        if refused is not None:
            return page(request, "refused.html", status=status, refused=refused)
        return page(request, "fault.html", status=status, title=title, advice=advice)
    except Exception as error:  # a page that says what broke must not break itself
        log.error("fault_page_broken", kind=type(error).__name__)
        say = texts.texts_of(language_of(request)).gettext
        plain = (
            f"<!doctype html><title>Ricasso</title><h1>{escape(say(title))}</h1><p>{escape(say(advice))}</p>"
        )
        return HTMLResponse(plain, status_code=status, headers=HEADERS)


def _for_people(answer: Answer) -> Answer:
    def handle(request: Request, error: Exception) -> Response:
        problem = answer(request, error)  # writes the log, and knows the status
        if problem.status_code < 400 or not is_for_people(request):
            return problem
        refused = error if isinstance(error, Refusal) else None
        if isinstance(error, RequestValidationError):
            refused = BadRequest("this address or form is not one that a page of this service makes")
        shown = fault_page(request, problem.status_code, refused=refused)
        if "Retry-After" in problem.headers:
            shown.headers["Retry-After"] = problem.headers["Retry-After"]
        return shown

    return handle
