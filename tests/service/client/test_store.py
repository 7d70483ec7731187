"""The client plays a store's whole story against the service, over a line that drops things; callbacks are
verified by the client and by the reference library (standardwebhooks 1.1.0,
https://github.com/standard-webhooks/standard-webhooks)."""

from __future__ import annotations

import typing
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest
import time_machine
from standardwebhooks.webhooks import Webhook

from service import client
from service.app import description
from service.callbacks.deliveries import send_due
from service.client import NoAnswer, Problem, Store, answers, verified
from service.client.store import Versioned
from service.intake import batches
from service.records.db import Database
from service.records.who import SWEEP, Role
from service.requests import keys
from tests.clocks import SetClock
from tests.counter import Counter, a_line, an_inscription, an_open_counter, an_order
from tests.service.callbacks.test_deliveries import receiving

Happens = Callable[[httpx.Request], httpx.Response | None]


class Line(httpx.BaseTransport):
    """The line to a service in this process. `before` and `after` are what happens on it, in order: None
    lets the request (or its answer) through, an answer takes its place, an exception is raised."""

    def __init__(self, counter: Counter) -> None:
        self.counter = counter
        self.before: list[httpx.Response | Exception | None] = []
        self.after: list[Exception | None] = []
        self.asked: list[httpx.Request] = []

    def handle_request(self, request: httpx.Request) -> httpx.Response:
        self.asked.append(request)
        happens = self.before.pop(0) if self.before else None
        if isinstance(happens, Exception):
            raise happens
        if happens is not None:
            return happens
        answer = self.counter.client.request(
            request.method, str(request.url), content=request.read(), headers=dict(request.headers)
        )
        lost = self.after.pop(0) if self.after else None
        if lost is not None:
            raise lost
        return httpx.Response(answer.status_code, headers=answer.headers, content=answer.content)


@pytest.fixture
def counter(sqlite_database: Database, clock: SetClock, tmp_path: Path) -> Iterator[Counter]:
    with an_open_counter(sqlite_database, clock, tmp_path, callbacks_to_loopback=True) as counter:
        yield counter


@pytest.fixture
def line(counter: Counter) -> Line:
    return Line(counter)


def a_store(line: Line, *, pauses: list[float] | None = None, attempts: int = 5) -> Store:
    kept = [] if pauses is None else pauses
    key = line.counter.keys["store"]
    return Store("http://testserver", key, transport=line, pause=kept.append, attempts=attempts)


def a_problem(status: int, code: str, **headers: str) -> httpx.Response:
    told = {
        "content-type": "application/problem+json",
        **{k.replace("_", "-"): v for k, v in headers.items()},
    }
    return httpx.Response(status, headers=told, json={"code": code, "detail": "for a test"})


def test_a_store_s_whole_story(counter: Counter, line: Line, clock: SetClock) -> None:
    hard = an_inscription(text="Zo\u00eb \u2665 Bo")
    with a_store(line) as store, receiving() as receiver:
        registered = store.register_callback(receiver.url, key="callback-1")
        checked = store.check("AQ-HORI-18", [an_inscription()])
        taken = store.take_order(an_order(order_ref="W-100"))
        with pytest.raises(Problem) as unengravable:
            store.take_order(
                an_order(order_ref="W-101", if_unengravable="refuse", lines=[a_line(inscriptions=[hard])])
            )
        held = store.take_order(an_order(order_ref="W-102", lines=[a_line(inscriptions=[hard])]))
        amended = store.amend(held, "1", [an_inscription(text="Zo\u00eb & Bo")])
        with pytest.raises(Problem) as stale:
            store.cancel(held)
        cancelled = store.cancel(amended)
        found = list(store.orders(order_ref="W-100"))
        send_due(counter.tools.database, clock=clock, loopback_allowed=True)
        proof = store.proof(taken.value["id"])
        job = store.job(taken.value["lines"][0]["jobs"][0]["id"])

    assert (checked["verdict"], taken.value["state"], held.value["state"]) == ("accept", "ready", "held")
    assert (unengravable.value.status, unengravable.value.code) == (422, "unengravable")
    assert unengravable.value.about["lines"][0]["findings"][0]["code"] == "missing_glyph"
    assert (stale.value.status, stale.value.code) == (412, "stale_version")
    assert (amended.value["state"], cancelled.value["state"]) == ("ready", "cancelled")
    assert [order["id"] for order in found] == [taken.value["id"]]
    assert proof.startswith(b"<svg") or b"<svg" in proof[:200]
    assert job["order"] == taken.value["id"]
    secret = registered["secret"]
    assert secret is not None
    with time_machine.travel(clock(), tick=False):
        events = [verified(body, headers, secret) for headers, body in receiver.received]
        by_reference = [Webhook(secret).verify(body, headers) for headers, body in receiver.received]
    told = [(event.type, event.data["order_ref"]) for event in events if event.type != "ping"]
    assert sorted(told) == [
        ("order.accepted", "W-100"),
        ("order.accepted", "W-102"),
        ("order.cancelled", "W-102"),
        ("order.held", "W-102"),
    ]
    assert [one["data"] for one in by_reference] == [event.data for event in events]


def test_a_line_that_drops_before_and_after_makes_one_order(line: Line) -> None:
    line.before = [httpx.ConnectError("refused"), None, None]
    line.after = [httpx.ReadTimeout("lost"), None]
    pauses: list[float] = []

    taken = a_store(line, pauses=pauses).take_order(an_order(order_ref="W-1"))

    keys = {request.headers["Idempotency-Key"] for request in line.asked}
    assert (len(line.asked), len(keys)) == (3, 1)
    assert [order["id"] for order in a_store(line).orders()] == [taken.value["id"]]
    assert 0.5 <= pauses[0] <= 1 <= pauses[1] <= 2


def test_the_same_order_posted_by_another_process_is_the_same_order(line: Line) -> None:
    body = an_order(order_ref="W-1")

    first, second = (a_store(line).take_order(body) for _ in range(2))

    assert first.value["id"] == second.value["id"]


def test_pauses_are_as_long_as_the_service_asks_for(line: Line) -> None:
    line.before = [a_problem(503, "service_busy", Retry_After="7"), a_problem(429, "too_many_requests")]
    pauses: list[float] = []

    store = a_store(line, pauses=pauses)

    assert list(store.orders()) == []
    assert pauses[0] == 7
    assert 1 <= pauses[1] <= 2


def test_whoever_asks_for_an_hour_is_not_waited_for(line: Line) -> None:
    line.before = [a_problem(429, "too_many_units", Retry_After="3600")]

    with pytest.raises(Problem, match="too_many_units"):
        a_store(line).order("O1")

    assert len(line.asked) == 1


@pytest.mark.parametrize(("status", "code"), [(404, "not_found"), (422, "invalid_request")])
def test_what_does_not_pass_is_asked_once(line: Line, status: int, code: str) -> None:
    line.before = [a_problem(status, code)]

    with pytest.raises(Problem) as refused:
        a_store(line).order("O1")

    assert (refused.value.status, refused.value.code, len(line.asked)) == (status, code, 1)


def test_an_end_comes_to_every_trying(line: Line) -> None:
    line.before = [httpx.ConnectError("refused")] * 3

    with pytest.raises(NoAnswer, match="ConnectError"):
        a_store(line, attempts=3).order("O1")

    assert len(line.asked) == 3


def test_a_proxy_s_page_is_no_answer(line: Line) -> None:
    line.before = [httpx.Response(502, html="<h1>Bad gateway</h1>")] * 2

    with pytest.raises(NoAnswer, match="502"):
        a_store(line, attempts=2).order("O1")


def test_a_secret_is_asked_for_once_and_both_sign_meanwhile(
    counter: Counter, line: Line, clock: SetClock
) -> None:
    store = a_store(line)
    with receiving() as receiver:
        first = store.register_callback(receiver.url, key="callback-1")
        second = store.rotate_secret(first["id"])
        store.take_order(an_order(order_ref="W-1"))
        send_due(counter.tools.database, clock=clock, loopback_allowed=True)
    [_, (headers, body)] = receiver.received

    for secrets in ([first["secret"]], [second["secret"]], [first["secret"], second["secret"]]):
        event = verified(body, headers, *map(str, secrets), now=clock().timestamp())
        assert event.id == headers["webhook-id"]
    line.before = [httpx.ReadTimeout("lost")]
    with pytest.raises(NoAnswer):
        store.rotate_secret(first["id"])
    assert store.callback(first["id"])["deliveries"][0]["last_status"] == 204
    assert (store.resend(first["id"]), list(store.given_up(first["id"]))) == (0, [])
    store.remove_callback(first["id"])
    assert [one["disabled_why"] for one in store.callbacks()] in ([], ["removed"])


def test_pages_follow_one_another_to_the_end(line: Line) -> None:
    store = a_store(line)
    for number in range(3):
        store.take_order(an_order(order_ref=f"W-{number}"))
    pages = [line.counter.ask("store", "GET", "/v1/orders?limit=1")]
    line.before = [httpx.Response(200, headers=pages[0].headers, content=pages[0].content)]

    orders = list(store.orders())

    assert [order["order_ref"] for order in orders] == ["W-2", "W-1", "W-0"]


def test_many_orders_are_handed_in_again_when_the_answer_was_lost(line: Line) -> None:
    store, orders = a_store(line), [an_order(order_ref="W-1"), an_order(order_ref="W-2", lines=[])]
    line.after = [httpx.ReadTimeout("lost")]

    batch = store.take_batch(orders, key="spring-release")
    batches.take_waiting(line.counter.tools)
    batch = store.batch(batch["id"])

    assert (batch["total"], batch["taken"], batch["refused"]) == (2, 1, 1)
    assert [order["order_ref"] for order in store.orders()] == ["W-1"]
    assert batch["orders"][1]["problem"]["code"] == "invalid_request"


def test_a_test_key_moves_its_order_on(line: Line) -> None:
    sandbox = line.counter.tools.sandbox
    line.counter.keys["store"] = sandbox.tools().database.write(
        lambda session: keys.new_key(
            session, Role.STORE, client="web", now=line.counter.tools.clock(), who=SWEEP
        )
    )
    store = a_store(line)
    taken = store.take_order(an_order(order_ref="W-1"))

    states = [store.advance(taken.value["id"], to).value["state"] for to in (None, "released")]
    wanted = {"line_ref": "1", "reason": "damaged", "pays": "carrier"}
    made = store.remake_unit(taken.value["id"], wanted, key="remake-W-1")

    assert states == ["loaded", "released"]
    assert store.remake(made["id"])["id"] == made["id"]
    assert [one["id"] for one in store.remakes(order=taken.value["id"])] == [made["id"]]
    assert taken.value["test"] is True
    sandbox.close()


def test_a_buyer_s_link_is_made_and_withdrawn(line: Line) -> None:
    store = a_store(line)
    taken = store.take_order(an_order(order_ref="W-1", proof="buyer"))

    link = store.proof_link(taken.value["id"])
    store.withdraw_proof_links(taken.value["id"])

    assert "/proof/" in link


# --- held against the description of the HTTP surface ---

_KEPT = {
    "Batch": "BatchAnswer",
    "BatchOrder": "BatchOrderAnswer",
    "Boxed": "BoxedAnswer",
    "Buyer": "BuyerAnswer",
    "BuyersFinding": "BuyersFindingAnswer",
    "Callback": "CallbackAnswer",
    "CallbackAndSecret": "CallbackAndSecretAnswer",
    "Check": "CheckAnswer",
    "Checked": "CheckedAnswer",
    "Finding": "FindingAnswer",
    "Hold": "HoldAnswer",
    "HoldDetails": "HoldDetailsAnswer",
    "Job": "JobAnswer",
    "JobInLine": "JobInLineAnswer",
    "LimitedBy": "LimitedByAnswer",
    "Line": "LineAnswer",
    "Notes": "NotesAnswer",
    "Order": "OrderAnswer",
    "Preview": "PreviewAnswer",
    "Promise": "PromiseAnswer",
    "Remake": "RemakeAnswer",
    "RemadeUnit": "RemadeUnitAnswer",
    "Size": "SizeAnswer",
    "Suggested": "SuggestedAnswer",
    "WayOut": "WayOutAnswer",
}


@pytest.mark.parametrize(("name", "schema"), _KEPT.items())
def test_a_type_has_the_fields_that_are_described(name: str, schema: str) -> None:
    kept = getattr(answers, name)
    described = description()["components"]["schemas"][schema]
    hints = typing.get_type_hints(kept, include_extras=True)

    assert set(hints) == set(described["properties"])
    optional = {field for field, hint in hints.items() if typing.get_origin(hint) is typing.NotRequired}
    assert set(hints) - optional == set(described.get("required", []))
    for field, told in described["properties"].items():
        may_be_null = {"type": "null"} in told.get("anyOf", [])
        assert (type(None) in _inside(hints[field])) == may_be_null, field


def _inside(hint: Any) -> tuple[Any, ...]:
    if typing.get_origin(hint) is typing.NotRequired:
        [hint] = typing.get_args(hint)
    return typing.get_args(hint)


def test_every_type_of_the_client_is_held_against_the_description() -> None:
    types = {name for name, one in vars(answers).items() if typing.is_typeddict(one)}

    assert types == set(_KEPT)


def test_states_and_verdicts_are_those_that_are_described() -> None:
    schemas = description()["components"]["schemas"]

    assert set(typing.get_args(answers.State)) == set(schemas["JobState"]["enum"])
    assert set(typing.get_args(answers.OrderState)) == set(schemas["OrderState"]["enum"])
    assert set(typing.get_args(answers.BatchResult)) == set(schemas["BatchResult"]["enum"])
    assert set(typing.get_args(answers.Verdict)) == set(schemas["Verdict"]["enum"])


def test_all_that_a_store_may_do_can_be_done_but_following_the_stream() -> None:
    asked = {
        (operation["operationId"])
        for methods in description()["paths"].values()
        for operation in methods.values()
        if "store" in (operation["security"] or [{"key": []}])[0]["key"]
    }
    here = {name for name in vars(Store) if not name.startswith("_")} - {"close"}
    renamed = {
        "order": "get_order",
        "orders": "list_orders",
        "amend": "amend_line",
        "cancel": "cancel_order",
        "advance": "advance_order",
        "batch": "get_batch",
        "job": "get_job",
        "jobs": "list_jobs",
        "catalogue": "get_catalogue",
        "callback": "get_callback",
        "callbacks": "list_callbacks",
        "given_up": "list_given_up",
        "remake": "get_remake",
        "remakes": "list_remakes",
        "rotate_secret": "rotate_callback_secret",
        "resend": "resend_deliveries",
        "offer": "get_offer",
        "proof": "get_proof_picture",
        "proof_link": "make_proof_link",
    }

    assert asked - {"follow_events", "get_proof_sheet"} == {renamed.get(name, name) for name in here}


def test_what_the_package_offers_is_there() -> None:
    assert sorted(client.__all__) == client.__all__
    assert Versioned({"id": "O1"}, '"1.1"').etag == '"1.1"'
