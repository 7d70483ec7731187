"""Many orders at once: each for itself, answered all, whatever happens in between."""

from __future__ import annotations

import json
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import func, select

from service.intake import batches
from service.intake.batches import MOST_OPEN, MOST_ORDERS
from service.records.db import Database
from service.records.errors import CheckersBusy, DatabaseBusy
from service.records.tables import Batch, BatchOrder, Job, Order
from service.running import sweeps, tasks
from tests.clocks import SetClock
from tests.counter import Counter, a_key, a_line, an_inscription, an_open_counter, an_order


class Killed(BaseException):
    """The process is gone: nothing that comes after is done."""


@pytest.fixture
def counter(sqlite_database: Database, clock: SetClock, tmp_path: Path) -> Iterator[Counter]:
    with an_open_counter(sqlite_database, clock, tmp_path) as opened:
        yield opened


@pytest.fixture
def on_both(database: Database, clock: SetClock, tmp_path: Path) -> Iterator[Counter]:
    """One on each kind of database: where it matters who was first."""
    with an_open_counter(database, clock, tmp_path) as opened:
        yield opened


def hand_in(counter: Counter, orders: list[Any], *, key: str | None = None, role: str = "store") -> Any:
    return counter.ask(role, "POST", "/v1/orders/batch", {"orders": orders}, Idempotency_Key=key or a_key())


def results(batch: dict[str, Any]) -> list[tuple[str, str]]:
    return [(order["order_ref"], order["result"]) for order in batch["orders"]]


def some_orders(count: int) -> list[dict[str, Any]]:
    return [an_order(order_ref=f"B-{number}") for number in range(count)]


def refs(counter: Counter) -> list[str]:
    with counter.tools.database.reading() as session:
        return sorted(session.scalars(select(Order.order_ref)))


def test_every_order_is_taken_and_each_says_what_became_of_it(counter: Counter) -> None:
    counter.post_order(an_order(order_ref="THERE"))
    unengravable = {"lines": [a_line(inscriptions=[an_inscription(text="Zoë ♥ Bo")])]}
    handed = hand_in(
        counter,
        [
            an_order(order_ref="GOOD"),
            an_order(order_ref="HELD", **unengravable),
            an_order(order_ref="REFUSED", if_unengravable="refuse", **unengravable),
            an_order(order_ref="WRONG", lines=[a_line(quantity=0)]),
            an_order(order_ref="THERE"),
            an_order(order_ref="GOOD"),
            "no order",
            an_order(order_ref="LAST"),
        ],
    )

    assert handed.status_code == 202
    at = handed.headers["Location"]
    assert at == f"/v1/batches/{handed.json()['id']}"
    assert [result for _, result in results(handed.json())] == [
        *["waiting"] * 3,
        "refused",
        *["waiting"] * 2,
        "refused",
        "waiting",
    ]
    assert batches.take_waiting(counter.tools) == 6
    batch = counter.ask("store", "GET", at).json()

    assert results(batch) == [
        ("GOOD", "taken"),
        ("HELD", "held"),
        ("REFUSED", "refused"),
        ("WRONG", "refused"),
        ("THERE", "refused"),
        ("GOOD", "refused"),
        ("", "refused"),
        ("LAST", "taken"),
    ]
    assert {name: batch[name] for name in ("total", "waiting", "taken", "refused", "failed")} == {
        "total": 8,
        "waiting": 0,
        "taken": 3,
        "refused": 5,
        "failed": 0,
    }
    assert "finished_at" in batch
    problems = {order["position"]: order["problem"] for order in batch["orders"] if "problem" in order}
    assert {position: problem["code"] for position, problem in problems.items()} == {
        2: "unengravable",
        3: "invalid_request",
        4: "order_ref_taken",
        5: "order_ref_taken",
        6: "invalid_request",
    }
    assert problems[2]["lines"][0]["findings"][0]["code"] == "missing_glyph"
    assert problems[3]["errors"][0]["field"] == "lines.0.quantity"
    assert problems[4]["order"] == "O1"
    assert refs(counter) == ["GOOD", "HELD", "LAST", "THERE"]


def test_an_order_alone_and_in_a_batch_is_refused_alike(counter: Counter) -> None:
    for wrong in ({"lines": []}, {"ship_by": "soon"}, {"lines": [a_line(), a_line()]}, {"colour": "red"}):
        order = an_order(**wrong)
        alone = counter.post_order(order).json()
        batch = hand_in(counter, [order]).json()
        batches.take_waiting(counter.tools)

        (one,) = counter.ask("store", "GET", f"/v1/batches/{batch['id']}").json()["orders"]

        assert one["problem"] == alone


def test_a_batch_where_nothing_is_an_order_is_finished_at_once(counter: Counter) -> None:
    handed = hand_in(counter, [None, 5, {"order_ref": "R-1"}]).json()

    assert "finished_at" in handed
    assert [order["order_ref"] for order in handed["orders"]] == ["", "", "R-1"]
    assert batches.take_waiting(counter.tools) == 0


def test_the_same_key_answers_how_far_it_is_and_another_body_is_refused(counter: Counter) -> None:
    orders, key = some_orders(2), a_key()
    first = hand_in(counter, orders, key=key)
    batches.take_waiting(counter.tools)

    again = hand_in(counter, orders, key=key)
    other = hand_in(counter, some_orders(1), key=key)
    elsewhere = hand_in(counter, orders, key=key, role="other_store")

    assert "Idempotency-Replayed" not in first.headers
    assert (again.status_code, again.headers["Idempotency-Replayed"]) == (202, "true")
    assert again.headers["Location"] == first.headers["Location"]
    assert results(again.json()) == [("B-0", "taken"), ("B-1", "taken")]
    assert (other.status_code, other.json()["code"]) == (422, "idempotency_key_reused")
    assert elsewhere.headers["Location"] != first.headers["Location"]
    batches.take_waiting(counter.tools)
    assert len(refs(counter)) == 4  # another store's orders of the same names are its own


def test_another_store_sees_no_batch_and_the_desk_sees_all(counter: Counter) -> None:
    at = hand_in(counter, some_orders(1)).headers["Location"]

    assert counter.ask("other_store", "GET", at).status_code == 404
    assert counter.ask("desk", "GET", at).status_code == 200
    assert counter.ask("store", "GET", "/v1/batches/BATCH99").status_code == 404


@pytest.mark.parametrize("dies", ["before", "after"])
@pytest.mark.parametrize("at", [0, 2])
def test_a_process_killed_between_two_orders_leaves_a_batch_that_goes_on(
    on_both: Counter, clock: SetClock, monkeypatch: pytest.MonkeyPatch, dies: str, at: int
) -> None:
    """After: the order is stored, and what became of it is not."""
    counter = on_both
    key, orders = a_key(), some_orders(4)
    hand_in(counter, orders, key=key)
    taken = iter(range(10))
    where = {"before": "take_order", "after": "_settle"}[dies]
    real = getattr(batches, where)

    def killed(*args: Any, **named: Any) -> Any:
        if next(taken) == at:
            raise Killed
        return real(*args, **named)

    with monkeypatch.context() as patched:
        patched.setattr(batches, where, killed)
        with pytest.raises(Killed):
            tasks.run_periodic(counter.tools, lanes=(tasks.BATCHES,))
    assert len(refs(counter)) == at + (dies == "after")
    clock.advance(seconds=1)
    tasks.run_periodic(counter.tools, lanes=(tasks.BATCHES,))

    batch = hand_in(counter, orders, key=key).json()
    assert results(batch) == [(f"B-{number}", "taken") for number in range(4)]
    assert "finished_at" in batch
    assert refs(counter) == [f"B-{number}" for number in range(4)]
    with counter.tools.database.reading() as session:
        assert session.scalar(select(func.count()).select_from(Job)) == 4


def test_a_process_killed_amid_an_order_keeps_it_for_seconds_and_the_others_not(
    counter: Counter, clock: SetClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its claim on the order's key is left behind, as by a kill -9."""
    at = hand_in(counter, some_orders(2)).headers["Location"]
    from service.requests import idempotency

    with monkeypatch.context() as patched:
        patched.setattr(idempotency.rows, "remove", lambda *_, **__: None)
        patched.setattr(batches.take_order.__globals__["promises"], "of_lines", _killed)
        with pytest.raises(Killed):
            batches.take_waiting(counter.tools)

    batches.take_waiting(counter.tools)
    soon = counter.ask("store", "GET", at).json()
    clock.advance(seconds=7)
    batches.take_waiting(counter.tools)
    later = counter.ask("store", "GET", at).json()

    assert results(soon) == [("B-0", "waiting"), ("B-1", "taken")]
    assert results(later) == [("B-0", "taken"), ("B-1", "taken")]


def _killed(*_: Any, **__: Any) -> None:
    raise Killed


def test_two_at_the_same_batch_take_each_order_once(on_both: Counter) -> None:
    counter = on_both
    at = hand_in(counter, some_orders(6)).headers["Location"]
    begin = threading.Barrier(2)

    def work() -> None:
        begin.wait()
        for _ in range(3):
            batches.take_waiting(counter.tools)

    both = [threading.Thread(target=work) for _ in range(2)]
    for one in both:
        one.start()
    for one in both:
        one.join()
    batches.take_waiting(counter.tools)

    batch = counter.ask("store", "GET", at).json()
    assert [result for _, result in results(batch)] == ["taken"] * 6
    assert "finished_at" in batch
    assert refs(counter) == [f"B-{number}" for number in range(6)]


def test_a_long_batch_keeps_no_short_one_waiting(counter: Counter) -> None:
    hand_in(counter, some_orders(12))
    short = hand_in(counter, [an_order(order_ref="SHORT")], role="other_store").headers["Location"]

    assert batches.take_waiting(counter.tools) == 11

    assert results(counter.ask("other_store", "GET", short).json()) == [("SHORT", "taken")]


@pytest.mark.parametrize("busy", [CheckersBusy("busy"), DatabaseBusy("busy")])
def test_what_is_only_busy_is_tried_again_for_as_long_as_it_takes(
    counter: Counter, monkeypatch: pytest.MonkeyPatch, busy: Exception
) -> None:
    at = hand_in(counter, some_orders(1)).headers["Location"]

    def turned_away(*_: Any, **__: Any) -> None:
        raise busy

    with monkeypatch.context() as patched:
        patched.setattr(batches, "take_order", turned_away)
        assert [batches.take_waiting(counter.tools) for _ in range(10)] == [0] * 10
    batches.take_waiting(counter.tools)

    assert results(counter.ask("store", "GET", at).json()) == [("B-0", "taken")]


def test_the_units_of_a_day_are_those_of_a_store_and_the_rest_waits(
    sqlite_database: Database, clock: SetClock, tmp_path: Path
) -> None:
    with an_open_counter(sqlite_database, clock, tmp_path, units_a_day=2) as counter:
        at = hand_in(counter, some_orders(3)).headers["Location"]
        batches.take_waiting(counter.tools)

        batch = counter.ask("store", "GET", at).json()

    assert [result for _, result in results(batch)] == ["taken", "taken", "waiting"]


def test_a_fault_of_ours_stops_no_other_and_the_same_key_tries_again(
    counter: Counter, monkeypatch: pytest.MonkeyPatch
) -> None:
    key, orders = a_key(), some_orders(2)
    at = hand_in(counter, orders, key=key).headers["Location"]
    real = batches.take_order

    def faulty(tools: Any, body: Any, *args: Any, **named: Any) -> Any:
        if body.order_ref == "B-0":
            raise ZeroDivisionError
        return real(tools, body, *args, **named)

    with monkeypatch.context() as patched:
        patched.setattr(batches, "take_order", faulty)
        for _ in range(5):
            batches.take_waiting(counter.tools)
    given_up = counter.ask("store", "GET", at).json()
    again = hand_in(counter, orders, key=key).json()
    batches.take_waiting(counter.tools)

    assert results(given_up) == [("B-0", "failed"), ("B-1", "taken")]
    assert given_up["orders"][0]["problem"]["code"] == "internal_error"
    assert results(again) == [("B-0", "waiting"), ("B-1", "taken")]
    assert "finished_at" not in again
    assert results(counter.ask("store", "GET", at).json()) == [("B-0", "taken"), ("B-1", "taken")]


def test_a_batch_has_a_size_of_its_own_and_a_store_so_many(counter: Counter) -> None:
    large = [an_order(notes={"order": "x" * 490}) for _ in range(300)]
    assert 64 * 1024 < len(json.dumps({"orders": large})) < 2**20

    assert hand_in(counter, large).status_code == 202
    assert hand_in(counter, large * 5).status_code == 413
    assert hand_in(counter, [{}] * (MOST_ORDERS + 1)).status_code == 422
    assert hand_in(counter, []).status_code == 422
    for _ in range(MOST_OPEN - 1):
        assert hand_in(counter, some_orders(1)).status_code == 202
    one_more = hand_in(counter, some_orders(1))
    assert (one_more.status_code, one_more.json()["code"]) == (429, "too_many_requests")
    assert "Retry-After" in one_more.headers
    assert hand_in(counter, some_orders(1), role="other_store").status_code == 202


def test_words_are_kept_only_while_an_order_waits_and_the_batch_as_long_as_its_key(
    counter: Counter, clock: SetClock
) -> None:
    at = hand_in(counter, [*some_orders(1), {"order_ref": "WRONG"}]).headers["Location"]
    batches.take_waiting(counter.tools)

    with counter.tools.database.reading() as session:
        assert {order.body for order in session.scalars(select(BatchOrder))} == {None}
    clock.advance(hours=71)
    sweeps.forget_answers(counter.tools)
    assert counter.ask("store", "GET", at).status_code == 200
    clock.advance(hours=2)
    sweeps.forget_answers(counter.tools)
    assert counter.ask("store", "GET", at).status_code == 404
    with counter.tools.database.reading() as session:
        assert session.scalars(select(Batch)).all() == session.scalars(select(BatchOrder)).all() == []
