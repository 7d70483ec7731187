"""Files that are asked for and get lost, and starts of turns with nothing in them."""

from __future__ import annotations

import threading
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from service.bench import burn_files
from service.records.db import Database
from service.records.errors import CheckersBusy
from service.records.tables import Load, LoadSlot, Outbox, TurnFile
from tests.benches import Bench, a_bench_shop, a_square
from tests.clocks import SetClock


@pytest.fixture
def bench(sqlite_database: Database, clock: SetClock, tmp_path: Path) -> Bench:
    return Bench(sqlite_database, clock, tmp_path)


def test_a_claim_asks_for_the_files_of_its_load(bench: Bench) -> None:
    bench.order()

    bench.claimed()

    assert [(task.task, task.arguments) for task in bench.rows(Outbox)] == [("render_load", {"load": 1})]


def test_a_file_that_is_lost_while_it_is_served_is_not_served_empty(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    bench.order()
    load = bench.claimed()
    prepare = burn_files.prepare

    def prepare_and_lose(*arguments: Any, **options: Any) -> dict[tuple[int, str], TurnFile]:
        files = prepare(*arguments, **options)
        for path in (bench.tools.settings.data / "files").glob("*/*"):
            path.unlink()
        return files

    monkeypatch.setattr(burn_files, "prepare", prepare_and_lose)
    lost = bench.ask("GET", f"/v1/loads/{load['id']}/turns/1/burn.svg")
    monkeypatch.undo()
    again = bench.ask("GET", f"/v1/loads/{load['id']}/turns/1/burn.svg")

    assert (lost.status_code, lost.json()["code"]) == (409, "stale_file")
    assert again.status_code == 200
    assert again.headers["ETag"] == f'"{load["turns"][0]["file_sha256"]}"'


def test_a_turn_with_nothing_in_it_is_not_started(bench: Bench) -> None:
    bench.order()
    load = bench.seated(bench.pulled(bench.claimed()))
    bench.database.write(lambda session: session.query(LoadSlot).update({"state": "removed"}))

    answer = bench.post(load, "start", {"turn": 1, "file_sha256": load["turns"][0]["file_sha256"]})

    assert (answer.status_code, answer.json()["code"]) == (409, "move_not_allowed")
    assert bench.see(load)["state"] == "seated"


def test_only_a_scrap_that_empties_a_later_turn_makes_its_file_stale(bench: Bench) -> None:
    bench.order(faces=("mark_side", "pile_side"), quantity=2)
    bench.order()
    load = bench.burned()

    without_more = bench.do(load, "inspect", {"jobs": {"J3": {"result": "scrap", "reason": "faint mark"}}})
    emptied = bench.do(without_more, "inspect", {"jobs": {"J1": {"result": "scrap", "reason": "faint mark"}}})

    assert load["state"] == "turning"
    assert without_more["revision"] == load["revision"]
    assert emptied["revision"] == load["revision"] + 1
    assert [slot["job"] for slot in emptied["turns"][1]["slots"]] == ["J2"]


def test_the_file_of_another_load_starts_none(
    sqlite_database: Database, clock: SetClock, tmp_path: Path
) -> None:
    bench = Bench(sqlite_database, clock, tmp_path, a_bench_shop(stations=2))
    bench.order()
    other = bench.claimed(station="s1", operator="Operator One")
    bench.order(outline=a_square(3.0))
    load = bench.seated(bench.pulled(bench.claimed(station="s2", operator="Operator Two")))

    answer = bench.post(load, "start", {"turn": 1, "file_sha256": other["turns"][0]["file_sha256"]})

    assert other["revision"] == load["revision"]
    assert (answer.status_code, answer.json()["code"]) == (409, "stale_file")


def test_a_load_is_estimated_from_its_file_and_the_seating_of_every_unit(bench: Bench) -> None:
    bench.order(quantity=3)
    bench.claimed()

    (load,), files = bench.rows(Load), bench.rows(TurnFile)

    seating_s = bench.shop.stations["s1"].load_seconds_per_slot
    assert seating_s > 0
    assert load.burn_seconds == pytest.approx(files[0].burn_seconds + 3 * seating_s)


def test_a_unit_that_is_burned_again_in_the_same_seating_can_not_turn_out_not_to_fit(bench: Bench) -> None:
    bench.order()
    load = bench.do(bench.burned(), "again", {"turn": 1, "jobs": ["J1"], "reason": "faint mark"})

    answer = bench.post(load, "seated", {"turn": 1, "slots": {"S1": "does_not_fit"}})

    assert (answer.status_code, answer.json()["code"]) == (409, "move_not_allowed")
    assert bench.job("J1").state == "loaded"


def test_a_load_is_given_out_while_its_file_is_built_and_whoever_goes_on_with_it_waits_for_the_file(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    geometry: Any = bench.tools.geometry
    built, may_build = geometry.work, threading.Event()

    def slowly(*asked: Any) -> Any:
        assert may_build.wait(60)
        return built(*asked)

    monkeypatch.setattr(geometry, "build", slowly)
    monkeypatch.setattr(geometry, "has_workers", True)
    bench.order()

    given = bench.claimed()
    may_build.set()
    mounted = bench.mounted(given)

    assert given["turns"][0]["file_sha256"] is None
    assert mounted["turns"][0]["file_sha256"] is not None
    assert geometry.calls.count("build") == 1


def test_what_nobody_could_build_while_the_load_was_given_out_is_built_when_it_is_asked_for(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    geometry: Any = bench.tools.geometry
    is_first = iter([True])

    def fails_once(*asked: Any) -> Any:
        if next(is_first, False):
            raise CheckersBusy("too many checks at once; try again")
        return geometry.work(*asked)

    monkeypatch.setattr(geometry, "build", fails_once)
    monkeypatch.setattr(geometry, "has_workers", True)
    monkeypatch.setattr(burn_files, "_BUILT_WITHIN", timedelta(seconds=0.2))
    bench.order()

    load = bench.claimed()

    assert bench.ask("GET", load["turns"][0]["files"]["svg"]).status_code == 200
