"""Every error leaves the application as a problem (RFC 9457)."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import structlog
from fastapi import FastAPI, Request, Response
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse
from starlette.exceptions import HTTPException

from service.records import errors
from service.records.db import UNREACHABLE
from service.records.errors import Refusal
from service.requests.asked import place_of
from service.requests.problem_answers import problem_answer, wrong_fields
from service.requests.refusals import status_of

log = structlog.get_logger(__name__)

MEDIA_TYPE = "application/problem+json"

_RETRY_AFTER = {
    errors.DatabaseBusy: "1",
    errors.CheckTooSlow: "5",
    errors.CheckersBusy: "1",
    errors.ServiceBusy: "1",
    errors.TooManyStreams: "30",
}


def problem(
    status: int, code: str, detail: str, *, headers: Mapping[str, str] | None = None, **more: Any
) -> JSONResponse:
    """An RFC 9457 answer with a stable `code`, one of `MEANINGS`."""
    body = problem_answer(status, code, detail, **more)
    return JSONResponse(
        body.model_dump(mode="json"), status_code=status, media_type=MEDIA_TYPE, headers=dict(headers or {})
    )


def install(app: FastAPI) -> None:
    """Let every error leave the application as a problem."""
    app.add_exception_handler(Refusal, refused)
    app.add_exception_handler(RequestValidationError, _invalid)
    app.add_exception_handler(HTTPException, _http)
    for kind in UNREACHABLE:
        app.add_exception_handler(kind, _database)


def refused(request: Request, error: Exception) -> JSONResponse:
    """The answer to a Refusal."""
    assert isinstance(error, Refusal)
    status = status_of(type(error))
    wait_s = error.about.get("retry_after_s", _RETRY_AFTER.get(type(error)))
    headers = {} if wait_s is None else {"Retry-After": str(wait_s)}
    if status == 401:
        headers["WWW-Authenticate"] = "Bearer"
    return problem(status, error.code, error.message, headers=headers, **error.about)


def _invalid(request: Request, error: Exception) -> JSONResponse:
    """What was wrong with which field; never what was in it, because that may be a customer's words."""
    assert isinstance(error, RequestValidationError)
    errors = list(error.errors())
    if any(e["type"] == "json_invalid" for e in errors):
        return problem(400, "malformed_json", "The body is not JSON.")
    detail, fields = wrong_fields(errors)
    return problem(422, "invalid_request", detail, errors=fields)


def _http(request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)
    if error.status_code < 400:  # the way to somewhere else is no problem
        return Response(status_code=error.status_code, headers=error.headers)
    codes = {404: "not_found", 405: "method_not_allowed", 413: "body_too_large", 400: "unreadable_body"}
    code = codes.get(error.status_code, "refused")
    detail = {
        404: "There is nothing at this address.",
        405: "This address does not take that method.",
        413: "The body is larger than is taken here.",
        400: "The body can't be read.",
    }.get(error.status_code, "Refused.")
    return problem(error.status_code, code, detail, headers=error.headers)


def _database(request: Request, error: Exception) -> JSONResponse:
    return database_unreachable(error)


def database_unreachable(error: Exception) -> JSONResponse:
    """The answer where the database does not."""
    log.error("database_unreachable", kind=type(error).__name__)
    return problem(
        503,
        "database_busy",
        "The database can't be reached; nothing was changed.",
        headers={"Retry-After": "2"},
    )


def broken(request: Request, error: Exception) -> JSONResponse:
    """The answer to a fault of ours. The log gets its kind and place: its message could quote a customer."""
    log.error(
        "unhandled",
        route=getattr(request.scope.get("route"), "path", ""),
        kind=type(error).__name__,
        at=place_of(error),
    )
    return problem(500, "internal_error", "Something went wrong here; it is in the log.")
