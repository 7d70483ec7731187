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
from collections.abc import Iterator
from contextlib import contextmanager
from multiprocessing import get_context
from pathlib import Path

from service.shop.worker_pool import end_with_parent

#: A service that has just started has more urgent things to do.
SETTLED_SECONDS = 20.0
#: What `nice` takes off.
LOWEST_PRIORITY = 19


@contextmanager
def measuring_behind(
    shop_folder: Path, tables: Path, *, after_s: float = SETTLED_SECONDS, niceness: int = LOWEST_PRIORITY
) -> Iterator[None]:
    """Measure behind whatever is done meanwhile, beginning `after_s` seconds from now."""
    process = get_context("spawn").Process(
        target=_measure, args=(shop_folder, tables, niceness), name="ricasso-fonts"
    )
    timer = threading.Timer(after_s, process.start)
    timer.daemon = True
    timer.start()
    try:
        yield
    finally:
        timer.cancel()
        timer.join()
        if process.pid is not None:
            process.terminate()
            process.join()


def _measure(shop_folder: Path, tables: Path, niceness: int) -> None:
    os.nice(niceness)
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is the service's, which then ends this process
    end_with_parent()
    from service.shop import catalogue
    from service.shop.font_tables import measure_all, measuring_alone
    from service.shop.smallest_sizes import missing, work_out

    shop = catalogue.load(shop_folder)
    with measuring_alone(tables):
        for name, recipe in list(missing(shop, tables)):
            work_out(shop.fonts[name], recipe, shop.policy, tables)
        measure_all(shop.fonts, tables, processes=os.cpu_count() or 1, progress=lambda *_: None)
