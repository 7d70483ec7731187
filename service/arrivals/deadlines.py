"""Connections that may not wait for ever.

uvicorn times the pause between two requests (`PAUSE_SECONDS`) and nothing else: a connection that never says
a word, or stops in the middle of its headers, stays open, and its limit of concurrency counts such
connections like requests being answered, so that two hundred of them turn everybody away. Here a request's
head has a deadline, whoever stops reading an answer is let go, and where there are too many connections the
one that has been idle longest makes room.
"""

from __future__ import annotations

import asyncio
from typing import cast

from uvicorn.protocols.http.h11_impl import H11Protocol

#: The listening socket, the database's connections, pipes to workers, log and font files.
_FILES_BESIDE_CONNECTIONS = 200
_MOST_CONNECTIONS = 8_000
#: For so long a connection stays open between two requests: longer than stores' programs and proxies (60 s as
#: they come) keep theirs. Where both close at the same moment, a request is lost on its way.
PAUSE_SECONDS = 75


class TimedConnection(H11Protocol):
    """uvicorn's HTTP/1.1 connection with deadlines. The body's deadline is `service.arrivals.admission`'s."""

    #: A request's head must be whole so soon after the connection was made, or after it began.
    head_seconds = 10.0
    #: Whoever takes nothing of an answer for so long is no longer listening.
    stalled_seconds = 30.0
    most_connections = 800

    _timer: asyncio.TimerHandle | None = None
    _stalled: asyncio.TimerHandle | None = None
    _unsent = 0
    #: Since when no request has been under way; None while one is.
    idle_since: float | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        super().connection_made(transport)
        self._be_idle()
        if len(self.connections) > self.most_connections:
            self._make_room()

    def data_received(self, data: bytes) -> None:
        super().data_received(data)
        if self._is_answering():
            self._cancel()
        elif self._timer is None:  # the first of a further request
            self._be_idle()

    def on_response_complete(self) -> None:
        super().on_response_complete()
        if not self._is_answering():
            self._rest()

    def connection_lost(self, exc: Exception | None) -> None:
        self._cancel()
        self.resume_writing()
        super().connection_lost(exc)

    def pause_writing(self) -> None:
        super().pause_writing()
        self._unsent = self.transport.get_write_buffer_size()
        self._stalled = self.loop.call_later(self.stalled_seconds, self._look_whether_it_reads)

    def resume_writing(self) -> None:
        super().resume_writing()
        if self._stalled is not None:
            self._stalled.cancel()
            self._stalled = None

    def _is_answering(self) -> bool:
        return self.cycle is not None and not self.cycle.response_complete

    def _be_idle(self) -> None:
        self._cancel()
        self.idle_since = self.loop.time()
        self._unsent = self.transport.get_write_buffer_size()
        self._timer = self.loop.call_later(self.head_seconds, self._end_unless_it_reads)

    def _rest(self) -> None:
        """Where all of the answer is taken, and nothing of a further head is there, uvicorn's pause between
        requests runs; until then there is a deadline."""
        self._be_idle()
        if not self._unsent and not self.conn.trailing_data[0]:
            self._stop_timer()

    def _cancel(self) -> None:
        self.idle_since = None
        self._stop_timer()

    def _stop_timer(self) -> None:
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None

    def _end_unless_it_reads(self) -> None:
        """The head is late; but a slow line may still be at work on the last answer."""
        if self.transport.get_write_buffer_size() < self._unsent:
            self._rest()
        else:
            self.transport.abort()

    def _look_whether_it_reads(self) -> None:
        if self._takes_more():
            self._stalled = self.loop.call_later(self.stalled_seconds, self._look_whether_it_reads)
        else:
            self.transport.abort()

    def _takes_more(self) -> bool:
        """Whether the other side took something of what waits to be sent since the last look."""
        before, self._unsent = self._unsent, self.transport.get_write_buffer_size()
        return 0 < self._unsent < before

    def _make_room(self) -> None:
        idle = [
            connection
            for connection in (cast(TimedConnection, each) for each in self.connections)
            if connection.idle_since is not None
        ]
        min(idle, key=lambda each: each.idle_since or 0.0).transport.abort()


def raise_open_files() -> int:
    """Let this process have as many open files as the system grants it; gives how many connections that is
    enough for."""
    try:
        import resource
    except ImportError:  # no such limit on this system
        return _MOST_CONNECTIONS
    _, granted = resource.getrlimit(resource.RLIMIT_NOFILE)
    wanted = _MOST_CONNECTIONS + _FILES_BESIDE_CONNECTIONS
    files = wanted if granted == resource.RLIM_INFINITY else min(granted, wanted)
    resource.setrlimit(resource.RLIMIT_NOFILE, (files, granted))
    return max(files - _FILES_BESIDE_CONNECTIONS, files // 2)
