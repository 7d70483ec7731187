"""The description of the HTTP surface is valid, complete, and what the service does.

References: OpenAPI 3.1 (https://spec.openapis.org/oas/v3.1.0) as openapi-spec-validator reads it, JSON
Schema as jsonschema-rs does, RFC 9457 (problems). Besides these tests every answer of `tests/counter.py` and
`tests/benches.py` is held against it (`tests/contracts.py`).
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import jsonschema_rs
import pytest
from openapi_spec_validator import OpenAPIV31SpecValidator

from service.app import description
from service.records.db import Database
from service.records.outgoing import PING, TOLD
from service.requests.refusals import MEANINGS
from tests.clocks import SetClock
from tests.contracts import operations, properties, undescribed, untyped, without_example
from tests.counter import Counter, an_open_counter, an_order
from tests.golden.contract import GOLDEN, written

STORE, DESK, BENCH, OWNER = "store", "desk", "bench", "owner"
EVERYBODY, HOUSE = {STORE, DESK, BENCH, OWNER}, {DESK, BENCH, OWNER}
INTAKE, AT_DESK, AT_BENCH = {STORE, DESK, OWNER}, {DESK, OWNER}, {BENCH, OWNER}

#: What the shop decided of who may do what (that it is so is seen in `test_security.py`); a route that is not
#: here must say so in its own tests.
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
    ("post", "/v1/orders/{identity}/hand-over"): AT_BENCH,
    ("get", "/v1/orders/{identity}/packing-list.pdf"): HOUSE,
    ("get", "/v1/packing"): HOUSE,
    ("post", "/v1/packing/scan"): AT_BENCH,
    ("get", "/v1/jobs"): EVERYBODY,
    ("get", "/v1/jobs/{identity}"): EVERYBODY,
    ("get", "/v1/stock"): HOUSE,
    ("put", "/v1/stock"): AT_DESK,
    ("get", "/v1/stock/changes"): HOUSE,
    ("get", "/v1/stock/in-hand"): HOUSE,
    ("post", "/v1/stock/moves"): HOUSE,
    ("get", "/v1/stock/counts"): HOUSE,
    ("post", "/v1/stock/counts"): HOUSE,
    ("post", "/v1/stock/counts/{identity}/scan"): HOUSE,
    ("post", "/v1/stock/counts/{identity}/counted"): HOUSE,
    ("post", "/v1/stock/counts/{identity}/take"): HOUSE,
    ("post", "/v1/stock/counts/{identity}/drop"): HOUSE,
    ("post", "/v1/work-orders"): {OWNER},
    ("get", "/v1/work-orders"): HOUSE,
    ("get", "/v1/work-orders/{identity}"): HOUSE,
    ("post", "/v1/work-orders/{identity}/cancel"): {OWNER},
    ("get", "/v1/assembly"): HOUSE,
    ("post", "/v1/assembly/scan"): AT_BENCH,
    ("get", "/v1/assembly/failures"): HOUSE,
    ("get", "/v1/built-units/{identity}"): HOUSE,
    ("post", "/v1/built-units/{identity}/pass"): AT_BENCH,
    ("post", "/v1/built-units/{identity}/rework"): AT_BENCH,
    ("post", "/v1/built-units/{identity}/give-up"): AT_BENCH,
    ("post", "/v1/built-units/{identity}/put-in"): AT_BENCH,
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
    ("get", "/v1/build-plan"): HOUSE,
    ("get", "/v1/build-plan.csv"): HOUSE,
    ("get", "/v1/build-plan.pdf"): HOUSE,
    ("get", "/v1/acts"): {OWNER},
}

#: Asked by machines that know no key, and not to be put off by a name too many.
OPEN_TO_ALL = {"/healthz", "/readyz"}


@pytest.fixture
def counter(sqlite_database: Database, clock: SetClock, tmp_path: Path) -> Iterator[Counter]:
    with an_open_counter(sqlite_database, clock, tmp_path) as opened:
        yield opened


def test_it_is_valid() -> None:
    assert list(OpenAPIV31SpecValidator(description()).iter_errors()) == []


def test_it_is_the_one_that_was_agreed() -> None:
    assert written() == GOLDEN.read_text(encoding="utf-8"), "look, then: python -m tests.golden.contract"


def test_it_is_what_is_served(counter: Counter) -> None:
    assert counter.ask("store", "GET", "/openapi.json").json() == description()


def test_nothing_is_left_untyped_undescribed_or_without_an_example() -> None:
    assert (untyped(), undescribed(), without_example()) == ([], [], [])


def test_names_are_short_and_each_is_there_once() -> None:
    names = [operation["operationId"] for _, _, operation in operations()]

    assert len(names) == len(set(names))
    assert max(map(len, names)) <= 26
    # Two schemas of one name would be told apart by their modules, which are nobody's business.
    assert [name for name in description()["components"]["schemas"] if "__" in name] == []


def test_examples_are_valid() -> None:
    components = description()["components"]

    wrong = [
        (name, example)
        for name, described in properties()
        for example in described.get("examples", [])
        if not jsonschema_rs.is_valid(
            {**described, "components": components} if "$ref" in str(described) else described, example
        )
    ]

    assert wrong == []


def test_each_operation_names_the_roles_that_it_lets_in() -> None:
    described = {
        (method.lower(), path): {role for one in operation["security"] for role in one["key"]}
        for method, path, operation in operations()
    }

    assert {route: described[route] for route in MATRIX} == MATRIX
    assert {path for (_, path), roles in described.items() if not roles} == OPEN_TO_ALL


def test_every_event_that_is_told_is_described() -> None:
    webhooks, schemas = description()["webhooks"], description()["components"]["schemas"]

    bodies = {
        name: webhook["post"]["requestBody"]["content"]["application/json"]["schema"]["$ref"]
        for name, webhook in webhooks.items()
    }

    assert set(bodies) == TOLD | {PING}
    assert all("data" in schemas[ref.rpartition("/")[2]]["properties"] for ref in bodies.values())


def test_the_type_of_every_problem_is_a_page(counter: Counter) -> None:
    pages = {code: counter.client.get(f"/problems/{code}") for code in MEANINGS}

    assert {code for code, page in pages.items() if page.status_code != 200 or code not in page.text} == set()
    assert counter.client.get("/problems").text.count("<code>") == len(MEANINGS)
    assert all(MEANINGS.values())
    assert counter.client.get("/problems/nonsense").status_code == 404


def test_names_that_are_not_described_are_refused(counter: Counter) -> None:
    answers = {
        path: counter.client.get(
            path.replace("{number}", "1").replace("{turn}", "1"),
            params={"nonsense": "1"},
            headers={"Authorization": f"Bearer {counter.keys['owner']}"},
        )
        for method, path, _ in operations()
        if method == "GET" and path not in OPEN_TO_ALL
    }

    assert {path for path, answer in answers.items() if answer.status_code != 422} == set()
    assert answers["/v1/orders"].json()["errors"] == [{"field": "query.nonsense", "message": "unknown name"}]


def test_an_order_is_found_by_the_stores_own_reference(counter: Counter) -> None:
    first, second = (counter.post_order(an_order()).json() for _ in range(2))

    def found(ref: str, role: str = "store") -> list[str]:
        listed = counter.ask(role, "GET", f"/v1/orders?order_ref={ref}").json()["orders"]
        return [order["id"] for order in listed]

    assert found(first["order_ref"]) == [first["id"]]
    assert found(second["order_ref"], "desk") == [second["id"]]
    assert found(first["order_ref"], "other_store") == found("W-0") == []
