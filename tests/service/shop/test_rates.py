"""Nobody asks without end: requests of a key and an address, wrong keys, units of an order and of a day."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from service.records.db import Database
from service.records.errors import TooManyRequests, TooManyUnits
from service.shop.rates import Rates
from tests.clocks import SetClock
from tests.counter import Counter, a_key, a_line, an_open_counter, an_order

Open = Any


@pytest.fixture
def opened(sqlite_database: Database, clock: SetClock, tmp_path: Path) -> Iterator[Open]:
    """A counter with these settings."""
    contexts = []

    def open_it(**settings: Any) -> Counter:
        context = an_open_counter(sqlite_database, clock, tmp_path, **settings)
        contexts.append(context)
        return context.__enter__()

    yield open_it
    for context in contexts:
        context.__exit__(None, None, None)


def test_a_key_that_asks_too_often_is_told_when_it_may_again(opened: Open) -> None:
    counter = opened(requests_a_minute=3)

    statuses = [counter.ask("store", "GET", "/v1/orders").status_code for _ in range(4)]
    refused = counter.ask("store", "GET", "/v1/orders")
    other = counter.ask("other_store", "GET", "/v1/orders")

    assert statuses == [200, 200, 200, 429]
    assert refused.json()["code"] == "too_many_requests"
    assert 1 <= int(refused.headers["Retry-After"]) <= 60
    assert other.status_code == 200


def test_an_address_has_its_own_limit_and_health_has_none(opened: Open) -> None:
    counter = opened(requests_a_minute=2)

    statuses = [counter.client.get("/v1/orders").status_code for _ in range(5)]

    assert statuses == [401, 401, 401, 401, 429]
    assert counter.client.get("/healthz").status_code == 200


def test_whoever_tries_keys_is_stopped(opened: Open) -> None:
    counter = opened()
    wrong = {"Authorization": "Bearer rcs_store_aaaaaaaa_" + "a" * 47}

    statuses = {counter.client.get("/v1/orders", headers=wrong).status_code for _ in range(60)}
    after = counter.client.get("/v1/orders", headers=wrong)

    assert (statuses, after.status_code) == ({401}, 429)


def test_an_order_may_have_so_many_units(opened: Open) -> None:
    counter = opened(units_an_order=4)

    fits = counter.post_order(an_order(lines=[a_line(quantity=4)]))
    too_large = counter.post_order(an_order(lines=[a_line(quantity=3), a_line(line_ref="2", quantity=2)]))

    assert (fits.status_code, too_large.status_code) == (201, 422)
    assert (too_large.json()["field"], too_large.json()["most"]) == ("lines", 4)


def test_a_store_orders_so_many_units_a_day_and_an_answer_given_again_is_no_order(opened: Open) -> None:
    counter = opened(units_a_day=3)
    order, key = an_order(lines=[a_line(quantity=2)]), a_key()

    taken = [counter.post_order(order, key=key).status_code for _ in range(3)]
    refused = counter.post_order(an_order(lines=[a_line(quantity=2)]))
    last = counter.post_order(an_order())
    other = counter.post_order(an_order(), role="other_store")

    assert (taken, refused.status_code, last.status_code, other.status_code) == ([201] * 3, 429, 201, 201)
    assert (refused.json()["code"], refused.json()["left"]) == ("too_many_units", 1)
    assert 1 <= int(refused.headers["Retry-After"]) <= 86_400


def test_units_are_counted_by_store() -> None:
    rates = Rates(requests_a_minute=1, previews_a_minute=10, units_a_day=10)

    rates.order("a", 10)
    rates.order("b", 10)

    with pytest.raises(TooManyUnits, match="0 are left"):
        rates.order("a", 1)


def test_a_buyer_over_their_own_budget_of_previews_takes_nothing_of_the_shop_s() -> None:
    rates = Rates(requests_a_minute=1, previews_a_minute=10, units_a_day=10)

    for _ in range(2):
        rates.preview("the shop's", "192.0.2.1")
    for _ in range(20):
        with pytest.raises(TooManyRequests):
            rates.preview("the shop's", "192.0.2.1")
    for number in range(2, 10):
        rates.preview("the shop's", f"192.0.2.{number}")

    with pytest.raises(TooManyRequests):  # ten of the key, wherever they came from
        rates.preview("the shop's", "192.0.2.99")
    rates.preview("another's", "192.0.2.99")
