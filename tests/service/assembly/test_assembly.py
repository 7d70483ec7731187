"""Work orders are built unit by unit: inspected, reworked, put into bins by scan, and counted there once."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from dataclasses import replace
from functools import partial
from pathlib import Path
from threading import Barrier, BrokenBarrierError
from typing import Any

import pytest
from httpx import Response
from sqlalchemy.orm import Session

from layout.shop.assembly import Assembly
from layout.shop.shop import Policy
from service.assembly import work_order_rows
from service.audit import assembly_rows, history_rows, stock_rows
from service.audit.look import one_moment
from service.records.db import Database
from service.records.tables import WorkOrder
from tests import pdf
from tests.benches import Bench, a_bench_shop, flat_plate
from tests.clocks import SetClock
from tests.counter import a_key, a_lot, an_open_counter

_POINTS = ("Edge bites paper", "Handle without gaps")


@pytest.fixture
def bench(database: Database, clock: SetClock, tmp_path: Path) -> Bench:
    """Two points for every unit; fifty paring knives in A1, and as many in B1."""
    shop = replace(a_bench_shop(flat_plate()), policy=Policy(assembly=Assembly(inspect=_POINTS)))
    return Bench(database, clock, tmp_path, shop)


def wanted(bench: Bench, *, key: str = "", role: str = "owner", **changes: Any) -> Response:
    body = {"sku": "PARER", "quantity": 2, "due": "2030-01-31T16:00:00Z", **changes}
    return bench.ask("POST", "/v1/work-orders", body, role=role, Idempotency_Key=key or a_key())


def made(bench: Bench, **changes: Any) -> dict[str, Any]:
    answer = wanted(bench, **changes)
    assert answer.status_code == 201, answer.text
    body: dict[str, Any] = answer.json()
    return body


def act(bench: Bench, unit: str, what: str, **body: Any) -> Response:
    return bench.ask("POST", f"/v1/built-units/{unit}/{what}", body)


def passed(bench: Bench, unit: str) -> Response:
    return act(bench, unit, "pass", points=list(_POINTS))


def scanned(bench: Bench, code: str, **where: str) -> Response:
    return bench.ask("POST", "/v1/assembly/scan", {"code": code, **where})


def order(bench: Bench, identity: str = "W1") -> dict[str, Any]:
    body: dict[str, Any] = bench.ask("GET", f"/v1/work-orders/{identity}").json()
    return body


def boxed(bench: Bench, bin_name: str = "A1") -> int:
    stock = bench.ask("GET", "/v1/stock").json()["stock"]
    return next(int(row["boxed"]) for row in stock if (row["bin"], row["sku"]) == (bin_name, "PARER"))


def is_true(bench: Bench) -> None:
    """The audit finds no fault with what was built and counted."""
    looks = (
        assembly_rows.work_orders_do_not_add_up,
        assembly_rows.stocked_unlike_bin,
        stock_rows.count_unlike_history,
        stock_rows.changes_torn,
        history_rows.moves_not_allowed,
    )
    with one_moment(bench.database.engine) as session:
        assert [found for look in looks for found in look(session)] == []


def test_units_are_built_inspected_and_counted_where_they_are_put(bench: Bench) -> None:
    made(bench)
    inspect = scanned(bench, "u1").json()
    passed(bench, "U1").raise_for_status()
    waits = scanned(bench, "U1").json()
    stocked = scanned(bench, "BIN.B1", unit="U1").json()
    half = order(bench)
    passed(bench, "U2").raise_for_status()
    last = scanned(bench, "U2", bin="b1").json()

    assert (inspect["what"], inspect["points"], inspect["usual_bin"]) == ("inspect", list(_POINTS), "A1")
    assert (waits["what"], stocked["what"], last["what"]) == ("passed", "stocked", "stocked")
    assert (stocked["unit"]["bin"], stocked["unit"]["state"]) == ("B1", "stocked")
    assert (half["state"], half["to_build"], half["stocked"]) == ("open", 1, 1)
    assert (order(bench)["state"], boxed(bench, "B1"), boxed(bench)) == ("done", 52, 50)
    (newest,) = bench.ask("GET", "/v1/stock/changes?bin=B1&limit=1").json()["changes"]
    assert (newest["what"], newest["units"], newest["unit"]) == ("built", 1, "U2")
    is_true(bench)


def test_a_unit_scanned_again_is_counted_once(bench: Bench) -> None:
    made(bench)
    passed(bench, "U1").raise_for_status()
    first = scanned(bench, "U1", bin="A1").json()["what"]
    again = [
        scanned(bench, "U1", bin="A1").json()["what"],
        scanned(bench, "U1").json()["what"],
        scanned(bench, "BIN.A1", unit="U1").json()["what"],
        act(bench, "U1", "put-in", bin="A1").json()["state"],
    ]
    elsewhere = scanned(bench, "BIN.B1", unit="U1")

    assert (first, again) == ("stocked", ["stocked_before"] * 3 + ["stocked"])
    assert (elsewhere.status_code, elsewhere.json()["code"]) == (409, "move_not_allowed")
    assert (boxed(bench), boxed(bench, "B1")) == (51, 50)
    is_true(bench)


def test_two_tablets_with_the_last_two_units_end_the_work_order_once(bench: Bench) -> None:
    made(bench)
    for unit in ("U1", "U2"):
        passed(bench, unit).raise_for_status()
    with ThreadPoolExecutor(4) as tablets:
        scans = [tablets.submit(partial(scanned, bench, unit, bin="A1")) for unit in ("U1", "U2") * 2]
        statuses = {scan.result().status_code for scan in scans}

    assert statuses == {200}
    assert (boxed(bench), order(bench)["state"]) == (52, "done")
    assert bench.moves("work", "W1") == ["open", "done"]
    is_true(bench)


def test_nothing_goes_into_a_bin_that_was_not_inspected(bench: Bench) -> None:
    made(bench)
    some = act(bench, "U1", "pass", points=["Edge bites paper"])
    refused = [scanned(bench, "U1", bin="A1"), scanned(bench, "BIN.A1", unit="U1")]

    assert (some.status_code, some.json()["points"]) == (422, ["Handle without gaps"])
    assert [(answer.status_code, answer.json()["code"]) for answer in refused] == [
        (409, "wrong_box"),
        (409, "move_not_allowed"),
    ]
    assert (boxed(bench), order(bench)["to_build"]) == (50, 2)


def test_what_fails_goes_to_rework_with_its_reason_and_comes_back_by_scan(bench: Bench) -> None:
    made(bench)
    bad = {"reason": "Handle without gaps", "note": "at the bolster"}
    first, again = (act(bench, "U1", "rework", **bad) for _ in range(2))
    in_work = bench.ask("GET", "/v1/assembly").json()["units"]
    not_back = passed(bench, "U1")
    back, twice = (scanned(bench, "U1").json()["what"] for _ in range(2))
    passed(bench, "U1").raise_for_status()

    assert (first.json()["state"], first.json() == again.json()) == ("rework", True)
    assert [(unit["id"], unit["reason"]) for unit in in_work] == [
        ("U1", "Handle without gaps: at the bolster")
    ]
    assert (not_back.status_code, back, twice) == (409, "back", "inspect")
    assert bench.moves("unit", "U1") == ["to_build", "rework", "reworked", "passed"]
    assert "reason" not in bench.ask("GET", "/v1/built-units/U1").json()
    is_true(bench)


def test_what_failed_is_counted_by_product_and_reason(bench: Bench, clock: SetClock) -> None:
    made(bench)
    act(bench, "U1", "rework", reason="Edge bites paper").raise_for_status()
    scanned(bench, "U1")
    act(bench, "U1", "rework", reason="Edge bites paper", note="near the tip").raise_for_status()
    act(bench, "U2", "give-up", reason="other", note="cracked: at the tang").raise_for_status()
    day = clock().date().isoformat()
    answer = bench.ask("GET", f"/v1/assembly/failures?from={day}&to={day}").json()
    before = bench.ask("GET", "/v1/assembly/failures?from=2026-01-01&to=2026-01-02").json()

    assert (answer["rework"], answer["given_up"], before["counts"]) == (2, 1, [])
    assert answer["counts"] == [
        {"sku": "PARER", "reason": "Edge bites paper", "rework": 2, "given_up": 0},
        {"sku": "PARER", "reason": "other", "rework": 0, "given_up": 1},
    ]


@pytest.mark.parametrize(
    "bad",
    [{"reason": "Looks odd"}, {"reason": "other"}, {"reason": ""}, {"reason": "other", "note": "\u0000"}],
)
def test_a_reason_is_one_of_the_shop_s(bench: Bench, bad: dict[str, str]) -> None:
    made(bench)

    assert act(bench, "U1", "rework", **bad).status_code == 422
    assert order(bench)["rework"] == 0


def test_a_unit_given_up_goes_nowhere_and_ends_its_work_order(bench: Bench) -> None:
    made(bench, quantity=1)
    for _ in range(2):
        act(bench, "U1", "give-up", reason="other", note="cracked").raise_for_status()
    refused = scanned(bench, "U1")

    assert (refused.status_code, refused.json()["code"]) == (409, "wrong_box")
    assert (order(bench)["state"], order(bench)["given_up"], boxed(bench)) == ("done", 1, 50)
    is_true(bench)


def test_an_order_that_waits_gets_the_unit_that_is_built(bench: Bench) -> None:
    (job,) = bench.order()
    none = [{"bin": name, "sku": "PARER", "boxed": 0} for name in ("A1", "B1")]
    bench.ask("PUT", "/v1/stock", {"counts": none}, role="desk").raise_for_status()
    before = bench.job(job).state
    made(bench)
    passed(bench, "U1").raise_for_status()
    scanned(bench, "U1", bin="B1").raise_for_status()

    assert (before, bench.job(job).state, bench.job(job).bin) == ("short", "ready", "B1")


def test_a_cancelled_work_order_lets_what_was_built_go_on(bench: Bench) -> None:
    seen = made(bench, quantity=3)
    passed(bench, "U1").raise_for_status()
    stale = bench.ask(
        "POST", f"/v1/work-orders/{seen['id']}/cancel", {"reason": "no walnut"}, role="owner", If_Match='"1"'
    )
    done = bench.ask("POST", "/v1/work-orders/W1/cancel", {"reason": "no walnut"}, role="owner", If_Match="*")
    stocked = scanned(bench, "U1", bin="A1").json()["what"]
    never = scanned(bench, "U2")

    assert (stale.status_code, done.json()["state"], stocked) == (412, "cancelled", "stocked")
    assert (never.status_code, "was cancelled" in never.json()["detail"]) == (409, True)
    assert (order(bench)["state"], boxed(bench)) == ("cancelled", 51)
    is_true(bench)


def test_a_work_order_is_made_once_per_key_and_not_twice_from_one_plan(bench: Bench) -> None:
    first, again = (wanted(bench, key="from-the-plan", seen=0) for _ in range(2))
    other = wanted(bench, seen=0)
    knowing = wanted(bench, seen=2)

    assert (first.status_code, first.text == again.text) == (201, True)
    assert (other.status_code, other.json()["code"], knowing.status_code) == (412, "stale_version", 201)
    listed = bench.ask("GET", "/v1/work-orders?limit=1")
    assert [one["id"] for one in listed.json()["work_orders"]] == ["W2"]
    assert bench.ask("GET", listed.links["next"]["url"]).json()["work_orders"][0]["id"] == "W1"


def test_of_two_at_once_who_ask_for_a_product_that_no_bin_ever_held_one_is_told(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Both have looked before either has written, unless one waits for the other."""
    both = Barrier(2)
    really = work_order_rows.being_built

    def being_built(session: Session, sku: str) -> int:
        found = really(session, sku)
        with suppress(BrokenBarrierError):
            both.wait(0.4)
        return found

    monkeypatch.setattr(work_order_rows, "being_built", being_built)
    with ThreadPoolExecutor(2) as two:
        asked = [two.submit(wanted, bench, sku="CHEF", seen=0) for _ in range(2)]
        answers = sorted(one.result().status_code for one in asked)

    assert answers == [201, 412]
    assert len(bench.rows(WorkOrder)) == 1


def test_the_house_mark_goes_ahead_as_a_lot(database: Database, clock: SetClock, tmp_path: Path) -> None:
    lot = a_lot()
    mark = {"inscriptions": lot["inscriptions"], "due": "2026-12-02T16:00:00Z"}
    body = {"sku": "AQ-PARE-9", "quantity": 12, "due": "2026-12-04T16:00:00Z", "house_mark": mark}
    ask = {"role": "owner", "method": "POST", "path": "/v1/work-orders"}
    with an_open_counter(database, clock, tmp_path) as counter:
        wrong = [{**lot["inscriptions"][0], "artwork": "no-such-mark"}]
        refused = counter.ask(
            **ask, body={**body, "house_mark": {**mark, "inscriptions": wrong}}, Idempotency_Key=a_key()
        )
        nothing = [counter.ask("owner", "GET", f"/v1/{what}").json() for what in ("lots", "work-orders")]
        made = counter.ask(**ask, body=body, Idempotency_Key=a_key()).json()
        (opened,) = counter.ask("owner", "GET", "/v1/lots").json()["lots"]

    assert (refused.status_code, refused.json()["code"]) == (422, "unengravable")
    assert nothing == [{"lots": []}, {"work_orders": []}]
    assert (made["blade"], made["handle"], made["quantity"]) == ("AQ-PARE-9-BARE", made["handle"], 12)
    assert made["lot"] == {
        "id": opened["id"],
        "state": "open",
        "quantity": 12,
        "marked": 0,
        "due": "2026-12-02T16:00:00+00:00",
    }
    assert opened["sku"] == "AQ-PARE-9-BARE"


def test_labels_are_of_the_work_order_and_of_what_is_still_to_come(bench: Bench) -> None:
    made(bench)
    passed(bench, "U1").raise_for_status()
    scanned(bench, "U1", bin="A1").raise_for_status()
    labels = bench.ask("GET", "/v1/work-orders/W1/labels.pdf")
    again = bench.ask("GET", "/v1/work-orders/W1/labels.pdf", If_None_Match=labels.headers["ETag"])

    assert (again.status_code, again.content) == (304, b"")
    assert labels.headers["content-type"] == "application/pdf"
    assert [page.split()[-1] for page in pdf.words_of(labels.content)] == ["W1", "U2"]


@pytest.mark.parametrize(
    ("code", "status"), [("nonsense", 409), ("U99", 409), ("W99", 404), ("J1", 409), ("\t", 409)]
)
def test_what_belongs_elsewhere_is_refused(bench: Bench, code: str, status: int) -> None:
    made(bench)
    assert scanned(bench, code).status_code == status


def test_a_product_s_barcode_finds_the_work_order_that_is_due_first(bench: Bench) -> None:
    none = scanned(bench, "PARER")
    made(bench)
    made(bench, due="2029-01-31T16:00:00Z")

    assert (none.status_code, scanned(bench, "PARER").json()["work_order"]) == (409, "W2")
    assert scanned(bench, "W1").json() == {"what": "work_order", "points": [], "work_order": "W1"}
    assert scanned(bench, "BIN.a1").json() == {"what": "bin", "points": [], "bin": "A1"}


@pytest.mark.parametrize(
    ("role", "path", "status"),
    [("bench", "/v1/work-orders", 403), ("desk", "/v1/work-orders", 403), ("store", "/v1/work-orders", 403)],
)
def test_the_owner_says_what_is_built(bench: Bench, role: str, path: str, status: int) -> None:
    assert wanted(bench, role=role).status_code == status
    assert bench.ask("GET", path, role=role).status_code == (403 if role == "store" else 200)
    assert bench.ask("POST", "/v1/assembly/scan", {"code": "U1"}, role="desk").status_code == 403


@pytest.mark.parametrize(
    "changes",
    [{"quantity": 0}, {"quantity": 501}, {"sku": "NONE"}, {"due": "soon"}, {"due": "0001-01-01T00:00:00Z"}],
)
def test_an_impossible_work_order_is_refused(bench: Bench, changes: dict[str, Any]) -> None:
    assert wanted(bench, **changes).status_code == 422
    assert bench.ask("GET", "/v1/work-orders").json()["work_orders"] == []
