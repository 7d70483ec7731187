"""Measuring where a plate lies: kept on record, and what was still to be burned is built anew with it."""

from __future__ import annotations

import threading
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from service.records.db import Database
from service.records.tables import BurnStart, CalibrationRecord, Load, TurnFile
from tests.benches import Bench, BenchShelf, a_bench_shop
from tests.clocks import SetClock

At = Callable[..., Bench]
#: Where the small shop's two marks, (0, 0) and (150, 0), lie by its description: (-75, -60) and (75, -60).
_MARKS = ((-75.0, -60.0), (75.0, -60.0))


@pytest.fixture
def at(database: Database, clock: SetClock, tmp_path: Path) -> At:
    return lambda shop=None: Bench(database, clock, tmp_path, shop)


def measured(*, by: tuple[float, float] = (0.3, -0.2), copy: str = "turning-1") -> dict[str, Any]:
    """A plate that lies so far from its description."""
    marks = [
        {"mark": number, "station_mm": [x + by[0], y + by[1]]} for number, (x, y) in enumerate(_MARKS, 1)
    ]
    return {"station": "s1", "copy": copy, "marks": marks}


def measure(bench: Bench, key: str = "measured-1", *, role: str = "bench", **what: Any) -> dict[str, Any]:
    answer = bench.ask("POST", "/v1/calibrations", measured(**what), role=role, Idempotency_Key=key)
    assert answer.status_code == 201, answer.text
    said: dict[str, Any] = answer.json()
    return said


def test_a_measured_plate_is_kept_with_what_it_means(at: At, clock: SetClock) -> None:
    bench = at()

    said = measure(bench)

    assert (said["id"], said["plate"], said["in_force"], said["by"]) == ("C1", "turning", True, "bench-1")
    assert said["transform"]["shift_mm"] == [-74.7, -60.2]
    assert said["transform"]["turn_deg"] == pytest.approx(0)
    assert said["from_description"] == {"shift_mm": [0.3, -0.2], "turn_deg": 0.0}
    assert said["residual_mm"] == 0
    assert said["predicted_error"] == {"worst_mm": None, "slot": None}  # two marks say nothing of it
    assert [one["mark"] for one in said["marks"]] == [1, 2]
    assert said["at"] == clock().isoformat()
    assert bench.ask("GET", "/v1/calibrations/C1").json() == {
        name: value for name, value in said.items() if name != "stale_loads"
    }


def test_one_key_puts_one_calibration_on_record(at: At) -> None:
    bench = at()
    first = bench.ask("POST", "/v1/calibrations", measured(), Idempotency_Key="measured-1")

    again = bench.ask("POST", "/v1/calibrations", measured(), Idempotency_Key="measured-1")
    other = bench.ask("POST", "/v1/calibrations", measured(by=(0, 0)), Idempotency_Key="measured-1")
    keyless = bench.ask("POST", "/v1/calibrations", measured())

    assert (again.text, again.headers["Idempotency-Replayed"]) == (first.text, "true")
    assert (other.status_code, keyless.status_code) == (422, 400)
    assert len(bench.rows(CalibrationRecord)) == 1


def test_marks_that_disagree_are_refused_and_nothing_is_kept(at: At) -> None:
    bench = at()
    bent = measured()
    bent["marks"][1]["station_mm"][0] += 0.8

    answer = bench.ask("POST", "/v1/calibrations", bent, Idempotency_Key="measured-1")

    assert (answer.status_code, answer.json()["code"]) == (422, "calibration_refused")
    found = answer.json()["findings"]
    assert {one["code"] for one in found} >= {"residual_too_large", "mark_off"}
    assert all(one["measured"] > one["limit"] for one in found if one["severity"] == "refuse")
    assert bench.rows(CalibrationRecord) == []


@pytest.mark.parametrize(
    "changes",
    [
        {"station": "s9"},
        {"copy": "turning-9"},
        {"marks": [{"mark": 1, "station_mm": [0, 0]}]},
        {"marks": [{"mark": 1, "station_mm": [0, 0]}, {"mark": 3, "station_mm": [1, 1]}]},
        {"marks": [{"mark": 1, "station_mm": [0, 0]}, {"mark": 1, "station_mm": [1, 1]}]},
        {"model": "bent"},
    ],
)
def test_what_is_not_there_can_not_be_measured(at: At, changes: dict[str, Any]) -> None:
    bench = at()

    answer = bench.ask("POST", "/v1/calibrations", {**measured(), **changes}, Idempotency_Key="measured-1")

    assert answer.status_code == 422
    assert bench.rows(CalibrationRecord) == []


@pytest.mark.parametrize(("role", "status"), [("store", 403), ("desk", 403), ("bench", 201), ("owner", 201)])
def test_bench_and_owner_measure(at: At, role: str, status: int) -> None:
    bench = at()

    answer = bench.ask("POST", "/v1/calibrations", measured(), role=role, Idempotency_Key="measured-1")

    assert answer.status_code == status


def test_old_calibrations_stay_and_come_in_pages(at: At) -> None:
    bench = at()
    for number in range(3):
        measure(bench, f"measured-{number}", by=(0.1 * number, 0.0))

    first = bench.ask("GET", "/v1/calibrations?limit=2&station=s1&copy=turning-1")
    second = bench.ask("GET", first.headers["Link"].split(";")[0].strip("<>"))

    listed = first.json()["calibrations"] + second.json()["calibrations"]
    assert [(one["id"], one["in_force"]) for one in listed] == [("C3", True), ("C2", False), ("C1", False)]
    assert bench.ask("GET", "/v1/calibrations?copy=turning-2").json() == {"calibrations": []}


def test_a_new_calibration_makes_an_unburned_file_stale(at: At) -> None:
    bench = at()
    bench.order()
    load = bench.seated(bench.pulled(bench.claimed()))
    old = load["turns"][0]["file_sha256"]

    told = measure(bench)
    seen = bench.see(load)
    late = bench.post(load, "start", {"turn": 1, "file_sha256": old})
    stale = bench.post(seen, "start", {"turn": 1, "file_sha256": old})

    assert told["stale_loads"] == ["L1"]
    assert (seen["state"], seen["revision"], seen["calibration"]["id"]) == ("seated", 2, "C1")
    assert (late.status_code, late.json()["code"]) == (412, "stale_version")
    assert "turning-1 was measured again (C1)" in late.json()["detail"]
    assert (stale.status_code, stale.json()["code"]) == (409, "stale_calibration")
    assert bench.rows(BurnStart) == []


def test_the_new_file_lies_where_the_plate_was_measured_and_is_judged_again(at: At) -> None:
    bench = at()
    bench.order()
    load = bench.seated(bench.pulled(bench.claimed()))
    measure(bench, by=(0.3, -0.2))

    bench.ask("GET", load["turns"][0]["files"]["svg"])
    seen = bench.see(load)
    started = bench.started(seen)

    assert seen["turns"][0]["file_sha256"] not in {None, load["turns"][0]["file_sha256"]}
    assert started["state"] == "burning"
    assert bench.rows(Load)[0].calibration["matrix"][4:] == pytest.approx([-74.7, -60.2])
    files = {(f.revision, f.calibration) for f in bench.rows(TurnFile)}
    assert files == {(1, "nominal"), (2, "C1")}


def test_a_load_whose_marks_leave_the_field_is_refused_by_the_judge(at: At) -> None:
    shop = a_bench_shop()
    bench = at(shop)
    bench.order(quantity=6)
    load = bench.seated(bench.pulled(bench.claimed()))
    narrow = {n: replace(s, field_mm=(116.0, 160.0)) for n, s in shop.stations.items()}
    shelf = bench.tools.catalogue
    assert isinstance(shelf, BenchShelf)
    shelf._by_version[shop.version] = replace(shop, stations=narrow)

    measure(bench, by=(9.0, 0.0))
    answer = bench.ask("GET", load["turns"][0]["files"]["svg"])

    assert (answer.status_code, answer.json()["code"]) == (409, "load_refused")
    assert {finding["code"] for finding in answer.json()["findings"]} == {"outside_field"}


def test_another_plate_copy_s_measure_touches_nothing(at: At) -> None:
    bench = at()
    bench.order()
    load = bench.claimed()

    told = measure(bench, copy="turning-2")

    assert told["stale_loads"] == []
    assert bench.see(load)["etag"] == load["etag"]


def test_a_burning_turn_keeps_its_calibration_and_the_next_turn_gets_the_new_one(at: At) -> None:
    bench = at()
    bench.order(faces=("mark_side", "pile_side"))
    load = bench.burning()

    told = measure(bench)
    burning = bench.see(load)
    turning = bench.do(load, "finish", {"turn": 1})

    assert told["stale_loads"] == []
    assert (burning["etag"], burning["calibration"]["id"]) == (load["etag"], "nominal")
    assert (turning["state"], turning["revision"], turning["calibration"]["id"]) == ("turning", 2, "C1")
    assert [f.calibration for f in bench.rows(TurnFile, TurnFile.turn == 2)] == ["nominal", "C1"]


def test_a_burned_load_keeps_its_calibration_and_its_marks_can_not_be_repeated_beside_themselves(
    at: At,
) -> None:
    bench = at()
    bench.order()
    load = bench.burned()

    told = measure(bench)
    again = bench.post(load, "again", {"turn": 1, "jobs": ["J1"], "reason": "faint"})

    assert told["stale_loads"] == []
    assert bench.see(load)["calibration"]["id"] == "nominal"
    assert (again.status_code, again.json()["code"]) == (409, "stale_calibration")
    assert bench.passed(load)["state"] == "burned"


def test_a_repeat_that_was_asked_for_is_called_off_when_the_plate_is_measured_again(at: At) -> None:
    bench = at()
    bench.order()
    load = bench.do(bench.burned(), "again", {"turn": 1, "jobs": ["J1"], "reason": "faint"})

    told = measure(bench)
    seen = bench.see(load)

    assert told["stale_loads"] == ["L1"]
    assert (seen["state"], seen["revision"]) == ("burned", 3)
    assert (bench.job("J1").state, bench.job("J1").faces_done) == ("engraved", ["mark_side"])
    assert bench.do(bench.passed(seen), "release")["state"] == "closed"


def test_a_partial_mark_whose_repeat_was_called_off_can_only_be_scrapped(at: At) -> None:
    bench = at()
    bench.order()
    load = bench.do(bench.burning(), "resolve", {"jobs": {"J1": {"mark_side": "partial"}}})
    load = bench.do(load, "again", {"turn": 1, "jobs": ["J1"], "reason": "interrupted"})

    measure(bench)
    seen = bench.see(load)
    again = bench.post(seen, "again", {"turn": 1, "jobs": ["J1"], "reason": "interrupted"})

    assert (seen["state"], bench.job("J1").state) == ("interrupted", "doubtful")
    assert (again.status_code, again.json()["code"]) == (409, "stale_calibration")
    scrap = {"jobs": {"J1": {"result": "scrap", "reason": "interrupted burn"}}}
    assert bench.do(seen, "inspect", scrap)["state"] == "closed"


@pytest.mark.parametrize("first", ["start", "measure", "both at once"])
def test_a_start_and_a_new_calibration_never_pass_each_other(at: At, first: str) -> None:
    bench = at()
    bench.order()
    load = bench.seated(bench.pulled(bench.claimed()))
    body = {"turn": 1, "file_sha256": load["turns"][0]["file_sha256"]}
    ready = threading.Barrier(2)

    def start() -> int:
        ready.wait()
        return bench.post(load, "start", body).status_code

    def measure_again() -> int:
        ready.wait()
        return bench.ask("POST", "/v1/calibrations", measured(), Idempotency_Key="measured-1").status_code

    if first == "both at once":
        with ThreadPoolExecutor(2) as pool:
            both = pool.submit(start), pool.submit(measure_again)
            started, recorded = (one.result() for one in both)
    else:
        steps = {"start": start, "measure": measure_again}
        ready = threading.Barrier(1)
        order = sorted(steps, key=lambda name: name != first)
        done = {name: steps[name]() for name in order}
        started, recorded = done["start"], done["measure"]

    row = bench.rows(Load)[0]
    assert recorded == 201
    assert (started, row.state, row.calibration["calibration"]) in {
        (200, "burning", "nominal"),
        (412, "seated", "C1"),
    }
    assert [s.file_sha256 for s in bench.rows(BurnStart)] == ([body["file_sha256"]] if started == 200 else [])
