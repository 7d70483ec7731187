"""The page of metrics: what the tables hold, so that every process reports the same, and what this process
has done (`service.records.counters`).

Names follow https://prometheus.io/docs/practices/naming/; labels hold states only, never an id or a word of a
customer.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Iterable, Mapping

from prometheus_client import CollectorRegistry
from prometheus_client.core import GaugeMetricFamily, InfoMetricFamily, Metric
from prometheus_client.exposition import choose_encoder
from prometheus_client.registry import Collector

from service.records import gauge_rows as gauges
from service.records.clock import Clock
from service.records.counters import COUNTED
from service.records.db import Database
from service.records.gauge_rows import Gauges

_KEEP_SECONDS = 5.0


class Metrics(Collector):
    """Gauges over one database, read at most every five seconds however often they are scraped."""

    def __init__(
        self, database: Database, *, clock: Clock, version: str, keep_seconds: float = _KEEP_SECONDS
    ) -> None:
        self._database = database
        self._clock = clock
        self._version = version
        self._keep_seconds = keep_seconds
        self._lock = threading.Lock()
        self._read_at = float("-inf")
        self._last: Gauges | None = None
        self._registry = CollectorRegistry(auto_describe=False)
        self._registry.register(self)

    def page(self, accept: str = "") -> tuple[bytes, str]:
        """The page that a scraper reads and its media type: OpenMetrics for those who ask for it."""
        encode, media_type = choose_encoder(accept)
        return encode(self._registry), media_type

    def collect(self) -> Iterable[Metric]:
        now = self._read()
        yield _by_state("ricasso_jobs", "Jobs by state", now.jobs)
        yield _by_state("ricasso_loads", "Loads by state", now.loads)
        yield _by_state("ricasso_lots", "Lots by state", now.lots)
        singles: Mapping[str, tuple[str, float]] = {
            "ricasso_doubtful_jobs": (
                "Jobs whose metal a person must look at: alert above 0",
                now.jobs["doubtful"],
            ),
            "ricasso_oldest_ready_seconds": (
                "Age of the job that has waited longest",
                now.oldest_ready_seconds,
            ),
            "ricasso_outbox_pending": ("Tasks asked for and not done", now.outbox_pending),
            "ricasso_outbox_oldest_seconds": (
                "How long the first of them is overdue",
                now.outbox_oldest_seconds,
            ),
            "ricasso_tasks_failed": ("Tasks given up: alert above 0", now.tasks_failed),
            "ricasso_callback_deliveries_pending": ("Deliveries on their way", now.deliveries_pending),
            "ricasso_callback_deliveries_given_up": ("Deliveries given up", now.deliveries_given_up),
            "ricasso_callbacks_disabled": ("Callbacks that nothing is sent to", now.callbacks_disabled),
        }
        for name, (meaning, value) in singles.items():
            yield GaugeMetricFamily(name, meaning, value=value)
        yield from COUNTED.collect()
        yield InfoMetricFamily("ricasso_build", "What is running", value={"version": self._version})

    def _read(self) -> Gauges:
        with self._lock:
            if self._last is None or time.monotonic() - self._read_at >= self._keep_seconds:
                with self._database.reading() as session:
                    self._last = gauges.read(session, now=self._clock())
                self._read_at = time.monotonic()
            return self._last


def _by_state(name: str, meaning: str, counts: Mapping[str, int]) -> GaugeMetricFamily:
    family = GaugeMetricFamily(name, meaning, labels=["state"])
    for state, number in counts.items():
        family.add_metric([state], number)
    return family
