"""`GET /v1/events`: a server-sent stream (https://html.spec.whatwg.org/multipage/server-sent-events.html)."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from typing import Annotated, Literal

from fastapi import APIRouter, Depends, Header, Query, Request
from fastapi.concurrency import run_in_threadpool
from fastapi.sse import EventSourceResponse, ServerSentEvent

from service.api.contract import details
from service.api.security import Anyone
from service.callbacks.stream import Follower
from service.doorway import AnswersNow, AtHand, Route, key_id_of
from service.records import errors

router = APIRouter(tags=["callbacks"], route_class=Route)

_POLL_SECONDS = 1.0
#: Streams end by themselves so that keys taken away and old processes don't live on in them.
_POLLS = 900
_QUIET_POLLS = 15


async def _place(request: Request, now: AnswersNow, who: Anyone) -> AsyncIterator[None]:
    """Held as long as the stream lasts. Raises TooManyStreams."""
    with now.stream(key_id_of(request)):
        yield


@router.get(
    "/v1/events",
    dependencies=[Depends(_place)],
    response_class=EventSourceResponse,
    openapi_extra=details(errors.TooManyStreams, files=["text/event-stream"]),
)
async def follow_events(
    tools: AtHand,
    who: Anyone,
    last_event_id: Annotated[
        int | None,
        Header(ge=0, le=2**62, description="The id of the last event that was seen.", examples=[31]),
    ] = None,
    until: Annotated[
        Literal["now", "closed"], Query(description="`now`: end after what is there.", examples=["now"])
    ] = "closed",
) -> AsyncIterator[ServerSentEvent]:
    """What happens from now on, or since `Last-Event-ID`; a store hears of its own orders only."""
    follower = await run_in_threadpool(Follower, tools.database, who, clock=tools.clock, after=last_event_id)
    quiet = 0
    yield ServerSentEvent(comment="listening")
    for _ in range(_POLLS):
        news = await run_in_threadpool(follower.news)
        for event in news:
            yield ServerSentEvent(
                id=str(event.id), event=event.type, data={"at": event.at.isoformat(), **event.data}
            )
        if until == "now":
            return
        quiet = 0 if news else quiet + 1
        if quiet >= _QUIET_POLLS:
            quiet = 0
            yield ServerSentEvent(comment="still here")
        await asyncio.sleep(_POLL_SECONDS)
