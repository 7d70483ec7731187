"""What is used up is counted down by what leaves, and up by a tap."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest

from service.records.db import Database
from service.records.who import SWEEP
from service.supplies import supplies
from tests.benches import Bench, a_bench_shop, kept_up
from tests.clocks import SetClock


@pytest.fixture
def bench(database: Database, clock: SetClock, tmp_path: Path) -> Bench:
    return Bench(database, clock, tmp_path, kept_up(a_bench_shop()))


def left(bench: Bench) -> dict[str, int | None]:
    return {one["supply"]: one.get("left") for one in bench.ask("GET", "/v1/supplies").json()["supplies"]}


def told(bench: Bench, what: str, body: dict[str, Any] | None = None) -> dict[str, Any]:
    answer = bench.ask("POST", f"/v1/supplies/{what}", body or {})
    assert answer.status_code == 200, answer.text
    said: dict[str, Any] = answer.json()
    return said


def test_a_load_and_an_order_count_down(bench: Bench) -> None:
    """Three units and their load: 3 x 1 bag and 1 more. One order: one parcel."""
    told(bench, "bags/refill")
    told(bench, "parcels/count", {"left": 6})
    jobs = bench.order(quantity=3)
    bench.do(bench.passed(bench.burned()), "release")
    for job in jobs:
        bench.ask("POST", "/v1/packing/scan", {"code": job}).raise_for_status()
    for _ in range(2):  # the second time nothing changes
        bench.ask("POST", "/v1/orders/O1/hand-over").raise_for_status()

    bags, parcels = bench.ask("GET", "/v1/supplies").json()["supplies"]

    assert (bags["left"], bags["is_low"]) == (96, False)
    assert [(one["what"], one["pieces"], one.get("load")) for one in bags["changes"]] == [
        ("used", -4, "L1"),
        ("refilled", 100, None),
    ]
    assert (parcels["left"], parcels["is_low"]) == (5, True)
    assert parcels["changes"][0]["order"] == "O1"


def test_what_was_never_counted_is_not_counted_down(bench: Bench) -> None:
    bench.order()
    bench.do(bench.passed(bench.burned()), "release")

    assert left(bench) == {"bags": None, "parcels": None}


def test_no_count_falls_below_nought(bench: Bench) -> None:
    told(bench, "bags/count", {"left": 1})
    bench.order(quantity=3)
    bench.do(bench.passed(bench.burned()), "release")

    assert left(bench)["bags"] == 0


def test_a_second_tap_refills_nothing(bench: Bench) -> None:
    first = told(bench, "bags/refill", {"seen": 0})
    second = told(bench, "bags/refill", {"seen": 0})
    third = told(bench, "bags/refill", {"seen": first["said"], "pieces": 20})

    assert (first["left"], second["left"], third["left"]) == (100, 100, 120)


def test_two_at_once_lose_no_piece(bench: Bench) -> None:
    told(bench, "bags/refill")

    with ThreadPoolExecutor(2) as both:
        for _ in both.map(
            lambda _: supplies.refill(bench.tools, "bags", pieces=1, seen=None, who=SWEEP), range(8)
        ):
            pass

    assert left(bench)["bags"] == 108


def test_who_may_and_what_is_not_there(bench: Bench) -> None:
    assert bench.ask("POST", "/v1/supplies/none/refill", {}).status_code == 404
    assert bench.ask("POST", "/v1/supplies/bags/refill", {}, role="desk").status_code == 403
    assert bench.ask("POST", "/v1/supplies/bags/count", {"left": -1}).status_code == 422
    assert bench.ask("GET", "/v1/supplies", role="desk").status_code == 200
