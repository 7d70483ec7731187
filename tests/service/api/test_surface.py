"""The whole HTTP surface: who may do what."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from service.records.db import Database
from tests.clocks import SetClock
from tests.counter import Counter, an_open_counter

STORE, DESK, BENCH, OWNER = "store", "desk", "bench", "owner"
EVERYBODY, HOUSE = {STORE, DESK, BENCH, OWNER}, {DESK, BENCH, OWNER}
INTAKE, AT_DESK, AT_BENCH = {STORE, DESK, OWNER}, {DESK, OWNER}, {BENCH, OWNER}

#: What the shop decided of each route of intake; a route that is not here must say so in its own tests.
MATRIX: dict[tuple[str, str], set[str]] = {
    ("post", "/v1/checks"): INTAKE,
    ("post", "/v1/orders"): INTAKE,
    ("get", "/v1/orders"): EVERYBODY,
    ("get", "/v1/orders/{identity}"): EVERYBODY,
    ("patch", "/v1/orders/{identity}/lines/{line_ref}"): INTAKE,
    ("post", "/v1/orders/{identity}/approve"): AT_DESK,
    ("post", "/v1/orders/{identity}/cancel"): INTAKE,
    ("post", "/v1/orders/{identity}/priority"): AT_DESK,
    ("get", "/v1/orders/{identity}/proof.{kind}"): EVERYBODY,
    ("get", "/v1/jobs"): EVERYBODY,
    ("get", "/v1/jobs/{identity}"): EVERYBODY,
    ("get", "/v1/stock"): HOUSE,
    ("put", "/v1/stock"): AT_DESK,
    ("get", "/v1/catalogue"): EVERYBODY,
    ("post", "/v1/lots"): {OWNER},
    ("get", "/v1/lots"): HOUSE,
    ("post", "/v1/lots/{identity}/hand-over"): AT_BENCH,
    ("post", "/v1/lots/{identity}/cancel"): {OWNER},
    ("post", "/v1/calibrations"): AT_BENCH,
    ("get", "/v1/calibrations"): HOUSE,
    ("get", "/v1/calibrations/{identity}"): HOUSE,
    ("post", "/v1/test-cards"): {OWNER},
    ("get", "/v1/test-cards"): HOUSE,
    ("get", "/v1/processes/{process}/test-card.{kind}"): AT_BENCH,
    ("post", "/v1/callbacks"): {STORE, OWNER},
    ("post", "/v1/callbacks/{callback}/rotate-secret"): {STORE, OWNER},
    ("get", "/v1/plan"): HOUSE,
    ("get", "/v1/plan/timeline.svg"): HOUSE,
    ("get", "/v1/plan/loads/{number}/picture.svg"): HOUSE,
    ("get", "/v1/backlog"): HOUSE,
    ("get", "/v1/backlog.svg"): HOUSE,
    ("get", "/v1/build-list"): HOUSE,
    ("get", "/v1/build-list.csv"): HOUSE,
}


@pytest.fixture
def counter(sqlite_database: Database, clock: SetClock, tmp_path: Path) -> Iterator[Counter]:
    with an_open_counter(sqlite_database, clock, tmp_path) as opened:
        yield opened


@pytest.mark.parametrize("route", sorted(MATRIX), ids=" ".join)
def test_each_role_may_do_what_the_table_says_and_nothing_else(
    counter: Counter, route: tuple[str, str]
) -> None:
    method, path = route
    address = (
        path.replace("{identity}", "X1")
        .replace("{line_ref}", "1")
        .replace("{kind}", "svg")
        .replace("{process}", "P1")
        .replace("{callback}", "CB9")
        .replace("{number}", "1")
    )
    body = None if method == "get" else {}

    allowed = {role for role in EVERYBODY if counter.ask(role, method, address, body).status_code != 403}

    assert allowed == MATRIX[route]


def test_the_table_names_only_routes_that_exist(counter: Counter) -> None:
    described = counter.ask("owner", "GET", "/openapi.json").json()["paths"]

    assert all(method in described[path] for method, path in MATRIX)
