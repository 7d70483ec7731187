"""A bin is counted by tablet: what was counted is shown beside what is on record before it is taken."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from functools import partial
from pathlib import Path
from typing import Any

import pytest
from httpx import Response

from service.records.db import Database
from service.records.tables import BinChange
from tests.benches import Bench, jobs_of
from tests.clocks import SetClock


@pytest.fixture
def bench(database: Database, clock: SetClock, tmp_path: Path) -> Bench:
    """Fifty paring knives in A1, and as many in B1."""
    return Bench(database, clock, tmp_path)


def begun(bench: Bench, bin_name: str = "A1", *, role: str = "bench") -> dict[str, Any]:
    answer = bench.ask("POST", "/v1/stock/counts", {"bin": bin_name}, role=role)
    assert (answer.status_code, answer.headers["ETag"]) == (200, answer.json()["etag"]), answer.text
    body: dict[str, Any] = answer.json()
    return body


def act(bench: Bench, count: dict[str, Any], what: str, body: Any = None) -> Response:
    at = f"/v1/stock/counts/{count['id']}/{what}"
    return bench.ask("POST", at, body, If_Match=count["etag"])


def said(bench: Bench, count: dict[str, Any], **counted: int | None) -> dict[str, Any]:
    answer = act(bench, count, "counted", {"counted": counted})
    assert answer.status_code == 200, answer.text
    body: dict[str, Any] = answer.json()
    return body


def boxed(bench: Bench, bin_name: str = "A1", sku: str = "PARER") -> int:
    stock = bench.ask("GET", "/v1/stock").json()["stock"]
    return next(int(row["boxed"]) for row in stock if (row["bin"], row["sku"]) == (bin_name, sku))


def line_of(count: dict[str, Any], sku: str = "PARER") -> dict[str, Any]:
    return next(line for line in count["lines"] if line["sku"] == sku)


def test_boxes_are_scanned_one_by_one_and_the_difference_stands_beside(bench: Bench) -> None:
    count = begun(bench)
    for _ in range(3):
        count = act(bench, count, "scan", {"code": "PARER"}).json()
    three = line_of(count)
    count = said(bench, count, PARER=49)

    assert (three["on_record"], three["counted"], three["difference"]) == (50, 3, -47)
    assert line_of(count) == {
        "sku": "PARER",
        "on_record": 50,
        "reserved": 0,
        "counted": 49,
        "difference": -1,
        "is_jump": False,
    }
    assert boxed(bench) == 50  # shown before it is taken
    done = act(bench, count, "take", {}).json()
    assert (done["state"], boxed(bench)) == ("taken", 49)


def test_a_scan_that_is_sent_twice_counts_once(bench: Bench) -> None:
    count = begun(bench)
    first, again = (act(bench, count, "scan", {"code": "PARER"}) for _ in range(2))
    now = bench.ask("GET", f"/v1/stock/counts/{count['id']}").json()

    assert (first.status_code, again.status_code) == (200, 412)
    assert line_of(now)["counted"] == 1


def test_two_tablets_that_scan_at_once_count_one_scan_and_tell_the_other(bench: Bench) -> None:
    count = begun(bench)
    with ThreadPoolExecutor(2) as two:
        scans = [two.submit(partial(act, bench, count, "scan", {"code": "PARER"})) for _ in range(2)]
        answers = sorted(scan.result().status_code for scan in scans)
    now = bench.ask("GET", f"/v1/stock/counts/{count['id']}").json()

    assert answers == [200, 412]
    assert line_of(now)["counted"] == 1


def test_a_bin_is_counted_once_at_a_time_and_whoever_comes_next_goes_on(bench: Bench) -> None:
    first = said(bench, begun(bench), PARER=7)
    other = begun(bench, "BIN.a1", role="desk")
    listed = bench.ask("GET", "/v1/stock/counts").json()["counts"]

    assert (other["id"], line_of(other)["counted"]) == (first["id"], 7)
    assert [count["bin"] for count in listed] == ["A1"]


def test_what_was_not_counted_stays_as_it_is(bench: Bench) -> None:
    skus = sorted(bench.shop.products)
    other = next(sku for sku in skus if sku != "PARER")
    act(bench, said(bench, begun(bench), PARER=48), "take", {}).raise_for_status()

    assert (boxed(bench), boxed(bench, sku=other)) == (48, 50)


@pytest.mark.parametrize(("counted", "asked"), [(30, True), (74, False), (76, True), (0, True), (26, False)])
def test_a_jump_is_asked_about_before_it_is_taken(bench: Bench, counted: int, asked: bool) -> None:
    """By the usual figures: more than half of the fifty, either way."""
    if counted == 30:  # from 14
        act(bench, said(bench, begun(bench), PARER=14), "take", {"sure": ["PARER"]}).raise_for_status()
    before = boxed(bench)
    count = said(bench, begun(bench), PARER=counted)
    answer = act(bench, count, "take", {})

    assert line_of(count)["is_jump"] is asked
    if not asked:
        assert (answer.status_code, boxed(bench)) == (200, counted)
        return
    assert (answer.status_code, answer.json()["code"]) == (409, "count_jumps")
    assert answer.json()["jumps"] == [{"sku": "PARER", "on_record": before, "counted": counted}]
    assert boxed(bench) == before
    assert act(bench, count, "take", {"sure": ["PARER"]}).status_code == 200
    assert boxed(bench) == counted


def test_a_bin_that_changes_while_it_is_counted_is_looked_at_again(bench: Bench) -> None:
    bench.order()
    count = said(bench, begun(bench), PARER=50)
    bench.pulled(bench.claimed())
    refused = act(bench, count, "take", {})
    now = bench.ask("GET", f"/v1/stock/counts/{count['id']}").json()

    assert (refused.status_code, refused.json()["code"]) == (412, "stale_version")
    assert [(one["what"], one["units"], one["job"]) for one in now["meanwhile"]] == [("pulled", -1, "J1")]
    assert (line_of(now)["on_record"], line_of(now)["difference"]) == (49, 1)
    assert act(bench, now, "take", {}).status_code == 200  # having seen it


def test_taken_twice_is_taken_once(bench: Bench) -> None:
    count = said(bench, begun(bench), PARER=48)
    answers = [act(bench, count, "take", {}) for _ in range(2)]
    counted = bench.rows(BinChange, BinChange.what == "counted")

    assert [answer.status_code for answer in answers] == [200, 200]
    assert [(one.units, one.boxed) for one in counted] == [(-2, 48)]
    assert act(bench, count, "scan", {"code": "PARER"}).status_code == 412


def test_a_dropped_count_changes_nothing_and_the_next_one_begins_anew(bench: Bench) -> None:
    count = said(bench, begun(bench), PARER=3)
    dropped = [act(bench, count, "drop").json()["state"] for _ in range(2)]
    again = begun(bench)

    assert dropped == ["dropped", "dropped"]
    assert (boxed(bench), again["id"] != count["id"], line_of(again)["counted"]) == (50, True, None)


def test_fewer_than_a_load_is_about_to_fetch_are_not_taken(bench: Bench) -> None:
    bench.order(quantity=2)
    jobs = jobs_of(bench.claimed())
    count = said(bench, begun(bench), PARER=len(jobs) - 1)
    answer = act(bench, count, "take", {"sure": ["PARER"]})

    assert (answer.status_code, answer.json()["code"]) == (409, "stock_too_low")
    assert boxed(bench) == 50


@pytest.mark.parametrize(
    ("code", "status"), [("nothing of ours", 409), ("J1", 409), ("BIN.B1", 409), ("\t", 409)]
)
def test_what_is_no_box_is_not_counted(bench: Bench, code: str, status: int) -> None:
    count = begun(bench)
    answer = act(bench, count, "scan", {"code": code})

    assert (answer.status_code, answer.json()["code"]) == (status, "wrong_box")
    assert bench.ask("GET", f"/v1/stock/counts/{count['id']}").json() == count


def test_a_bin_that_is_not_there_is_not_counted(bench: Bench) -> None:
    assert bench.ask("POST", "/v1/stock/counts", {"bin": "Z9"}).status_code == 404
    assert bench.ask("GET", "/v1/stock/counts/COUNT9").status_code == 404
    assert bench.ask("POST", "/v1/stock/counts", {"bin": "A1"}, role="store").status_code == 403


def test_every_change_of_a_bin_is_in_its_history(bench: Bench, clock: SetClock) -> None:
    bench.order(quantity=2)
    load = bench.claimed()
    missing, found = jobs_of(load)
    load = bench.mounted(load)
    clock.advance(minutes=1)
    bench.do(load, "pulled", {"jobs": {missing: "missing", found: "found"}})
    act(bench, said(bench, begun(bench), PARER=47), "take", {}).raise_for_status()
    changes = bench.ask("GET", "/v1/stock/changes?bin=A1&limit=3").json()["changes"]
    first = bench.ask("GET", "/v1/stock/changes?bin=A1&limit=1")
    older = bench.ask("GET", first.links["next"]["url"]).json()["changes"]

    assert [(c["what"], c["units"], c["boxed"], c.get("job")) for c in changes] == [
        ("counted", -1, 47, None),
        ("pulled", -1, 48, found),
        ("missing", -1, 49, missing),
    ]
    assert changes[0]["who"] == "bench:bench-1"
    assert (first.json()["changes"], older) == (changes[:1], changes[1:2])
