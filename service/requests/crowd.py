"""How much one process answers at once: requests altogether, event streams altogether and of one key."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager

from service.records.errors import ServiceBusy, TooManyStreams


class Crowd:
    """Counts of what is being answered. Used from the event loop alone, so nothing is locked."""

    def __init__(
        self, *, most_requests: int = 200, most_streams: int = 400, most_streams_of_one: int = 32
    ) -> None:
        """`most_streams_of_one`: of one key, which may be a whole bench room's."""
        self._most_requests, self._requests = most_requests, 0
        self._most_streams, self._most_of_one = most_streams, most_streams_of_one
        self._streams: Counter[str] = Counter()

    def enter(self) -> None:
        """Count a request in. Raises ServiceBusy."""
        if self._requests >= self._most_requests:
            raise ServiceBusy("too much is asked at once; nothing was changed, try again")
        self._requests += 1

    def leave(self) -> None:
        """Count a request out that was let in."""
        self._requests -= 1

    @contextmanager
    def stream(self, key_id: str) -> Iterator[None]:
        """A place for one event stream of a key. Raises TooManyStreams, ServiceBusy."""
        if self._streams[key_id] >= self._most_of_one:
            raise TooManyStreams(
                f"this key listens with {self._most_of_one} streams already; close one of them",
                most=self._most_of_one,
            )
        if self._streams.total() >= self._most_streams:
            raise ServiceBusy("too many are listening; try again later")
        self._streams[key_id] += 1
        try:
            yield
        finally:
            self._streams[key_id] -= 1
            if not self._streams[key_id]:
                del self._streams[key_id]
