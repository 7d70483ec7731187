"""What `service/guides/security.md` says, looked at on every operation; and that each test it names is there.

Reference: OWASP API Security Top 10, 2023 (https://owasp.org/API-Security/editions/2023/en/0x11-t10/; its
titles and order from memory and from notes taken of it).
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from fastapi.routing import APIRoute

from service.app import description
from service.pages.guides import FOLDER
from service.records.db import Database
from service.records.ids import JOB, ORDER
from service.records.who import SWEEP, Role
from service.requests import keys
from service.rooms import API, PAGES
from service.shop import rates
from tests.benches import all_rows
from tests.clocks import SetClock
from tests.contracts import operations
from tests.counter import Counter, a_key, an_open_counter, an_order

ROOT = Path(__file__).parents[3]
GUIDE = (FOLDER / "security.md").read_text(encoding="utf-8")
#: Asked by machines that know no key.
OPEN = {"/healthz", "/readyz"}
RISKS = [
    "Broken object level authorization",
    "Broken authentication",
    "Broken object property level authorization",
    "Unrestricted resource consumption",
    "Broken function level authorization",
    "Unrestricted access to sensitive business flows",
    "Server side request forgery",
    "Security misconfiguration",
    "Improper inventory management",
    "Unsafe consumption of APIs",
]


@pytest.fixture
def counter(sqlite_database: Database, clock: SetClock, tmp_path: Path) -> Iterator[Counter]:
    with an_open_counter(sqlite_database, clock, tmp_path) as opened:
        yield opened


def addresses(identity: str = "1") -> list[tuple[str, str, dict[str, Any]]]:
    """Method, address and description of every operation that wants a key; ids are those numbers."""
    filled = []
    for method, path, operation in operations():
        if path in OPEN or path == "/v1/events":
            continue
        prefix = {"orders": ORDER, "jobs": JOB}.get(path.split("/")[2] if path.count("/") > 2 else "", "L")
        named = path.replace("{identity}", f"{prefix}{identity}").replace("{callback}", f"CB{identity}")
        filled.append((method, re.sub(r"{\w+}", "1", named.replace("{kind}", "svg")), operation))
    return filled


# --- the page ---


def test_the_page_has_a_section_for_each_risk_in_order() -> None:
    assert re.findall(r"^## \d+\. (.+)$", GUIDE, flags=re.MULTILINE) == RISKS


def test_every_section_names_tests_and_each_is_there() -> None:
    sections = re.split(r"^## \d+\. ", GUIDE, flags=re.MULTILINE)[1:]
    named = {
        section.splitlines()[0]: re.findall(r"`(tests/[\w/]+\.py)::(\w+)`", section) for section in sections
    }

    assert {risk for risk, tests in named.items() if not tests} == set()
    missing = [
        f"{file}::{name}"
        for tests in named.values()
        for file, name in tests
        if not (ROOT / file).is_file() or f"def {name}(" not in (ROOT / file).read_text(encoding="utf-8")
    ]
    assert missing == []


# --- every operation ---


def test_another_store_s_things_are_not_there_and_stay_as_they_are(counter: Counter) -> None:
    address = {"url": "https://receiver.example/told"}
    assert counter.post_order(an_order(proof="buyer")).status_code == 201
    counter.ask("store", "POST", "/v1/callbacks", address, Idempotency_Key=a_key())
    for_stores = [
        (method, path)
        for method, path, operation in addresses()
        if {"store"} <= {role for one in operation["security"] for role in one["key"]} and "1" in path[4:]
    ]
    before = all_rows(counter.tools.database)

    answers = {
        (method, path): counter.ask(
            "other_store", method, path, _body(path), If_Match="*", Idempotency_Key=a_key()
        ).status_code
        for method, path in for_stores
    }

    assert len(answers) >= 12
    assert set(answers.values()) == {404}, answers
    assert all_rows(counter.tools.database) == before
    listed = [counter.ask("other_store", "GET", path).json() for path in ("/v1/orders", "/v1/jobs")]
    assert listed == [{"orders": []}, {"jobs": []}]
    # The same requests are no empty ones: of its own things a store is told.
    assert counter.ask("store", "GET", "/v1/orders/O1").status_code == 200


def _body(path: str) -> dict[str, Any] | None:
    """A body that the address takes."""
    inscription = {"zone": "ricasso", "text": "Ada", "font": "lato-bold"}
    if path.endswith("/remakes"):
        return {"line_ref": "1", "reason": "damaged", "pays": "shop"}
    return {"inscriptions": [inscription]} if "/lines/" in path else {}


def test_no_operation_lets_in_a_key_that_is_wrong_or_over(
    sqlite_database: Database, clock: SetClock, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(rates, "_WRONG_KEYS_A_MINUTE", 10_000)  # whoever guesses so often is stopped sooner
    with an_open_counter(sqlite_database, clock, tmp_path) as counter:
        _wrong_keys_open_nothing(counter, clock)


def _wrong_keys_open_nothing(counter: Counter, clock: SetClock) -> None:
    good = counter.keys["owner"]
    now = clock()

    def make(session: Any) -> tuple[str, str]:
        over = keys.new_key(
            session, Role.OWNER, client="a", now=now, who=SWEEP, expires_at=now + timedelta(seconds=1)
        )
        revoked = keys.new_key(session, Role.OWNER, client="b", now=now, who=SWEEP)
        keys.revoke(session, revoked.split("_")[2], now=now, who=SWEEP)
        return over, revoked

    over, revoked = counter.tools.database.write(make)
    clock.advance(seconds=2)
    wrong = {
        "none": "",
        "cut off": good[:-1],
        "longer": good + "0",
        "mistyped": good[:30] + ("x" if good[30] != "x" else "y") + good[31:],
        "of another role": counter.keys["store"].replace("_store_", "_owner_"),
        "over": over,
        "revoked": revoked,
    }
    let_in = [
        (name, method, path)
        for name, key in wrong.items()
        for method, path, _ in addresses()
        if counter.client.request(method, path, headers={"Authorization": f"Bearer {key}"}).status_code != 401
    ]

    assert let_in == []


def test_every_operation_lets_in_the_roles_that_it_names_and_no_others(counter: Counter) -> None:
    wrong = [
        (role.value, method, path)
        for method, path, operation in addresses()
        for role in Role
        if (role.value in {name for one in operation["security"] for name in one["key"]})
        == (counter.ask(role, method, path, {}).status_code == 403)
    ]

    assert wrong == []


def test_no_body_takes_a_field_that_is_not_its_own() -> None:
    schemas = description()["components"]["schemas"]
    bodies = {
        content["schema"]["$ref"].rpartition("/")[2]
        for _, _, operation in operations()
        for content in operation.get("requestBody", {}).get("content", {}).values()
        if "$ref" in content["schema"]
    }

    def below(name: str, seen: set[str]) -> set[str]:
        if name not in seen:
            seen.add(name)
            for inner in re.findall(r"#/components/schemas/(\w+)", str(schemas[name])):
                below(inner, seen)
        return seen

    taken = {inner for body in bodies for inner in below(body, set())}
    objects = {name for name in taken if schemas[name].get("type") == "object"}

    assert len(objects) > 20
    assert {name for name in objects if schemas[name].get("additionalProperties") is not False} == set()


def test_no_answer_holds_a_secret_but_the_one_that_makes_it() -> None:
    schemas = description()["components"]["schemas"]

    secrets = {"secret", "key", "secret_sha256"}
    holding = {name for name, schema in schemas.items() if secrets & set(schema.get("properties", {}))}

    assert holding == {"CallbackAndSecretAnswer"}


def test_no_other_site_may_read_an_answer_and_nothing_in_it_may_run(counter: Counter) -> None:
    site = {"Origin": "https://elsewhere.example"}
    asks_first = {**site, "Access-Control-Request-Method": "GET"}
    for method, path, _ in addresses():
        headers = {**site, "Authorization": f"Bearer {counter.keys['owner']}"}
        answer = counter.client.request(method, path, headers=headers)
        first = counter.client.options(path, headers=asks_first)

        told = {name for name in (*answer.headers, *first.headers) if name.startswith("access-control")}
        assert told == set(), path
        assert first.status_code >= 400 or path.startswith("/v1/previews"), path
        assert answer.headers["X-Content-Type-Options"] == "nosniff"
        assert "default-src 'none'" in answer.headers["Content-Security-Policy"]
        assert answer.headers["Cache-Control"] == "no-store", path
        assert "server" not in answer.headers


def test_every_address_for_programs_is_described() -> None:
    served = {
        (method, route.path)
        for room in (*API, *PAGES)
        for route in room.router.routes
        if isinstance(route, APIRoute) and route.path.startswith(("/v1/", "/healthz", "/readyz", "/metrics"))
        for method in route.methods
        if method != "OPTIONS"  # what browsers ask beforehand (`service.arrivals.origins`)
    }

    assert served == {(method, path) for method, path, _ in operations()}
