"""A stream that tells a page to redraw itself when something changes. It carries no contents."""

from __future__ import annotations

import asyncio
import hashlib
from collections.abc import AsyncIterator
from typing import Annotated

from fastapi import APIRouter, Depends, Query, Request
from fastapi.concurrency import run_in_threadpool
from fastapi.sse import EventSourceResponse, ServerSentEvent

from service.doorway import AnswersNow, AtHand, Route, key_id_of
from service.pages.gate import HouseVisitor
from service.plan import board_rows as rows
from service.records.ids import LOAD, number
from service.shop.tools import Tools

router = APIRouter(include_in_schema=False, route_class=Route)

_POLL_SECONDS = 1.0
#: Streams end by themselves, and the browser asks again: a key that was taken away does not live on in one.
_POLLS = 600
_QUIET_POLLS = 15


def signature_of(tools: Tools, about: str) -> str:
    """A short text that changes whenever what a page shows of a load (`L5`) or of everything (`all`)
    changes."""
    with tools.database.reading() as session:
        if about == "all":
            return signature_up_to(rows.newest_move(session))
        return _signature(rows.load_signature(session, number(LOAD, about)))


def signature_up_to(move: int) -> str:
    """The signature of everything as of that row of history, the newest that there was."""
    return _signature(str(move))


def _signature(parts: str) -> str:
    return hashlib.sha256(parts.encode()).hexdigest()[:16]


async def _place(request: Request, now: AnswersNow, visitor: HouseVisitor) -> AsyncIterator[None]:
    """Held as long as the stream lasts. Raises TooManyStreams."""
    with now.stream(key_id_of(request)):
        yield


@router.get("/live", dependencies=[Depends(_place)], response_class=EventSourceResponse)
async def follow(
    tools: AtHand, visitor: HouseVisitor, about: Annotated[str, Query(pattern=r"^(all|L\d{1,18})$")]
) -> AsyncIterator[ServerSentEvent]:
    """The signature at once, so that a page knows whether it missed something, then each new one."""
    last, quiet = "", 0
    for _ in range(_POLLS):
        now = await run_in_threadpool(signature_of, tools, about)
        quiet += 1
        if now != last:
            last, quiet = now, 0
            yield ServerSentEvent(event="changed", raw_data=now)
        elif quiet >= _QUIET_POLLS:
            quiet = 0
            yield ServerSentEvent(comment="still here")
        await asyncio.sleep(_POLL_SECONDS)
