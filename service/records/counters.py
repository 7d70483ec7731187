"""What this process has done since its start, for `/metrics`: counters and histograms.

What the tables know is read from them instead (`service.records.gauges`). With several processes each is
asked by itself; who collects adds them up. Labels are routes, verdicts and states of ours, never a client or
a word of a customer.
"""

from __future__ import annotations

from prometheus_client import CollectorRegistry, Counter, Histogram

COUNTED = CollectorRegistry()

REQUEST_SECONDS = Histogram(
    "ricasso_http_request_seconds",
    "Requests answered",
    ["method", "route", "status"],
    buckets=(0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1.0, 2.5, 5.0, 10.0, 30.0),
    registry=COUNTED,
)
CHECK_SECONDS = Histogram(
    "ricasso_check_seconds",
    "Checks of one unit, waiting for a worker included",
    ["verdict"],
    buckets=(0.005, 0.01, 0.025, 0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0),
    registry=COUNTED,
)
CHECKS_TURNED_AWAY = Counter(
    "ricasso_checks_turned_away", "Checks without a verdict", ["why"], registry=COUNTED
)
TURNS_STARTED = Counter("ricasso_turns_started", "Turns started on a laser", ["station"], registry=COUNTED)
LOG_LINES_LOST = Counter("ricasso_log_lines_lost", "Lines of log that could not be written", registry=COUNTED)
SHOPS_NOT_TAKEN_UP = Counter(
    "ricasso_shops_not_taken_up",
    "Descriptions of the shop that were put in force and that this process can't use",
    registry=COUNTED,
)
CALLBACK_ATTEMPTS = Counter("ricasso_callback_attempts", "Callbacks sent", ["outcome"], registry=COUNTED)
