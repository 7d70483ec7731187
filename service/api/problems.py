"""Problem answers (RFC 9457) and the one table that knows which refusal is which HTTP status."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import Any

import structlog
from fastapi import FastAPI, Request, Response
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse
from pydantic import ConfigDict, Field
from pydantic_core import to_jsonable_python
from starlette.exceptions import HTTPException

from service.records import errors
from service.records.db import UNREACHABLE
from service.records.errors import Refusal
from service.requests.answers import AnswerBody, OrLeftOut
from service.requests.asked import place_of
from service.requests.refusals import MEANINGS, status_of

log = structlog.get_logger(__name__)

_FIELD = re.compile(r"^[A-Za-z][A-Za-z0-9_-]{0,39}$", re.ASCII)
_KINDS = frozenset({"text", "monogram", "artwork", "code"})

MEDIA_TYPE = "application/problem+json"

_RETRY_AFTER = {
    errors.DatabaseBusy: "1",
    errors.CheckTooSlow: "5",
    errors.CheckersBusy: "1",
    errors.ServiceBusy: "1",
    errors.TooManyStreams: "30",
}
TITLES = {
    400: "The request can't be read",
    401: "A key is needed",
    403: "This key's role may not do that",
    404: "Not found",
    405: "Not a method of this address",
    408: "Too slow",
    409: "Not possible in the present state",
    412: "Changed since you last saw it",
    413: "Too large",
    415: "Not a media type that is taken",
    421: "Not the host of this address",
    422: "The request can't be carried out as it stands",
    428: "Say which version you mean",
    429: "Too much at once",
    500: "Something went wrong here",
    503: "Busy, try again",
}


class FieldProblem(AnswerBody):
    """What is wrong with one field, query name or header."""

    field: str = Field(description="Its address in the request.", examples=["lines.0.quantity"])
    message: str = Field(
        description="What is wrong, in English; never what was sent.",
        examples=["Input should be greater than or equal to 1"],
    )


class Problem(AnswerBody):
    """Why a request was refused (RFC 9457). Besides these members it may name what stood in the way, such as
    `field`, `job`, `order` or `findings`; the page of its `type` says more."""

    model_config = ConfigDict(extra="allow")

    type: str = Field(
        description="A page that says what the code means.", examples=["/problems/move_not_allowed"]
    )
    title: str = Field(
        description="What the status means, in English.", examples=["Not possible in the present state"]
    )
    status: int = Field(description="The HTTP status, once more.", examples=[409])
    detail: str = Field(description="What happened, in English.", examples=["J42 is in no load"])
    code: str = Field(
        description="What a program goes by: one of a closed list.",
        examples=["move_not_allowed"],
        json_schema_extra={"enum": list(MEANINGS)},
    )
    errors: OrLeftOut[tuple[FieldProblem, ...]] = Field(
        default=None, description="With `invalid_request`: everything that is wrong with the request."
    )


def problem(
    status: int, code: str, detail: str, *, headers: Mapping[str, str] | None = None, **more: Any
) -> JSONResponse:
    """An RFC 9457 answer with a stable `code`, one of `MEANINGS`."""
    body = Problem(
        type=f"/problems/{code}",
        title=TITLES.get(status, "Refused"),
        status=status,
        detail=detail,
        code=code,
        **to_jsonable_python(more),
    )
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
    fields = tuple(FieldProblem(field=_pointer(e["loc"]), message=_said(e)) for e in errors)
    detail = f"{fields[0].field}: {fields[0].message}" if fields else "The request is not valid."
    return problem(422, "invalid_request", detail, errors=fields)


def _pointer(place: Sequence[Any]) -> str:
    """The field's address, e.g. `lines.0.inscriptions.1.text`: what a caller wrote as a name is shown only
    when it looks like one, and the kind that the union was resolved to is no part of the address."""
    parts = [part for part in place if part != "body"]
    shown = [
        str(part) if isinstance(part, int) or _FIELD.match(str(part)) else "?"
        for before, part in zip([None, None, *parts], parts, strict=False)
        if not (before == "inscriptions" and part in _KINDS)
    ]
    return ".".join(shown) or "body"


def _said(error: Mapping[str, Any]) -> str:
    if error["type"].startswith("union_tag"):
        return "kind should be one of text, monogram, artwork, code"
    return str(error["msg"]).removeprefix("Value error, ")


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
