"""Bad input gets a clear problem (RFC 9457) with a stable code and the offending field, and loses nothing."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import func, select

from service.records.db import Database
from service.records.tables import Order
from service.records.who import SWEEP
from service.requests import keys
from tests.clocks import SetClock
from tests.counter import Counter, a_key, a_line, an_inscription, an_open_counter, an_order

CANARY = "Rosamunde-Wintergreen"


@pytest.fixture
def counter(sqlite_database: Database, clock: SetClock, tmp_path: Path) -> Iterator[Counter]:
    with an_open_counter(sqlite_database, clock, tmp_path) as opened:
        yield opened


def _raw(counter: Counter, content: bytes, **headers: str) -> Any:
    named = {
        "Authorization": f"Bearer {counter.keys['store']}",
        "Idempotency-Key": a_key(),
        "Content-Type": "application/json",
        **headers,
    }
    return counter.client.post("/v1/orders", content=content, headers=named)


def _is_problem(answer: Any, status: int, code: str) -> None:
    assert answer.status_code == status, answer.text
    assert answer.headers["Content-Type"] == "application/problem+json"
    body = answer.json()
    assert (body["status"], body["code"]) == (status, code)
    assert {"type", "title", "detail"} <= body.keys()


def test_malformed_json_says_so(counter: Counter) -> None:
    _is_problem(_raw(counter, b'{"order_ref": '), 400, "malformed_json")


def test_bytes_that_are_no_utf_8_are_refused_without_a_fault(counter: Counter) -> None:
    answer = _raw(counter, b'{"order_ref": "\xff\xfe"}')

    assert answer.status_code in {400, 422}
    assert answer.headers["Content-Type"] == "application/problem+json"


def test_very_deep_json_is_refused_without_a_fault(counter: Counter) -> None:
    answer = _raw(counter, b"[" * 20_000 + b"]" * 20_000)

    assert answer.status_code in {400, 422}
    assert answer.headers["Content-Type"] == "application/problem+json"


def test_a_number_that_is_none_is_refused(counter: Counter) -> None:
    body = json.dumps(an_order(lines=[a_line(inscriptions=[an_inscription(height_mm=float("nan"))])]))

    answer = _raw(counter, body.encode())

    assert answer.status_code in {400, 422}


def test_an_oversize_body_is_refused(counter: Counter) -> None:
    body = an_order(lines=[a_line(inscriptions=[an_inscription(text="x" * 70_000)])])

    _is_problem(counter.post_order(body), 413, "body_too_large")


def test_an_unknown_field_is_named(counter: Counter) -> None:
    answer = counter.post_order(an_order(colour="blue"))

    _is_problem(answer, 422, "invalid_request")
    assert answer.json()["errors"][0]["field"] == "colour"


def test_a_name_that_stands_twice_is_refused(counter: Counter) -> None:
    body = json.dumps(an_order())

    twice = _raw(counter, (body[:-1] + ', "priority": 1, "priority": 9}').encode())
    inside = _raw(counter, body.replace('"quantity": 1', '"quantity": 1, "quantity": 9').encode())

    _is_problem(twice, 400, "name_twice")
    _is_problem(inside, 400, "name_twice")


@pytest.mark.parametrize("quantity", [0, 100, -1, 2.5, "many", "1", True])
def test_a_quantity_outside_1_to_99_is_refused_by_name(counter: Counter, quantity: Any) -> None:
    answer = counter.post_order(an_order(lines=[a_line(quantity=quantity)]))

    _is_problem(answer, 422, "invalid_request")
    assert answer.json()["errors"][0]["field"] == "lines.0.quantity"


@pytest.mark.parametrize("text", ["\\ud800", "\\u0000", "a\\udfffb"])
def test_what_no_database_can_hold_is_refused_by_field(counter: Counter, text: str) -> None:
    body = json.dumps(an_order(lines=[a_line(inscriptions=[an_inscription(text="@@")])])).replace("@@", text)

    answer = _raw(counter, body.encode())

    _is_problem(answer, 422, "invalid_request")
    assert answer.json()["errors"][0]["field"].endswith("text")


def test_an_oversize_text_is_refused_by_field(counter: Counter) -> None:
    answer = counter.post_order(an_order(lines=[a_line(inscriptions=[an_inscription(text="x" * 1001)])]))

    _is_problem(answer, 422, "invalid_request")


def test_a_ship_by_without_a_zone_is_refused(counter: Counter) -> None:
    answer = counter.post_order(an_order(ship_by="2026-12-01T12:00:00"))

    _is_problem(answer, 422, "invalid_request")


@pytest.mark.parametrize(
    "moment", ["9999-12-31T23:59:59-12:00", "2206-12-01T12:00:00Z", "0001-01-01T00:00:00+12:00"]
)
def test_a_moment_that_no_shop_means_is_refused_by_field(counter: Counter, moment: str) -> None:
    order = counter.post_order(an_order(ship_by=moment))
    lot = counter.ask("owner", "POST", "/v1/lots", {"due": moment}, Idempotency_Key=a_key())
    down = {"station_down": {"station": "north", "until": moment}}
    question = counter.ask("desk", "POST", "/v1/what-if", down)

    for answer, field in ((order, "ship_by"), (lot, "due"), (question, "station_down.until")):
        _is_problem(answer, 422, "invalid_request")
        said = {error["field"]: error["message"] for error in answer.json()["errors"]}
        assert "2000 to 2199" in said[field]


def test_two_lines_with_one_reference_are_refused(counter: Counter) -> None:
    _is_problem(counter.post_order(an_order(lines=[a_line(), a_line()])), 422, "bad_request")


def test_an_order_without_an_idempotency_key_is_refused(counter: Counter) -> None:
    answer = counter.ask("store", "POST", "/v1/orders", an_order())

    _is_problem(answer, 400, "idempotency_key_missing")


@pytest.mark.parametrize("key", ["short", "has space in it", "x" * 256])
def test_a_malformed_idempotency_key_is_refused(counter: Counter, key: str) -> None:
    _is_problem(counter.post_order(an_order(), key=key), 400, "idempotency_key_malformed")


def test_a_refused_request_may_be_corrected_under_the_same_key(counter: Counter) -> None:
    key, body = a_key(), an_order(if_unengravable="refuse", lines=[a_line(sku="AQ-NO-SUCH")])
    assert counter.post_order(body, key=key).status_code == 422

    assert counter.post_order(an_order(), key=key).status_code == 201


@pytest.mark.parametrize("cursor", ["AAAAAAAA", "not a cursor", "MTIuYWJjZGVmZ2hpamtsbW5v"])
def test_a_made_up_cursor_is_refused(counter: Counter, cursor: str) -> None:
    answer = counter.ask("desk", "GET", f"/v1/orders?cursor={cursor}")

    _is_problem(answer, 400, "bad_cursor")


def test_unknown_addresses_and_methods_are_problems_too(counter: Counter) -> None:
    _is_problem(counter.ask("desk", "GET", "/v1/nothing"), 404, "not_found")
    _is_problem(counter.ask("desk", "DELETE", "/v1/orders"), 405, "method_not_allowed")
    _is_problem(counter.ask("desk", "GET", "/v1/orders/O999999"), 404, "not_found")
    _is_problem(counter.ask("desk", "GET", "/v1/orders/J1"), 404, "not_found")
    _is_problem(counter.ask("desk", "GET", "/v1/jobs/Jx"), 404, "not_found")


def test_only_health_is_open_and_every_other_route_wants_a_key(counter: Counter) -> None:
    spec = counter.ask("owner", "GET", "/openapi.json").json()
    open_paths = {"/healthz", "/readyz"}

    for path, methods in spec["paths"].items():
        for method in methods:
            answer = counter.client.request(method.upper(), path.replace("{", "").replace("}", ""))
            wanted = 200 if path in open_paths else 401
            assert answer.status_code == wanted, (method, path)


@pytest.mark.parametrize("key", ["", "nonsense", "rcs_owner_aaaaaaaa_" + "b" * 47])
def test_a_wrong_key_is_401_and_says_nothing_else(counter: Counter, key: str) -> None:
    answer = counter.client.get("/v1/orders", headers={"Authorization": f"Bearer {key}"})

    assert answer.status_code == 401
    assert answer.headers["WWW-Authenticate"] == "Bearer"


def test_a_key_taken_out_of_use_is_401(counter: Counter) -> None:
    key = counter.keys["bench"]
    counter.tools.database.write(
        lambda session: keys.revoke(session, key.split("_")[2], now=counter.tools.clock(), who=SWEEP)
    )

    answer = counter.ask("bench", "GET", "/v1/orders")

    _is_problem(answer, 401, "key_unknown")


def test_a_key_with_one_letter_changed_is_401(counter: Counter) -> None:
    key = counter.keys["desk"]
    wrong = key[:30] + ("x" if key[30] != "x" else "y") + key[31:]

    answer = counter.client.get("/v1/orders", headers={"Authorization": f"Bearer {wrong}"})

    assert answer.status_code == 401


@pytest.mark.parametrize(
    ("role", "method", "path"),
    [
        ("bench", "POST", "/v1/orders"),
        ("bench", "POST", "/v1/checks"),
        ("store", "PUT", "/v1/stock"),
        ("store", "GET", "/v1/stock"),
        ("bench", "PUT", "/v1/stock"),
        ("store", "GET", "/metrics"),
        ("store", "POST", "/v1/orders/O1/approve"),
    ],
)
def test_a_wrong_role_is_refused_whatever_the_body(
    counter: Counter, role: str, method: str, path: str
) -> None:
    answer = counter.ask(role, method, path, {"sku": "x"}, Idempotency_Key=a_key())

    _is_problem(answer, 403, "role_not_allowed")


def test_a_customer_s_words_are_in_no_problem_and_no_log(
    counter: Counter, capsys: pytest.CaptureFixture[str]
) -> None:
    words = an_inscription(text=CANARY + "\u200b")
    answers = [
        counter.post_order(an_order(if_unengravable="refuse", lines=[a_line(inscriptions=[words])])),
        counter.post_order(an_order(lines=[a_line(inscriptions=[{**words, "height_mm": "tall"}])])),
        counter.post_order(an_order(lines=[a_line(inscriptions=[{**words, CANARY[:5]: 1}])])),
        counter.post_order(an_order(lines=[a_line(inscriptions=[words])])),
    ]

    printed = capsys.readouterr()

    assert [answer.status_code for answer in answers] == [422, 422, 422, 201]
    assert all(CANARY not in answer.text for answer in answers[1:3])
    assert CANARY not in json.dumps(_without_suggestions(answers[0].json()))
    assert CANARY not in printed.out + printed.err


def _without_suggestions(value: Any) -> Any:
    """Suggestions are inscriptions for the one who asked: they are the caller's words put right."""
    if isinstance(value, dict):
        return {name: _without_suggestions(v) for name, v in value.items() if name != "suggestions"}
    return [_without_suggestions(v) for v in value] if isinstance(value, list) else value


def test_a_fault_is_answered_and_logged_without_a_customer_s_words(
    counter: Counter, capsys: pytest.CaptureFixture[str]
) -> None:
    def broken(*_: Any, **__: Any) -> Any:
        raise ValueError(f"can't handle {CANARY}")

    counter.tools.geometry.proof = broken  # type: ignore[method-assign]
    answer = counter.ask(
        "store", "POST", "/v1/checks", {"sku": "AQ-HORI-18", "inscriptions": [an_inscription(text=CANARY)]}
    )
    printed = capsys.readouterr()

    _is_problem(answer, 500, "internal_error")
    assert answer.headers["X-Content-Type-Options"] == "nosniff"
    assert "ValueError" in printed.out + printed.err
    assert CANARY not in answer.text + printed.out + printed.err


@pytest.mark.parametrize("place", ["reason", "bin"])
@pytest.mark.parametrize("text", ["\\u0000", "\\ud800"])
def test_what_no_database_can_hold_is_refused_outside_orders_too(
    counter: Counter, place: str, text: str
) -> None:
    path = counter.post_order(an_order()).headers["Location"]
    bodies = {
        "reason": ("POST", f"{path}/cancel", '{"reason": "@@"}'),
        "bin": (
            "PUT",
            "/v1/stock",
            '{"counts": [{"bin": "@@", "sku": "x", "boxed": 1, "walking_order": 1}]}',
        ),
    }
    method, address, body = bodies[place]

    answer = counter.client.request(
        method,
        address,
        content=body.replace("@@", text).encode(),
        headers={
            "Authorization": f"Bearer {counter.keys['desk']}",
            "If-Match": "*",
            "Content-Type": "application/json",
        },
    )

    _is_problem(answer, 422, "invalid_request")
    assert answer.json()["errors"][0]["field"].endswith(place)


def test_a_body_in_pieces_that_grows_too_large_is_refused(counter: Counter) -> None:
    def pieces() -> Iterator[bytes]:
        yield from [b" " * 10_000] * 8

    answer = counter.client.post(
        "/v1/orders",
        content=pieces(),
        headers={"Authorization": f"Bearer {counter.keys['store']}", "Content-Type": "application/json"},
    )

    _is_problem(answer, 413, "body_too_large")


def test_the_kind_that_was_written_is_not_repeated(counter: Counter) -> None:
    answer = counter.post_order(an_order(lines=[a_line(inscriptions=[an_inscription(kind=CANARY)])]))

    _is_problem(answer, 422, "invalid_request")
    assert CANARY not in answer.text


def test_a_busy_database_is_503_and_changes_nothing(
    counter: Counter, monkeypatch: pytest.MonkeyPatch
) -> None:
    from service.records.errors import DatabaseBusy

    def busy(*_: Any) -> Any:
        raise DatabaseBusy("busy")

    body, key = an_order(), a_key()
    with monkeypatch.context() as patch:
        patch.setattr(counter.tools.database, "write", busy)
        patch.setattr(counter.tools.database, "write_singly", busy)
        answer = counter.post_order(body, key=key)

    _is_problem(answer, 503, "database_busy")
    assert answer.headers["Retry-After"] == "1"
    assert counter.post_order(body, key=key).status_code == 201
    with counter.tools.database.reading() as session:
        assert session.scalar(select(func.count()).select_from(Order)) == 1


def test_orders_are_taken_while_the_broker_is_down(
    sqlite_database: Database, clock: SetClock, tmp_path: Path
) -> None:
    dead = "redis://127.0.0.1:1/0"
    with an_open_counter(sqlite_database, clock, tmp_path, broker_url=dead) as counter:
        assert counter.post_order(an_order()).status_code == 201


def test_answers_carry_headers_that_let_nothing_run(counter: Counter) -> None:
    answer = counter.client.get("/healthz")

    assert answer.headers["X-Content-Type-Options"] == "nosniff"
    assert "default-src 'none'" in answer.headers["Content-Security-Policy"]
    assert answer.headers["X-Request-ID"]
