"""What is believed of a request's origin: links, host names, the address of its sender."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from service.records.db import Database
from service.shop.settings import Settings
from tests.clocks import SetClock
from tests.counter import Counter, an_open_counter, an_order


@pytest.fixture
def counter(sqlite_database: Database, clock: SetClock, tmp_path: Path) -> Iterator[Counter]:
    with an_open_counter(sqlite_database, clock, tmp_path) as opened:
        yield opened


def set_to(counter: Counter, **settings: str) -> None:
    changed = counter.tools.settings.model_copy(update=settings)
    counter.client.app.state.tools = replace(counter.tools, settings=changed)  # type: ignore[attr-defined]


def test_links_for_buyers_follow_the_public_address_and_not_the_senders_word(counter: Counter) -> None:
    order = counter.post_order(an_order()).json()
    at = f"/v1/orders/{order['id']}/proof-link"

    as_asked = counter.ask("desk", "POST", at, Host="elsewhere.example").json()["url"]
    set_to(counter, public_url="https://knives.example")
    as_set = counter.ask("desk", "POST", at, Host="elsewhere.example").json()["url"]

    assert as_asked.startswith("http://elsewhere.example/")
    assert as_set.startswith("https://knives.example/")
    assert counter.client.get(as_set.removeprefix("https://knives.example")).status_code == 200


@pytest.mark.parametrize(
    ("host", "status"),
    [
        ("knives.example", 200),
        ("KNIVES.example:8443", 200),
        ("localhost:8000", 200),
        ("[::1]:8000", 200),
        ("evil.example", 421),
        ("knives.example.evil.example", 421),
        ("[", 421),
        ("", 421),
    ],
)
def test_only_hosts_of_ours_are_answered_where_they_are_listed(
    counter: Counter, host: str, status: int
) -> None:
    set_to(counter, hosts="knives.example, localhost,::1")

    answer = counter.ask("desk", "GET", "/v1/orders", Host=host)

    assert answer.status_code == status
    assert counter.ask("desk", "GET", "/healthz", Host="10.0.0.7").status_code == 200  # its own checker


@pytest.mark.parametrize("wrong", ["knives.example", "https://knives.example/shop", "ftp://knives.example"])
def test_an_address_that_is_none_is_refused(wrong: str) -> None:
    with pytest.raises(ValueError, match="https://"):
        Settings(public_url=wrong)
