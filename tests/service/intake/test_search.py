"""Orders are found by what people remember of them, on both databases, and off an index."""

from __future__ import annotations

import random
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import event, insert, text

from service.intake import order_rows
from service.records.db import Database
from service.records.search_words import LONGEST, MOST, folded, search_words
from service.records.tables import Order, OrderWord
from tests.clocks import SetClock
from tests.counter import Counter, a_line, an_inscription, an_open_counter, an_order


@pytest.fixture
def counter(database: Database, clock: SetClock, tmp_path: Path) -> Iterator[Counter]:
    with an_open_counter(database, clock, tmp_path) as opened:
        yield opened


def found(counter: Counter, q: str, *, role: str = "desk", **more: str) -> list[str]:
    """References of the orders found."""
    answer = counter.client.get(
        "/v1/orders", params={"q": q, **more}, headers={"Authorization": f"Bearer {counter.keys[role]}"}
    )
    assert answer.status_code == 200, answer.text
    return [order["order_ref"] for order in answer.json()["orders"]]


def an_order_for(ref: str, buyer: str, words: str, sku: str = "AQ-HORI-18") -> dict[str, Any]:
    line = a_line(sku=sku, inscriptions=[an_inscription(text=words)])
    return an_order(order_ref=ref, buyer={"name": buyer}, lines=[line])


def test_an_order_is_found_by_reference_buyer_words_and_product(counter: Counter) -> None:
    counter.post_order(an_order_for("AQ-2026-0417", "Zo\u00eb O\u2019Neill", "Allotment 7"))
    counter.post_order(an_order_for("AQ-2026-0518", "Nan Alder", "Stra\u00dfe", sku="AQ-CHEF-20"))
    first, second = "AQ-2026-0417", "AQ-2026-0518"

    expected = {
        "aq-2026-0417 / 0417 / AQ_2026_04": [first],
        "zoe / ZO\u00cb / o'neill / neill / allot / zoe hori": [first],
        "strasse / chef / aq-chef / nan chef": [second],
        "2026": [second, first],
        "eill / zoe chef / nobody": [],
    }
    assert {asked: [found(counter, q) for q in asked.split(" / ")] for asked in expected} == {
        asked: [refs] * len(asked.split(" / ")) for asked, refs in expected.items()
    }


def test_changed_words_are_found_and_the_old_ones_are_not(counter: Counter) -> None:
    order = counter.post_order(an_order_for("W-1", "Nan", "Eda")).json()

    counter.ask(
        "store",
        "PATCH",
        f"/v1/orders/{order['id']}/lines/1",
        {"inscriptions": [an_inscription(text="Ada")]},
        If_Match="*",
    )

    assert (found(counter, "ada"), found(counter, "eda"), found(counter, "nan")) == (["W-1"], [], ["W-1"])


def test_a_store_finds_its_own_orders_only_page_by_page(counter: Counter) -> None:
    for ref in ("N-1", "N-2", "N-3"):
        counter.post_order(an_order_for(ref, "Nan", "Ada"))
    counter.post_order(an_order_for("N-4", "Nan", "Ada"), role="other_store")

    first = counter.ask("store", "GET", "/v1/orders?q=ada&limit=2")
    address = first.headers["Link"].split(">")[0].strip("<")
    rest = counter.ask("store", "GET", address)

    listed = [order["order_ref"] for answer in (first, rest) for order in answer.json()["orders"]]
    assert listed == ["N-3", "N-2", "N-1"]
    assert found(counter, "ada", state="cancelled") == []


@pytest.mark.parametrize("q", ["", "\u2665", " - "])
def test_a_search_without_a_letter_or_digit_is_refused(counter: Counter, q: str) -> None:
    answer = counter.client.get(
        "/v1/orders", params={"q": q}, headers={"Authorization": f"Bearer {counter.keys['desk']}"}
    )

    assert (answer.status_code, answer.json()["code"]) == (422, "bad_request")


# Vocabulary of the folds: Unicode 15.1, UAX #15 (NFKD) and section 5.18 (case folding); examples by hand.


@pytest.mark.parametrize(
    ("written", "words"),
    [
        ("\u00c5ngstr\u00f6m \u212bngstrom", ["angstrom", "angstrom"]),  # U+212B is the angstrom sign
        ("\uff2e\uff41\uff4e \ufb01n", ["nan", "fin"]),  # full-width letters, a ligature
        ("\u0395\u03bb\u03ad\u03bd\u03b7\u03c2", ["\u03b5\u03bb\u03b5\u03bd\u03b7\u03c3"]),  # final sigma
        ("\u0646\u064f\u0648\u0631", ["\u0646\u0648\u0631"]),  # Arabic, a vowel sign left out
        ("zero\u200bwidth", ["zerowidth"]),
        ("--- & \u2665", []),
        ("x" * 100, ["x" * LONGEST]),
    ],
)
def test_words_are_folded(written: str, words: list[str]) -> None:
    assert folded(written) == words


def test_however_long_an_order_is_its_words_are_bounded() -> None:
    words = search_words(["AQ-1", *(f"{'-'.join('abcdefgh' * 100)} {number}" for number in range(900))])

    assert len(words) == MOST
    assert words[0] == "aq-1"


def many_orders(database: Database, count: int, clock: SetClock) -> None:
    """Orders without lines, found by words of their own, one of forty names and a word that many have."""
    chance = random.Random(14)
    orders = [
        {"client": "store-1", "order_ref": f"W-{n}", "ship_by": clock(), "created_at": clock()}
        for n in range(count)
    ]
    names = [f"name{number}" for number in range(40)]
    words = [
        {"word": word, "order_id": number}
        for number in range(1, count + 1)
        for word in (
            f"w-{number - 1}",
            *(f"own{number}-{n}" for n in range(8)),
            chance.choice(names),
            chance.choice(["often", "rest"]),
        )
    ]
    with database.writing() as session:
        session.execute(insert(Order), orders)
        session.execute(insert(OrderWord), words)
    with database.engine.connect() as connection:
        connection.execute(text("ANALYZE"))
        connection.commit()


def test_no_search_reads_a_whole_table(database: Database, clock: SetClock) -> None:
    many_orders(database, 3_000, clock)

    for asked in (("w-77",), ("name7",), ("often",), ("w-77", "name"), ("own9-1", "often")):
        for skus in ((), ("AQ-CHEF-20",)):
            sought = [order_rows.Sought(word, skus) for word in asked]
            orders, plan = page_and_plan(database, sought)

            assert orders or asked == ("own9-1", "often"), asked
            assert any("order_word" in line for line in plan)
            assert not [line for line in plan if "Seq Scan" in line or "SCAN" in line.split()], plan


def page_and_plan(database: Database, sought: list[order_rows.Sought]) -> tuple[list[Order], list[str]]:
    """A page of orders, and how the database goes about reading it."""
    statements: list[tuple[str, Any]] = []

    def note(_connection: Any, _cursor: Any, statement: str, parameters: Any, *_: Any) -> None:
        if statement.startswith("SELECT"):
            statements.append((statement, parameters))

    with database.reading() as session:
        event.listen(database.engine, "before_cursor_execute", note)
        try:
            orders = order_rows.page(session, client=None, before_id=None, limit=31, sought=sought)
        finally:
            event.remove(database.engine, "before_cursor_execute", note)
        explain = "EXPLAIN QUERY PLAN " if database.is_sqlite else "EXPLAIN "
        rows = session.connection().exec_driver_sql(explain + statements[0][0], statements[0][1])
        return orders, [" ".join(map(str, row)) for row in rows]
