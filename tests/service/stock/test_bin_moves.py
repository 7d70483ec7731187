"""Boxes carried from bin to bin: nothing is lost on the way, and jobs know where their units stand."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from functools import partial
from pathlib import Path

import pytest
from httpx import Response

from service.audit import box_rows, stock_rows
from service.audit.look import one_moment
from service.records.db import Database
from tests.benches import Bench
from tests.clocks import SetClock
from tests.counter import a_key


@pytest.fixture
def bench(database: Database, clock: SetClock, tmp_path: Path) -> Bench:
    return Bench(database, clock, tmp_path)


def moved(bench: Bench, units: int, came_from: str = "A1", to: str = "B1", *, key: str = "") -> Response:
    body = {"from": came_from, "to": to, "sku": "PARER", "units": units}
    return bench.ask("POST", "/v1/stock/moves", body, Idempotency_Key=key or a_key())


def counts(bench: Bench) -> dict[str, tuple[int, int]]:
    stock = bench.ask("GET", "/v1/stock").json()["stock"]
    return {row["bin"]: (row["boxed"], row["reserved"]) for row in stock if row["sku"] == "PARER"}


def adds_up(bench: Bench) -> None:
    """What the audit says of bins: they hold what their histories come to, and what jobs have there."""
    with one_moment(bench.database.engine) as session:
        looks = (
            stock_rows.count_unlike_history,
            stock_rows.changes_torn,
            stock_rows.moved_one_way,
            box_rows.reserved_differs,
        )
        assert [found for look in looks for found in look(session)] == []


def test_boxes_are_moved_and_both_bins_know_it(bench: Bench) -> None:
    answer = moved(bench, 6, "BIN.A1", "b1")
    there = bench.ask("GET", "/v1/stock/changes?bin=B1&limit=1").json()["changes"]

    assert (answer.status_code, answer.json()) == (
        201,
        {"from": "A1", "to": "B1", "sku": "PARER", "units": 6, "left": 44, "there": 56},
    )
    assert [(c["what"], c["units"], c["other_bin"]) for c in there] == [("moved_in", 6, "A1")]
    adds_up(bench)


def test_a_move_that_is_sent_twice_is_one(bench: Bench) -> None:
    first, again = (moved(bench, 6, key="one-move-1") for _ in range(2))

    assert (first.text, again.headers["Idempotency-Replayed"]) == (again.text, "true")
    assert counts(bench) == {"A1": (44, 0), "B1": (56, 0)}


def test_reserved_units_go_along_with_their_jobs(bench: Bench) -> None:
    jobs = bench.order(quantity=3)
    free_first = moved(bench, 47)
    stayed = {bench.job(job).bin for job in jobs}
    moved(bench, 2).raise_for_status()

    assert (free_first.status_code, stayed) == (201, {"A1"})
    assert sorted(str(bench.job(job).bin) for job in jobs) == ["A1", "B1", "B1"]
    assert counts(bench) == {"A1": (1, 1), "B1": (99, 2)}
    adds_up(bench)


def test_what_a_load_is_about_to_fetch_stays_where_its_operator_looks(bench: Bench) -> None:
    bench.order(quantity=2)
    load = bench.claimed()
    refused = moved(bench, 49)
    rest = moved(bench, 48)

    assert (refused.status_code, refused.json()["code"]) == (409, "stock_too_low")
    assert (rest.status_code, counts(bench)) == (201, {"A1": (2, 2), "B1": (98, 0)})
    assert bench.pulled(load)["state"] == "pulled"
    adds_up(bench)


@pytest.mark.parametrize(
    ("units", "came_from", "to", "status"),
    [(51, "A1", "B1", 409), (1, "A1", "A1", 422), (1, "A1", "Z9", 404), (0, "A1", "B1", 422)],
)
def test_what_can_t_be_moved_changes_nothing(
    bench: Bench, units: int, came_from: str, to: str, status: int
) -> None:
    assert moved(bench, units, came_from, to).status_code == status
    assert counts(bench) == {"A1": (50, 0), "B1": (50, 0)}


def test_two_people_who_swap_bins_lose_nothing(bench: Bench) -> None:
    ways = [("A1", "B1"), ("B1", "A1")] * 4
    with ThreadPoolExecutor(4) as people:
        answers = [people.submit(partial(moved, bench, 30, *way)) for way in ways]
        statuses = {answer.result().status_code for answer in answers}
    now = counts(bench)

    assert statuses <= {201, 409}
    assert sum(boxed for boxed, _ in now.values()) == 100
    adds_up(bench)


def test_what_is_in_nobody_s_bin_is_listed(bench: Bench) -> None:
    bench.order(quantity=2)
    load = bench.pulled(bench.claimed())
    bench.ask("POST", "/v1/orders/O1/cancel", {}, role="desk", If_Match="*").raise_for_status()
    bench.order()
    other = bench.ask("GET", "/v1/stock/in-hand").json()["units"]

    assert load["state"] == "pulled"
    assert [(unit["job"], unit["bin"], unit["goes_back"]) for unit in other] == [
        ("J1", "A1", True),
        ("J2", "A1", True),
    ]
