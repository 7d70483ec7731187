"""Why something was refused, as it is answered (RFC 9457), over HTTP or for one order of many."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import Any

from pydantic import ConfigDict, Field
from pydantic_core import to_jsonable_python

from service.records.errors import Refusal
from service.requests.answers import AnswerBody, OrLeftOut
from service.requests.refusals import MEANINGS, status_of

_FIELD = re.compile(r"^[A-Za-z][A-Za-z0-9_-]{0,39}$", re.ASCII)
_KINDS = frozenset({"text", "monogram", "artwork", "code"})

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


def problem_answer(status: int, code: str, detail: str, **more: Any) -> Problem:
    """A problem with a stable `code`, one of `MEANINGS`."""
    return Problem(
        type=f"/problems/{code}",
        title=TITLES.get(status, "Refused"),
        status=status,
        detail=detail,
        code=code,
        **to_jsonable_python(more),
    )


def refusal_answer(refusal: Refusal) -> Problem:
    """A refusal as a problem."""
    return problem_answer(status_of(type(refusal)), refusal.code, refusal.message, **refusal.about)


def wrong_fields(errors: Sequence[Mapping[str, Any]]) -> tuple[str, tuple[FieldProblem, ...]]:
    """What was wrong with which field, in one line and field by field, from the errors of a validation; never
    what was in it, because that may be a customer's words."""
    fields = tuple(FieldProblem(field=_pointer(e["loc"]), message=_said(e)) for e in errors)
    return f"{fields[0].field}: {fields[0].message}" if fields else "The request is not valid.", fields


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
