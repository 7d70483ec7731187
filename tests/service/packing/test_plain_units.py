"""Lines without inscriptions: boxed stock that no laser sees, fetched and scanned by its barcode."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from httpx import Response
from sqlalchemy import select

from service.audit.look import look
from service.records.db import Database
from service.records.tables import Event
from tests.clocks import SetClock
from tests.counter import Counter, a_line, an_inscription, an_open_counter, an_order

PARER = "AQ-PARE-9"


@pytest.fixture
def counter(sqlite_database: Database, clock: SetClock, tmp_path: Path) -> Iterator[Counter]:
    with an_open_counter(sqlite_database, clock, tmp_path) as counter:
        yield counter


def plain(**changes: Any) -> dict[str, Any]:
    return a_line(**{"line_ref": "2", "sku": PARER, "inscriptions": [], **changes})


def taken(counter: Counter, *lines: dict[str, Any], **more: Any) -> dict[str, Any]:
    answer = counter.post_order(an_order(lines=list(lines), **more))
    assert answer.status_code == 201, answer.text
    order: dict[str, Any] = answer.json()
    return order


def scanned(counter: Counter, code: str, **more: str) -> Response:
    return counter.ask("bench", "POST", "/v1/packing/scan", {"code": code, **more})


def boxed(counter: Counter, sku: str = PARER) -> tuple[int, int]:
    """Boxed and reserved units of a product."""
    stock = [row for row in counter.ask("desk", "GET", "/v1/stock").json()["stock"] if row["sku"] == sku]
    return sum(row["boxed"] for row in stock), sum(row["reserved"] for row in stock)


def told(counter: Counter) -> list[str]:
    with counter.tools.database.reading() as session:
        return list(session.scalars(select(Event.type).order_by(Event.id)))


def test_a_plain_order_goes_from_its_bin_to_the_carrier(counter: Counter) -> None:
    before = boxed(counter)
    barcode = counter.tools.catalogue.current.products[PARER].barcodes[0]
    order = taken(counter, plain(quantity=2), proof="buyer")
    reserved = boxed(counter)
    pulls = counter.ask("bench", "GET", "/v1/pulls").json()["pulls"]
    load = counter.ask("bench", "POST", "/v1/loads/next", {"station": "north", "operator": "Ines"})
    packing = counter.ask("bench", "GET", "/v1/packing").json()
    first = scanned(counter, barcode).json()
    second = scanned(counter, PARER, order=order["id"]).json()
    third = scanned(counter, barcode)
    ended = counter.ask("bench", "POST", f"/v1/orders/{order['id']}/hand-over").json()

    assert (order["state"], order["lines"][0]["verdict"], order["lines"][0]["holds"]) == (
        "ready",
        "accept",
        [],
    )
    assert reserved == (before[0], before[1] + 2)
    assert (pulls, load.status_code) == ([], 204)  # no load takes it
    (fetch,) = packing["to_fetch"]
    assert (fetch["sku"], fetch["units"]) == (PARER, 2)
    (listed,) = packing["orders"]
    assert [(unit["is_plain"], unit["bin"]) for unit in listed["units"]] == [(True, fetch["bin"])] * 2
    assert (first["what"], first["order"]["gathered"], first["order"]["shelf"]) == ("fetched", 1, "P1")
    assert second["order"]["is_complete"] is True
    assert (third.status_code, third.json()["code"]) == (409, "wrong_box")
    assert boxed(counter) == (before[0] - 2, before[1])
    assert ended["state"] == "handed_over"
    assert told(counter) == ["order.accepted", "order.released", "order.handed_over"]
    damage = look(counter.tools.database.engine, None).damage
    assert [one.says for one in damage] == []


def test_a_mixed_order_waits_for_its_engraved_unit(counter: Counter) -> None:
    order = taken(counter, a_line(), plain())

    fetched = scanned(counter, PARER).json()

    missing = [unit["line_ref"] for unit in fetched["order"]["units"] if "gathered_at" not in unit]
    assert missing == ["1"]
    assert counter.ask("store", "GET", f"/v1/orders/{order['id']}").json()["state"] == "ready"
    assert "order.released" not in told(counter)


def test_a_plain_unit_waits_for_stock_like_any_other(counter: Counter) -> None:
    free = boxed(counter)[0] - boxed(counter)[1]
    order = taken(counter, plain(quantity=free + 1, line_ref="1"))

    built = counter.ask("desk", "GET", "/v1/build-list").json()["build"]
    bin_name = counter.ask("bench", "GET", "/v1/packing").json()["to_fetch"][0]["bin"]
    stock = counter.ask("desk", "GET", "/v1/stock").json()["stock"]
    here = next(row for row in stock if (row["bin"], row["sku"]) == (bin_name, PARER))
    count = {"bin": bin_name, "sku": PARER, "boxed": here["boxed"] + 1}
    counter.ask("desk", "PUT", "/v1/stock", {"counts": [count]})

    assert order["state"] == "short"
    assert [(row["sku"], row["quantity"]) for row in built] == [(PARER, 1)]
    assert counter.ask("store", "GET", f"/v1/orders/{order['id']}").json()["state"] == "ready"


def test_a_product_that_the_shop_has_not_is_held(counter: Counter) -> None:
    order = taken(counter, plain(sku="NO-SUCH"))

    assert order["state"] == "held"
    assert [finding["code"] for finding in order["lines"][0]["findings"]] == ["unknown_product"]


def test_a_plain_line_can_be_cancelled_or_get_words(counter: Counter) -> None:
    words = {"inscriptions": [an_inscription()]}
    named = taken(counter, plain(sku="AQ-HORI-18"))["id"]
    amended = counter.ask("desk", "PATCH", f"/v1/orders/{named}/lines/2", words, If_Match="*")
    load = counter.ask("bench", "POST", "/v1/loads/next", {"station": "north", "operator": "Ines"}).json()
    dropped = taken(counter, plain())["id"]
    counter.ask("desk", "POST", f"/v1/orders/{dropped}/cancel", {}, If_Match="*")

    assert amended.status_code == 200, amended.text
    assert [one["job"] for one in load["jobs"]] == ["J1"]
    assert counter.ask("bench", "GET", "/v1/packing").json()["to_fetch"] == []
    assert boxed(counter)[1] == 0
