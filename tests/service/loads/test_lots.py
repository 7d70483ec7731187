"""Lots of bare blades: counted through loading, burning, inspection and hand-over."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from layout.check.feasibility import CheckResult
from layout.shop.findings import Verdict
from layout.shop.loads import Mark
from service.loads import lots
from service.records.db import Database
from service.records.errors import BadRequest
from service.records.tables import BurnStart, Lot
from service.records.who import By
from tests.benches import OPERATOR, Bench, a_square, jobs_of
from tests.clocks import SetClock
from tests.counter import a_lot, an_open_counter
from tests.golden.turns import SATIN

At = Callable[[], Bench]


@pytest.fixture
def at(database: Database, clock: SetClock, tmp_path: Path) -> At:
    return lambda: Bench(database, clock, tmp_path)


def counts(bench: Bench) -> tuple[int, int, int, int, str]:
    (lot,) = bench.rows(Lot)
    return lot.waiting, lot.loaded, lot.marked, lot.scrapped, lot.state


def lots_in(load: dict[str, Any]) -> list[str]:
    return [slot["slot"] for slot in load["turns"][0]["slots"] if "lot" in slot]


def test_bare_blades_fill_the_slots_that_orders_leave_free(at: At) -> None:
    bench = at()
    bench.order(quantity=2)
    bench.lot(quantity=10)

    load = bench.claimed()

    assert jobs_of(load) == ["J1", "J2"]
    assert lots_in(load) == ["S3", "S4", "S5", "S6"]
    assert counts(bench) == (6, 4, 0, 0, "open")
    assert load["pulls"][-1] == {"bin": None, "sku": "BARE", "quantity": 4, "jobs": [], "lot": "LOT1"}


def test_bare_blades_wait_while_an_order_is_urgent(at: At) -> None:
    bench = at()
    bench.order(due_days=0)
    bench.lot()

    assert lots_in(bench.claimed()) == []
    assert counts(bench) == (4, 0, 0, 0, "open")


def test_with_no_order_a_load_of_bare_blades_alone_is_given(at: At) -> None:
    bench = at()
    bench.lot(quantity=8)

    load = bench.claimed()

    assert lots_in(load) == ["S1", "S2", "S3", "S4", "S5", "S6"]


def test_a_lot_is_marked_counted_and_handed_over(at: At) -> None:
    bench = at()
    bench.lot(quantity=3)
    load = bench.burned()
    burned = counts(bench)

    inspected = bench.do(load, "inspect", {"lots": {"LOT1": {"pass": 2, "scrap": 1}}})
    bench.do(inspected, "release")
    seen = bench.ask("GET", "/v1/lots/LOT1")
    handed = bench.ask("POST", "/v1/lots/LOT1/hand-over", If_Match=seen.headers["ETag"])

    assert burned == (0, 3, 0, 0, "open")
    assert counts(bench) == (0, 0, 2, 1, "handed_over")
    assert handed.json()["state"] == "handed_over"
    assert [(s.lot_id, s.job_id, s.outcome) for s in bench.rows(BurnStart)] == [(1, None, "complete")] * 3


def test_blades_that_are_not_there_wait_again(at: At) -> None:
    bench = at()
    bench.lot(quantity=3)
    load = bench.claimed()

    told = bench.do(load, "pulled", {"lots": {"LOT1": 2}})

    assert counts(bench) == (1, 2, 0, 0, "open")
    assert (told["state"], told["revision"]) == ("pulled", 2)
    assert [clear["slot"] for clear in told["clear"]] == ["S3"]


def test_a_load_with_blades_is_not_pulled_until_they_are_counted(at: At) -> None:
    bench = at()
    bench.order()
    bench.lot(quantity=1)

    half = bench.do(bench.claimed(), "pulled", {"jobs": {"J1": "found"}})

    assert half["state"] == "claimed"
    assert bench.do(half, "pulled", {"lots": {"LOT1": 1}})["state"] == "pulled"


def test_dropping_a_load_gives_its_blades_back(at: At) -> None:
    bench = at()
    bench.lot(quantity=3)

    bench.do(bench.claimed(), "drop")

    assert counts(bench) == (3, 0, 0, 0, "open")


def test_a_blade_that_does_not_fit_waits_again(at: At) -> None:
    bench = at()
    bench.lot(quantity=2)
    load = bench.pulled(bench.claimed())

    bench.do(load, "seated", {"turn": 1, "slots": {"S1": "does_not_fit", "S2": "seated"}})

    assert counts(bench) == (1, 1, 0, 0, "open")


def test_after_an_interruption_blades_are_counted_by_what_is_on_them(at: At) -> None:
    bench = at()
    bench.lot(quantity=4)

    told = bench.do(bench.burning(), "resolve", {"lots": {"LOT1": {"clean": 1, "partial": 1, "complete": 2}}})

    assert told["state"] == "burned"
    assert counts(bench) == (1, 2, 0, 1, "open")
    assert sorted(str(start.outcome) for start in bench.rows(BurnStart)) == [
        "clean",
        "complete",
        "complete",
        "partial",
    ]
    inspected = bench.do(told, "inspect", {"lots": {"LOT1": {"pass": 2}}})
    assert bench.do(inspected, "release")["state"] == "closed"
    assert counts(bench) == (1, 0, 2, 1, "open")


@pytest.mark.parametrize(
    ("what", "body"),
    [
        ("inspect", {"lots": {"LOT1": {"pass": 3}}}),
        ("inspect", {"lots": {"LOT9": {"pass": 1}}}),
        ("inspect", {"lots": {"LOT1": {"pass": -1}}}),
    ],
)
def test_more_blades_than_there_are_can_not_be_inspected(at: At, what: str, body: Any) -> None:
    bench = at()
    bench.lot(quantity=2)

    assert bench.post(bench.burned(), what, body).status_code == 422
    assert counts(bench) == (0, 2, 0, 0, "open")


def test_blades_must_be_inspected_before_their_load_is_released(at: At) -> None:
    bench = at()
    bench.lot(quantity=2)
    load = bench.do(bench.burned(), "inspect", {"lots": {"LOT1": {"pass": 1}}})

    answer = bench.post(load, "release")

    assert (answer.status_code, answer.json()["waiting"]) == (409, ["LOT1"])


def test_a_lot_is_handed_over_only_when_it_is_done_and_as_it_was_seen(at: At) -> None:
    bench = at()
    bench.lot(quantity=2)

    early = bench.ask("POST", "/v1/lots/LOT1/hand-over", If_Match='"1"')
    missing = bench.ask("POST", "/v1/lots/LOT1/hand-over")
    stale = bench.ask("POST", "/v1/lots/LOT1/hand-over", If_Match='"9"')

    assert [answer.status_code for answer in (early, missing, stale)] == [409, 428, 412]


def test_lots_come_in_pages(at: At) -> None:
    bench = at()
    for _ in range(3):
        bench.lot()

    first = bench.ask("GET", "/v1/lots?limit=2")
    link = first.headers["Link"].split(";")[0].strip("<>")
    second = bench.ask("GET", link)

    assert [lot["id"] for lot in first.json()["lots"] + second.json()["lots"]] == ["LOT1", "LOT2", "LOT3"]


def test_a_lot_of_the_made_up_shop_is_checked_and_stored_once_per_key(
    sqlite_database: Database, clock: SetClock, tmp_path: Path
) -> None:
    with an_open_counter(sqlite_database, clock, tmp_path) as counter:
        first = counter.ask("owner", "POST", "/v1/lots", a_lot(), Idempotency_Key="lot-key-1")
        again = counter.ask("owner", "POST", "/v1/lots", a_lot(), Idempotency_Key="lot-key-1")
        refused = counter.ask("bench", "POST", "/v1/lots", a_lot(), Idempotency_Key="lot-key-2")
        finished = counter.ask(
            "owner", "POST", "/v1/lots", a_lot(sku="AQ-HORI-18"), Idempotency_Key="lot-key-3"
        )

    assert (first.status_code, first.json()["waiting"]) == (201, 40)
    assert first.json()["burn_seconds"] > 1
    assert again.text == first.text
    assert refused.status_code == 403
    assert (finished.status_code, finished.json()["field"]) == (422, "sku")


def test_what_was_marked_of_a_cancelled_lot_is_handed_over(at: At) -> None:
    bench = at()
    bench.lot(quantity=10)
    load = bench.burned()
    seen = bench.ask("GET", "/v1/lots/LOT1")
    etag, why = seen.headers["ETag"], {"reason": "other blades"}
    cancelled = bench.ask("POST", "/v1/lots/LOT1/cancel", why, role="owner", If_Match=etag)
    early = bench.ask("POST", "/v1/lots/LOT1/hand-over", If_Match=cancelled.headers["ETag"])

    bench.do(bench.do(load, "inspect", {"lots": {"LOT1": {"pass": 6}}}), "release")
    etag = bench.ask("GET", "/v1/lots/LOT1").headers["ETag"]
    handed = bench.ask("POST", "/v1/lots/LOT1/hand-over", If_Match=etag)

    assert (cancelled.status_code, cancelled.json()["state"]) == (200, "cancelled")
    assert early.status_code == 409  # six of its blades are still at the laser
    assert handed.json()["state"] == "handed_over"
    assert counts(bench) == (4, 0, 6, 0, "handed_over")


def test_of_a_cancelled_lot_without_a_marked_blade_nothing_is_handed_over(at: At) -> None:
    bench = at()
    bench.lot(quantity=3)
    load = bench.claimed()

    bench.ask("POST", "/v1/lots/LOT1/cancel", {"reason": "a mistake"}, role="owner", If_Match="*")
    handed = bench.ask("POST", "/v1/lots/LOT1/hand-over", If_Match="*")

    assert handed.status_code == 409
    assert counts(bench) == (3, 0, 0, 0, "cancelled")  # its blades came back out of the load
    assert bench.see(load)["state"] == "dropped"
    assert bench.next().status_code == 204


def test_a_lot_is_cancelled_by_the_owner_and_as_it_was_seen(at: At) -> None:
    bench = at()
    bench.lot(quantity=3)
    reason = {"reason": "a mistake"}

    answers = [
        bench.ask("POST", "/v1/lots/LOT1/cancel", reason, role=role, **headers).status_code
        for role, headers in (
            ("bench", {"If_Match": "*"}),
            ("owner", {}),
            ("owner", {"If_Match": '"9"'}),
        )
    ]

    assert answers == [403, 428, 412]
    assert counts(bench)[-1] == "open"


def test_a_cancelled_lot_stays_cancelled_when_its_last_blade_is_inspected(at: At) -> None:
    bench = at()
    bench.lot(quantity=3)
    load = bench.burned()
    bench.ask("POST", "/v1/lots/LOT1/cancel", {"reason": "a mistake"}, role="owner", If_Match="*")

    bench.do(load, "inspect", {"lots": {"LOT1": {"pass": 3}}})

    assert counts(bench) == (0, 0, 3, 0, "cancelled")


def test_a_lot_is_marked_on_one_face(sqlite_database: Database, clock: SetClock, tmp_path: Path) -> None:
    bench = Bench(sqlite_database, clock, tmp_path)
    mark = Mark("flat", "mark_side", SATIN, a_square())
    checked = CheckResult(Verdict.ACCEPT, (), marks=(mark, replace(mark, face="pile_side")))
    wanted = lots.LotWanted("BARE", (), 4, bench.clock())

    with pytest.raises(BadRequest, match="one face"):
        bench.database.write(
            lambda session: lots.open_lot(
                session, wanted, checked, shop=bench.shop, by=By(OPERATOR, bench.clock())
            )
        )

    assert bench.rows(Lot) == []


def test_every_blade_of_a_lot_may_be_spoiled(at: At) -> None:
    bench = at()
    bench.lot(quantity=3)

    bench.do(bench.burned(), "inspect", {"lots": {"LOT1": {"scrap": 3}}})

    assert counts(bench) == (0, 0, 0, 3, "done")
