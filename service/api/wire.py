"""What routes share: bodies as they come in, ETags, cursors, answers that stay the same to the byte."""

from __future__ import annotations

import base64
import hashlib
import hmac
import re
from typing import Annotated, Literal

from fastapi import Header, Query, Request, Response
from pydantic import AfterValidator, Field

from service.records.errors import BadCursor, IfMatchMissing
from service.requests.idempotency import Answer
from service.requests.inscriptions import InscriptionsIn, Name, Ref, Strict, Whole, storable

IfMatch = Annotated[str | None, Header(alias="If-Match")]
IdempotencyKey = Annotated[str | None, Header(alias="Idempotency-Key")]
Limit = Annotated[int, Query(ge=1, le=200)]
Cursor = Annotated[str | None, Query(max_length=200)]

#: Signs cursors so that a made-up one is told from a real one; it guards no secret.
_CURSOR_KEY = hashlib.sha256(b"ricasso cursor").digest()
_CURSOR = re.compile(r"^[A-Za-z0-9_-]{8,200}$", re.ASCII)


class CheckIn(Strict):
    sku: Name
    inscriptions: InscriptionsIn
    quantity: Whole = Field(default=1, ge=1, le=99)


class AmendIn(Strict):
    inscriptions: InscriptionsIn


class ApproveIn(Strict):
    lines: list[Ref] = Field(default_factory=list)
    by: Literal["desk", "buyer"] = "desk"
    said_by: Annotated[str, Field(max_length=60), AfterValidator(storable)] = ""


class CancelIn(Strict):
    lines: list[Ref] = Field(default_factory=list)
    reason: Annotated[str, Field(max_length=200), AfterValidator(storable)] = "cancelled by the desk"


class CountIn(Strict):
    bin: Annotated[str, Field(min_length=1, max_length=30), AfterValidator(storable)]
    sku: Name
    boxed: Whole = Field(ge=0, le=100_000)
    walking_order: Whole | None = Field(default=None, ge=0, le=1_000_000)
    version: Whole | None = Field(default=None, ge=0, le=2**31)


class StockIn(Strict):
    counts: Annotated[list[CountIn], Field(min_length=1, max_length=5000)]


def if_match_of(header: str | None) -> str:
    """The version named by the caller. Raises IfMatchMissing."""
    if header is None:
        raise IfMatchMissing("send If-Match with the ETag that you last saw")
    return header


def json_answer(answer: Answer) -> Response:
    """A stored or new answer, byte for byte."""
    headers = dict(answer.headers)
    if answer.replayed:
        headers["Idempotency-Replayed"] = "true"
    return Response(answer.body, status_code=answer.status, media_type="application/json", headers=headers)


def write_cursor(after: int) -> str:
    raw = f"{after}".encode()
    return base64.urlsafe_b64encode(raw + b"." + _signed(raw)).decode().rstrip("=")


def read_cursor(cursor: str | None) -> int | None:
    """The row after which a page begins. Raises BadCursor for one that was not given out."""
    if cursor is None:
        return None
    try:
        if not _CURSOR.match(cursor):
            raise ValueError(cursor)
        raw, signature = base64.urlsafe_b64decode(cursor + "=" * (-len(cursor) % 4)).split(b".", 1)
        if not hmac.compare_digest(signature, _signed(raw)):
            raise ValueError(cursor)
        return int(raw)
    except ValueError as error:
        raise BadCursor("this cursor was not given out by this service") from error


def next_link(request: Request, after: int, limit: int) -> str:
    """RFC 8288 link to the next page."""
    url = request.url.include_query_params(cursor=write_cursor(after), limit=limit)
    return f'<{url.path}?{url.query}>; rel="next"'


def _signed(raw: bytes) -> bytes:
    return hmac.new(_CURSOR_KEY, raw, hashlib.sha256).hexdigest()[:16].encode()
