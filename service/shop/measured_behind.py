"""The letters of all fonts, measured behind a running service: by a process of its own, on all cores, at the
lowest priority, so that whatever is asked of the service goes first.

It waits until the service has settled, works out from which height each font can be burned, then fills the
tables (`service.shop.font_tables`). What is measured when the service stops is kept, and the next start goes
on from there: with what is left, or with a font that is new in the shop's description.
"""

from __future__ import annotations

import os
import signal
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from multiprocessing import get_context
from multiprocessing.context import SpawnProcess
from pathlib import Path

from service.shop.worker_pool import end_with_parent

#: A service that has just started has more urgent things to do.
SETTLED_SECONDS = 20.0
#: What `nice` takes off.
LOWEST_PRIORITY = 19


@contextmanager
def measuring_behind(
    source: Path, tables: Path, *, after_s: float = SETTLED_SECONDS, niceness: int = LOWEST_PRIORITY
) -> Iterator[Callable[[Path], None]]:
    """Measure behind whatever is done meanwhile, beginning `after_s` seconds from now. What it gives begins
    anew with another description of the shop; `source` is a folder, or a file that `catalogue.keep` wrote."""
    behind = _Behind(tables, after_s, niceness)
    behind.begin(source)
    try:
        yield behind.begin
    finally:
        behind.end()


class _Behind:
    """The process that measures, begun after a while and again."""

    def __init__(self, tables: Path, after_s: float, niceness: int) -> None:
        self._tables, self._after_s, self._niceness = tables, after_s, niceness
        self._process: SpawnProcess | None = None
        self._timer: threading.Timer | None = None

    def begin(self, source: Path) -> None:
        self.end()
        self._process = get_context("spawn").Process(
            target=_measure, args=(source, self._tables, self._niceness), name="ricasso-fonts"
        )
        self._timer = threading.Timer(self._after_s, self._process.start)
        self._timer.daemon = True
        self._timer.start()

    def end(self) -> None:
        if self._timer is not None:
            self._timer.cancel()
            self._timer.join()
        if self._process is not None and self._process.pid is not None:
            self._process.terminate()
            self._process.join()


def _measure(source: Path, tables: Path, niceness: int) -> None:
    os.nice(niceness)
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is the service's, which then ends this process
    end_with_parent()
    from service.shop import catalogue
    from service.shop.font_tables import measure_all, measuring_alone
    from service.shop.smallest_sizes import work_out_missing

    shop = catalogue.load(source, is_judged=True)
    with measuring_alone(tables):
        work_out_missing(shop, tables)
        measure_all(shop.fonts, tables, processes=os.cpu_count() or 1, progress=lambda *_: None)
