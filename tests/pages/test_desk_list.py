"""The desk's list as it is sent: what is held and why, and orders by state and day, a page at a time."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from service.intake import homeless
from service.records.db import Database
from service.records.tables import Order
from tests.benches import Bench, a_bench_shop, flat_plate
from tests.clocks import SetClock
from tests.counter import an_open_counter, an_order
from tests.pages.test_board_pages import text_of
from tests.service.intake.test_line_holds import edited


@pytest.fixture
def bench(sqlite_database: Database, clock: SetClock, tmp_path: Path) -> Bench:
    bench = Bench(sqlite_database, clock, tmp_path, a_bench_shop(flat_plate()))
    bench.client.post("/sign-in", data={"key": bench.keys["desk"], "name": "Dora"})
    return bench


def listed(page: str) -> list[str]:
    """References of the orders in the table, in its order."""
    table = page.split("<tbody>")[1].split("</tbody>", maxsplit=1)[0] if "<tbody>" in page else ""
    return re.findall(r'<a href="/desk/orders/O\d+">([^<]+)</a>', table)


def test_a_held_order_shows_product_words_cause_and_way_out(bench: Bench) -> None:
    bench.order(quantity=2)
    bench.tools.catalogue.put(edited(bench.shop))  # type: ignore[attr-defined]
    homeless.look(bench.tools)

    card = text_of(bench.client.get("/desk").text.split('<li class="card stop">')[1])

    assert "Invented parer × 2" in card
    assert "no longer fits since the shop's description changed" in card.replace("&#39;", "'")
    assert "It goes on by itself once the description is corrected." in card


def test_pages_of_orders_skip_none_and_repeat_none(bench: Bench) -> None:
    for _ in range(35):
        bench.order()

    first = bench.client.get("/desk").text
    older = re.search(r'href="(/desk\?[^"]*before=[^"]*)"', first)
    assert older
    second = bench.client.get(older[1].replace("&amp;", "&")).text

    references = [order.order_ref for order in reversed(bench.rows(Order))]
    assert listed(first) + listed(second) == references
    assert "Older orders" not in second


def test_orders_are_filtered_by_state_and_by_the_day_they_ship(bench: Bench) -> None:
    bench.order(due_days=2)
    bench.order(due_days=3)
    soon, later = (order.order_ref for order in bench.rows(Order))
    bench.ask("POST", "/v1/orders/O2/cancel", {"reason": "rang"}, role="desk", If_Match="*")
    day = bench.rows(Order)[0].ship_by.date().isoformat()

    found = [listed(bench.client.get(f"/desk?{asked}").text) for asked in ("state=cancelled", f"day={day}")]

    assert found == [[later], [soon]]


def test_what_is_released_and_what_packing_has_handed_over_are_two_lists(bench: Bench) -> None:
    for _ in range(2):
        bench.order()
        bench.do(bench.passed(bench.burned()), "release")
    bench.ask("POST", "/v1/packing/scan", {"code": "J1"}, role="bench")
    bench.ask("POST", "/v1/orders/O1/hand-over", role="bench")
    gone, there = (order.order_ref for order in bench.rows(Order))

    found = [listed(bench.client.get(f"/desk?state={name}").text) for name in ("released", "handed_over")]

    assert found == [[there], [gone]]


def test_orders_are_searched_with_the_filters_that_are_there(
    sqlite_database: Database, clock: SetClock, tmp_path: Path
) -> None:
    with an_open_counter(sqlite_database, clock, tmp_path) as counter:
        for ref, buyer in (("W-1", "Nan Alder"), ("W-2", "Nan Birch"), ("W-3", "Zo\u00eb")):
            counter.post_order(an_order(order_ref=ref, buyer={"name": buyer}))
        counter.ask("desk", "POST", "/v1/orders/O2/cancel", {"reason": "rang"}, If_Match="*")
        counter.client.post("/sign-in", data={"key": counter.keys["desk"], "name": "Dora"})

        pages = {
            asked: counter.client.get(f"/desk?{asked}")
            for asked in ("find=nan+hori", "find=nan&state=ready", "find=zoe", "find=%E2%99%A5")
        }

    assert {asked: listed(page.text) for asked, page in pages.items()} == {
        "find=nan+hori": ["W-2", "W-1"],
        "find=nan&state=ready": ["W-1"],
        "find=zoe": ["W-3"],
        "find=%E2%99%A5": [],
    }
    assert "Nan Alder" in pages["find=nan+hori"].text
    assert "a search needs a letter or a digit" in pages["find=%E2%99%A5"].text


@pytest.mark.parametrize("asked", ["state=lost", "day=tomorrow", "before=L1"])
def test_what_can_not_be_asked_is_refused_on_a_page(bench: Bench, asked: str) -> None:
    answer = bench.client.get(f"/desk?{asked}")

    assert 400 <= answer.status_code < 500
    assert "<h1>" in answer.text
