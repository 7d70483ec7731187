"""Whether a request is let in: its body is read only from a caller who is known, within a deadline and a
size, and only so many requests are answered at once.

A caller who is nobody's is shown to the route without a body: the route's own refusal is the answer. What is
read here is handed on whole, so that a body that trickles in holds no place among those being answered.
Health is asked about outside all this.
"""

from __future__ import annotations

import asyncio
import json
import re
from collections.abc import Mapping, Sequence
from functools import cache
from typing import Any

from fastapi.concurrency import run_in_threadpool
from starlette.datastructures import Headers
from starlette.requests import Request
from starlette.responses import Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from service import doorway, pages
from service.api import problems, security
from service.pages import faults
from service.records.db import UNREACHABLE
from service.records.errors import ServiceBusy, TooManyRequests
from service.requests.crowd import Crowd

_PORT = re.compile(r":\d+$", re.ASCII)
_HEALTH = frozenset({"/healthz", "/readyz"})
#: They last for many minutes and are counted by key (`service.requests.crowd`).
_STREAMS = frozenset({"/v1/events", "/live"})
#: What a slow line needs for a body: a fixed time, and more for a large one.
BODY_SECONDS = 15.0
_SLOWEST_BYTES_A_SECOND = 50_000


class _TooLarge(Exception): ...


class _NamedTwice(Exception):
    """A name stands twice in an object of the body: which of the two is meant nobody can say."""


class _Gone(Exception):
    """The caller hung up before the body was whole."""


class Admission:
    """ASGI middleware around the routes."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http" or scope["path"] in _HEALTH:
            await self._app(scope, receive, send)
            return
        request = Request(scope)
        if not _is_asked_here(request):
            detail = "This service is not the host that the request names; RICASSO_HOSTS lists those it is."
            await _refuse(request, problems.problem(421, "refused", detail), receive, send)
            return
        try:
            doorway.tools_in(request.app).rates.asked_from(doorway.address_of(request))
        except TooManyRequests as refusal:
            await _refuse(request, problems.refused(request, refusal), receive, send)
            return
        try:
            receive = await _with_body(request, receive)
        except _Gone:
            return
        except (_TooLarge, _NamedTwice, TimeoutError, *UNREACHABLE) as error:
            await _refuse(request, _answer_to(error), receive, send)
            return
        if scope["path"] in _STREAMS:
            await self._app(scope, receive, send)
        else:
            await self._answered_among(doorway.crowd_in(request.app), request, receive, send)

    async def _answered_among(self, crowd: Crowd, request: Request, receive: Receive, send: Send) -> None:
        try:
            crowd.enter()
        except ServiceBusy as busy:
            await _refuse(request, problems.refused(request, busy), receive, send)
            return
        try:
            await self._app(request.scope, receive, send)
        finally:
            crowd.leave()


def _is_asked_here(request: Request) -> bool:
    """Whether the request's Host is one of ours: a page of somebody else's that gives its own name our
    address reaches nothing."""
    names = doorway.tools_in(request.app).settings.host_names
    asked_for = _PORT.sub("", request.headers.get("host", "")).strip("[]").lower()
    return not names or asked_for in names


def _answer_to(error: Exception) -> Response:
    if isinstance(error, _TooLarge):
        return problems.problem(413, "body_too_large", "The body is larger than is taken here.")
    if isinstance(error, _NamedTwice):
        return problems.problem(400, "name_twice", "A name stands twice in the same object of the body.")
    if isinstance(error, TimeoutError):
        gone_after = {"Connection": "close"}
        return problems.problem(408, "body_too_slow", "The body took too long to arrive.", headers=gone_after)
    return problems.database_unreachable(error)


async def _with_body(request: Request, receive: Receive) -> Receive:
    """What the route is to receive. Raises _TooLarge, _NamedTwice, _Gone, TimeoutError, UNREACHABLE."""
    headers = request.headers
    if headers.get("transfer-encoding") is None and _announced(headers) == 0:
        return receive
    tools = doorway.tools_in(request.app)
    path = request.scope["path"]
    if not path.startswith(pages.OPEN) and not await run_in_threadpool(security.is_known, request):
        return _again(b"", receive)
    most = tools.settings.max_body_bytes
    if not 0 < _announced(headers) <= most:
        most = await run_in_threadpool(_most_for, path, most)
    if _announced(headers) > most:
        raise _TooLarge
    async with asyncio.timeout(BODY_SECONDS + most / _SLOWEST_BYTES_A_SECOND):
        body = await _whole(receive, most)
    if path.startswith("/v1/"):
        _must_name_once(body)
    return _again(body, receive)


def _most_for(path: str, usual: int) -> int:
    """How many bytes a body may have at that address."""
    uploads, named_uploads = _uploads()
    named = (most for address, most in named_uploads if address.fullmatch(path))
    return uploads.get(path) or next(named, usual)


@cache
def _uploads() -> tuple[Mapping[str, int], Sequence[tuple[re.Pattern[str], int]]]:
    """What addresses take more than the service's own limit; then those with a name in them."""
    # Whoever sends no more than that doesn't wait for all rooms to be loaded.
    from service.rooms import NAMED_UPLOADS, UPLOADS

    named = [(re.compile(address.format(identity="[^/]+")), most) for address, most in NAMED_UPLOADS.items()]
    return UPLOADS, named


def _must_name_once(body: bytes) -> None:
    """Raises _NamedTwice. What is no JSON at all is for the route to say."""

    def once(pairs: list[tuple[str, Any]]) -> None:
        if len({name for name, _ in pairs}) < len(pairs):
            raise _NamedTwice

    try:
        json.loads(body, object_pairs_hook=once)
    except (ValueError, RecursionError):
        return


def _announced(headers: Headers) -> int:
    """The Content-Length, 0 where there is none or none that is a number."""
    length = headers.get("content-length", "0")
    return int(length) if length.isascii() and length.isdecimal() and len(length) < 18 else 0


async def _whole(receive: Receive, most: int) -> bytes:
    body = bytearray()
    while True:
        message = await receive()
        if message["type"] == "http.disconnect":
            raise _Gone
        body += message.get("body", b"")
        if len(body) > most:
            raise _TooLarge
        if not message.get("more_body", False):
            return bytes(body)


def _again(body: bytes, receive: Receive) -> Receive:
    """The body in one piece, then whatever else comes (the caller hangs up)."""
    given = False

    async def give() -> Message:
        nonlocal given
        if given:
            return await receive()
        given = True
        return {"type": "http.request", "body": body, "more_body": False}

    return give


async def _refuse(request: Request, answer: Response, receive: Receive, send: Send) -> None:
    if faults.is_for_people(request):
        answer = faults.fault_page(request, answer.status_code)
    await answer(request.scope, receive, send)
