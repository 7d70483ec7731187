"""The service's own threads: they do beside the requests what production leaves to workers.

With a broker only the relay runs here (it hands hints to the broker instead of doing the work).
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from functools import partial

import structlog

from service.running import relay, tasks
from service.running.relay import Publish
from service.shop.tools import Tools

_POLL_SECONDS = 0.25
#: For so long after its start a process does nothing but answer: what piled up while none ran would be done
#: before the first answers.
FIRST_ANSWERS_SECONDS = 0.5
_FOLLOW_SECONDS = 0.75
_INLINE_BATCH = 5
_STOP_SECONDS = 15.0

log = structlog.get_logger(__name__)


class Runner:
    """Threads from `start` to `stop`; `wake` makes them look at once."""

    def __init__(self, tools: Tools, *, publish: Publish | None = None) -> None:
        """`publish` sends hints to a broker; left out, the tasks run here."""
        self._tools = tools
        self._publish = publish
        self._stop = threading.Event()
        self._threads: list[threading.Thread] = []

    def start(self) -> None:
        loops: list[tuple[str, Callable[[], object]]] = [("relay", self._relay), ("shop", self._follow)]
        if not self._publish:
            loops += [(lane, partial(tasks.run_periodic, self._tools, lanes=(lane,))) for lane in tasks.LANES]
        for name, work in loops:
            thread = threading.Thread(
                target=self._loop, args=(name, work), name=f"ricasso-{name}", daemon=True
            )
            thread.start()
            self._threads.append(thread)

    def stop(self) -> None:
        """Let threads finish what they are at, within one time. What is not done stays in the outbox."""
        self._stop.set()
        ends = time.monotonic() + _STOP_SECONDS
        for thread in self._threads:
            thread.join(max(ends - time.monotonic(), 0.0))
        self._threads.clear()

    def _loop(self, name: str, work: Callable[[], object]) -> None:
        pause = FIRST_ANSWERS_SECONDS
        while not self._stop.wait(pause):
            pause = _POLL_SECONDS
            try:
                work()
            except Exception:
                # A thread that died would leave orders lying without a word; the next turn tries again.
                log.exception("runner_failed", loop=name)

    def _follow(self) -> None:
        """Take up another description of the shop within a second of its being put in force."""
        if not self._stop.wait(_FOLLOW_SECONDS - _POLL_SECONDS):
            self._tools.follow()

    def _relay(self) -> None:
        if self._publish:
            relay.send_due(self._tools.database, self._publish, clock=self._tools.clock)
            return
        relay.send_due(
            self._tools.database,
            lambda hint: tasks.run(self._tools, hint.id),
            clock=self._tools.clock,
            batch=_INLINE_BATCH,
        )
