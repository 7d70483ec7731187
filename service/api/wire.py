"""What routes share: bodies as they come in, ETags, cursors, answers that stay the same to the byte."""

from __future__ import annotations

import base64
import hashlib
import hmac
import re
from collections.abc import Iterator
from typing import Annotated, Literal

from fastapi import Header, Path, Query, Request, Response
from fastapi.dependencies.models import Dependant
from fastapi.exceptions import RequestValidationError
from fastapi.routing import APIRoute
from pydantic import AfterValidator, Field

from service.records.errors import BadCursor, IfMatchMissing
from service.requests.idempotency import Answer
from service.requests.inscriptions import InscriptionsIn, Name, Ref, Strict, Whole, storable
from service.requests.served import Served

OrderId = Annotated[str, Path(description="The order.", examples=["O17"])]
JobId = Annotated[str, Path(description="The job.", examples=["J42"])]
LoadId = Annotated[str, Path(description="The load.", examples=["L5"])]
LotId = Annotated[str, Path(description="The lot.", examples=["LOT3"])]
CalibrationId = Annotated[str, Path(description="The calibration.", examples=["C3"])]
CallbackId = Annotated[str, Path(description="The callback.", examples=["CB1"])]
LineRef = Annotated[str, Path(description="The store's own name of the line.", examples=["1"])]
Process = Annotated[str, Path(description="The process.", examples=["steel-satin"])]
Turn = Annotated[int, Path(description="The turn, from 1.", examples=[1])]
BurnFormat = Annotated[
    str, Path(description="`svg`, `dxf` or `pdf`, if the station reads it.", examples=["svg"])
]
Drawing = Annotated[
    Literal["picture", "measured"],
    Query(
        description="`picture`: the product as its buyer sees it; `measured`: the desk's drawing with zones, "
        "keep-outs and millimetres.",
        examples=["picture"],
    ),
]
IfMatch = Annotated[str | None, Header(alias="If-Match")]
IdempotencyKey = Annotated[str | None, Header(alias="Idempotency-Key")]
Limit = Annotated[int, Query(ge=1, le=200, description="Things on a page at the most.", examples=[50])]
Cursor = Annotated[
    str | None,
    Query(
        max_length=200, description="Where the page begins: only as a `Link` gives it.", examples=["MTc.wBZ1"]
    ),
]

#: Signs cursors so that a made-up one is told from a real one; it guards no secret.
_CURSOR_KEY = hashlib.sha256(b"ricasso cursor").digest()
_CURSOR = re.compile(r"^[A-Za-z0-9_-]{8,200}$", re.ASCII)


class CheckIn(Strict):
    sku: Name = Field(description="The store's number of the product.", examples=["AQ-PARER-OAK"])
    inscriptions: InscriptionsIn = Field(description="What is to be engraved, one entry a place.")
    quantity: Whole = Field(default=1, ge=1, le=99, description="Units wanted.", examples=[1])


class AmendIn(Strict):
    inscriptions: InscriptionsIn = Field(description="What is to be engraved instead, one entry a place.")


class ApproveIn(Strict):
    lines: list[Ref] = Field(
        default_factory=list,
        description="Lines, by the store's names; none: all that wait.",
        examples=[["1"]],
    )
    by: Literal["desk", "buyer"] = Field(
        default="desk",
        description="`desk`: a person of the shop has looked; `buyer`: the buyer agreed.",
        examples=["desk"],
    )
    said_by: Annotated[str, Field(max_length=60), AfterValidator(storable)] = Field(
        default="", description="Who told of the buyer's agreement.", examples=["A. Buyer, by telephone"]
    )


class EraseIn(Strict):
    reason: Annotated[str, Field(max_length=200), AfterValidator(storable)] = Field(
        default="",
        description="Why; it goes to the history, so no names.",
        examples=["the buyer asked for it"],
    )


class CancelIn(Strict):
    lines: list[Ref] = Field(
        default_factory=list,
        description="Lines, by the store's names; none: the whole order.",
        examples=[["1"]],
    )
    reason: Annotated[str, Field(max_length=200), AfterValidator(storable)] = Field(
        default="cancelled by the desk",
        description="Why; it goes to the history.",
        examples=["cancelled by the buyer"],
    )


class PriorityIn(Strict):
    priority: Whole = Field(ge=0, le=100, description="Larger goes first.", examples=[50])
    reason: Annotated[str, Field(min_length=1, max_length=200), AfterValidator(storable)] = Field(
        description="Why; it goes to the history.", examples=["the wedding is on Saturday"]
    )


class CountIn(Strict):
    bin: Annotated[str, Field(min_length=1, max_length=30), AfterValidator(storable)] = Field(
        description="Storage place.", examples=["A-01"]
    )
    sku: Name = Field(description="The product.", examples=["AQ-PARER-OAK"])
    boxed: Whole = Field(ge=0, le=100_000, description="Boxed units counted there.", examples=[14])
    walking_order: Whole | None = Field(
        default=None,
        ge=0,
        le=1_000_000,
        description="Bins are walked by in this order; left out: as before, or last.",
        examples=[10],
    )
    version: Whole | None = Field(
        default=None,
        ge=0,
        le=2**31,
        description="The count's version that the caller saw; left out: whatever it is.",
        examples=[7],
    )


class StockIn(Strict):
    counts: Annotated[list[CountIn], Field(min_length=1, max_length=5000)] = Field(
        description="What was counted."
    )


def dependants(route: APIRoute) -> Iterator[Dependant]:
    """A route's own parameters, and those of everything that it depends on."""
    left = [route.dependant]
    while left:
        dependant = left.pop()
        left += dependant.dependencies
        yield dependant


def refuse_unknown_names(request: Request) -> None:
    """Raises RequestValidationError for query names that the route does not take."""
    if not request.query_params:
        return
    taken = {
        field.alias for parameter in dependants(request.scope["route"]) for field in parameter.query_params
    }
    unknown = sorted(set(request.query_params) - taken)
    if unknown:
        raise RequestValidationError(
            [{"type": "extra_forbidden", "loc": ("query", name), "msg": "unknown name"} for name in unknown]
        )


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


def file_answer(
    request: Request, served: Served, disposition: Literal["attachment", "inline"], *, vary: str = ""
) -> Response:
    """A file under its name, or 304 where the caller has it already. `vary` names a header of the request by
    which something else would have been answered."""
    headers = {
        "ETag": f'"{served.sha256}"',
        "Content-Disposition": f'{disposition}; filename="{served.name}"',
        **({"Vary": vary} if vary else {}),
    }
    if request.headers.get("If-None-Match") == headers["ETag"]:
        return Response(status_code=304, headers=headers)
    return Response(served.data, media_type=served.media_type, headers=headers)


def csv_answer(request: Request, text: str, name: str, *, vary: str = "") -> Response:
    """A table for a spreadsheet program."""
    served = Served.of(text, name, "text/csv; charset=utf-8; header=present")
    return file_answer(request, served, "attachment", vary=vary)


def pdf_answer(request: Request, data: bytes, name: str) -> Response:
    """A paper, shown rather than saved."""
    return file_answer(request, Served.of(data, name, "application/pdf"), "inline")


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
