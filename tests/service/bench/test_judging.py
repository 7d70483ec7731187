"""The judge stands between a load and the metal, and files come from locked versions only."""

from __future__ import annotations

import errno
import json
import os
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest
from shapely.affinity import translate
from shapely.geometry import box
from sqlalchemy import event
from sqlalchemy.orm import Session

from layout.burn.turn import Burn, Piece, burn_of
from layout.shop.loads import LoadLayout
from layout.shop.outline import Outline, frozen
from layout.shop.shop import Shop
from service.bench import building, burns, judging, verdicts
from service.bench import burn_file_rows as file_rows
from service.bench import burn_files as files
from service.bench.burns import Judged
from service.records.db import Database
from service.records.errors import CheckersBusy, CheckTooSlow, Refusal, StaleVersion
from service.records.tables import BurnStart, CalibrationRecord, FrozenMark, Load, Lot, TurnFile
from service.records.who import By
from service.running import sweeps
from tests.benches import (
    OPERATOR,
    Bench,
    BenchShelf,
    HereGeometry,
    a_bench_shop,
    a_plate_of,
    a_seat_of,
    all_rows,
    claim,
    jobs_of,
    put_order,
)
from tests.clocks import SetClock


@pytest.fixture
def bench(database: Database, clock: SetClock, tmp_path: Path) -> Bench:
    return Bench(database, clock, tmp_path)


def beside_the_zone() -> Outline:
    return frozen([box(1, 1, 3, 3)])


def test_a_unit_that_the_judge_refuses_is_held_and_the_rest_goes_on(bench: Bench) -> None:
    bench.order(outline=beside_the_zone())
    bench.order()

    load = bench.claimed()

    assert jobs_of(load) == ["J2"]
    assert (bench.job("J1").state, bench.job("J1").hold_reason) == ("held", "judge_refused")
    assert load["clear"] == [{"turn": 1, "slot": "S1", "unit": "J1", "why": "judge_refused"}]


def test_a_unit_whose_file_burns_beside_what_was_approved_is_held_and_the_rest_goes_on(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    def burn_beside(shop: Shop, layout: LoadLayout, turn: int) -> Burn:
        slots = {fill.slot for one in layout.turns for fill in one.fills if fill.job == "J1"}
        burn = burn_of(shop, layout, turn)
        parts = (
            replace(part, pieces=tuple(map(beside, part.pieces))) if part.slot in slots else part
            for part in burn.parts
        )
        return replace(burn, parts=tuple(parts))

    def beside(piece: Piece) -> Piece:
        areas = tuple(translate(area, 0.3) for area in piece.areas)
        return Piece(areas, piece.rows + 0.3, tuple(line + 0.3 for line in piece.lines))

    monkeypatch.setattr(building, "burn_of", burn_beside)
    bench.order()
    bench.order()

    load = bench.claimed()

    assert jobs_of(load) == ["J2"]
    assert (bench.job("J1").state, bench.job("J1").hold_reason) == ("held", "judge_refused")
    assert len(bench.rows(TurnFile)) == 1


def test_a_refused_unit_alone_does_not_come_up_for_ever(bench: Bench) -> None:
    bench.order(outline=beside_the_zone())

    assert bench.next().status_code == 204
    assert bench.job("J1").state == "held"


def test_units_that_are_refused_only_side_by_side_go_back_to_the_queue(
    database: Database, clock: SetClock, tmp_path: Path
) -> None:
    one = a_plate_of(
        "odd", {"S1": [a_seat_of("parer", "mark_side")], "S2": [a_seat_of("parer", "mark_side")]}
    )
    bench = Bench(database, clock, tmp_path, a_bench_shop(one))
    bench.order(quantity=2)
    load = claim(bench.tools)
    assert load is not None
    # The seats are found to lie at different heights: the load was built before, the judge sees it now.
    apart = [a_seat_of("parer", "mark_side", height_mm=mm) for mm in (3.0, 9.0)]
    plate = a_plate_of("odd", {"S1": apart[:1], "S2": apart[1:]})
    seen = judging.view_load(bench.tools, load.id)

    refused = verdicts.refused_units(replace(seen.shop, plates={"odd": plate}), seen.layout, seen.burned)

    assert refused.alone == frozenset()
    assert refused.together == {("J2", None)}


def test_a_lot_that_the_judge_refuses_is_cancelled_and_its_blades_wait_for_nothing(bench: Bench) -> None:
    bench.lot(quantity=2)
    bench.database.write(
        lambda session: setattr(session.query(FrozenMark).one(), "outline", beside_the_zone().to_record())
    )

    answer = bench.next()

    (lot,) = bench.rows(Lot)
    assert answer.status_code == 204
    assert (lot.state, lot.waiting, lot.loaded) == ("cancelled", 2, 0)


def test_units_on_tilted_seats_share_a_load_only_within_focus(
    database: Database, clock: SetClock, tmp_path: Path
) -> None:
    seat = a_seat_of("parer", "mark_side")
    tilted = replace(seat, pose=replace(seat.pose, tilt_deg=4.0, tilt_towards_deg=0.0))
    slots = {f"S{number}": [tilted] for number in range(1, 4)}
    bench = Bench(database, clock, tmp_path, a_bench_shop(a_plate_of("tilted", slots)))
    # A surface that rises to the right: these marks lie 0.3 mm and 1.5 mm higher than the first.
    bench.order(outline=frozen([box(8, 9, 10, 11)]))
    bench.order(outline=frozen([box(12, 9, 14, 11)]))
    bench.order(outline=frozen([box(29, 9, 31, 11)]))

    load = bench.claimed()

    assert jobs_of(load) == ["J1", "J2"]


def test_a_change_is_answered_as_done_when_its_new_files_take_too_long(bench: Bench) -> None:
    bench.order(quantity=2)
    load = bench.pulled(bench.claimed())
    geometry = bench.tools.geometry
    assert isinstance(geometry, HereGeometry)

    def too_slow() -> None:
        raise CheckTooSlow("too slow")

    geometry.before = too_slow
    told = bench.do(load, "seated", {"turn": 1, "slots": {"S1": "does_not_fit", "S2": "seated"}})
    geometry.before = lambda: None

    assert (told["state"], told["turns"][0]["file_sha256"]) == ("seated", None)
    assert bench.ask("GET", told["turns"][0]["files"]["svg"]).status_code == 200


@pytest.mark.parametrize("why", [CheckTooSlow("too slow"), CheckersBusy("too many checks")])
def test_a_load_is_granted_although_its_files_take_too_long(bench: Bench, why: Refusal) -> None:
    bench.order(quantity=2)
    geometry = bench.tools.geometry
    assert isinstance(geometry, HereGeometry)

    def fails() -> None:
        raise why

    geometry.before = fails
    load = bench.claimed()
    geometry.before = lambda: None

    assert (load["state"], load["turns"][0]["file_sha256"]) == ("claimed", None)
    assert bench.ask("GET", load["turns"][0]["files"]["svg"]).status_code == 200


def test_what_judges_in_a_worker_loads_no_database() -> None:
    loaded = "import service.bench.verdicts, sys; print(sorted({'sqlalchemy', 'psycopg'} & set(sys.modules)))"

    told = subprocess.run([sys.executable, "-c", loaded], capture_output=True, text=True, check=True)

    assert told.stdout.strip() == "[]"


def test_a_full_disk_costs_nobody_a_load_and_its_file_is_built_when_there_is_room(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    bench.order()

    def full(_: int) -> None:
        raise OSError(errno.ENOSPC, "no space left")

    with monkeypatch.context() as patch:
        patch.setattr("service.bench.burn_files.os.fsync", full)
        load = bench.claimed()
        refused = bench.ask("GET", load["turns"][0]["files"]["svg"])
    answered = bench.ask("GET", load["turns"][0]["files"]["svg"])

    assert (load["state"], load["turns"][0]["file_sha256"]) == ("claimed", None)
    assert (refused.status_code, refused.json()["code"]) == (503, "database_busy")
    assert "Retry-After" in refused.headers
    assert answered.status_code == 200


def test_the_judge_is_asked_again_at_the_start(bench: Bench) -> None:
    bench.order()
    load = bench.seated(bench.pulled(bench.claimed()))
    shelf = bench.tools.catalogue
    assert isinstance(shelf, BenchShelf)
    shut = {name: replace(process, test_card=None) for name, process in bench.shop.processes.items()}
    shelf._by_version[bench.shop.version] = replace(bench.shop, processes=shut)

    answer = bench.post(load, "start", {"turn": 1, "file_sha256": load["turns"][0]["file_sha256"]})

    assert (answer.status_code, answer.json()["code"]) == (409, "load_refused")
    assert [finding["code"] for finding in answer.json()["findings"]] == ["no_process"]
    assert bench.rows(BurnStart) == []


@pytest.mark.parametrize(
    "earlier", [{"revision": 1}, {"fence": 0}, {"load": 2}], ids=["revision", "fence", "another load"]
)
def test_nothing_is_started_on_a_verdict_about_other_contents(bench: Bench, earlier: dict[str, int]) -> None:
    """Everything else fits: the seated load, its file of this revision, and a verdict without a finding."""
    bench.order(quantity=2)
    load = bench.pulled(bench.claimed())
    load = bench.do(load, "seated", {"turn": 1, "slots": {"S1": "does_not_fit", "S2": "seated"}})
    (now,) = bench.rows(Load)
    assert (now.state, now.fence, now.revision) == ("seated", 1, 2)
    verdict = judging.judge(bench.tools, now.id)
    assert verdict == Judged(now.id, now.fence, now.revision, ())

    def start(session: Session, judged: Judged) -> None:
        burns.start(
            session,
            session.get_one(Load, now.id),
            1,
            load["turns"][0]["file_sha256"],
            judged=judged,
            lease=timedelta(minutes=15),
            by=By(OPERATOR, bench.clock()),
        )

    with pytest.raises(StaleVersion):
        bench.database.write(lambda session: start(session, replace(verdict, **earlier)))
    assert bench.rows(BurnStart) == []

    bench.database.write(lambda session: start(session, verdict))
    assert len(bench.rows(BurnStart)) == 1


def test_no_byte_is_served_of_a_load_that_the_judge_refuses(bench: Bench) -> None:
    bench.order()
    load = bench.claimed()
    shelf = bench.tools.catalogue
    assert isinstance(shelf, BenchShelf)
    shut = {name: replace(process, test_card=None) for name, process in bench.shop.processes.items()}
    shelf._by_version[bench.shop.version] = replace(bench.shop, processes=shut)

    answer = bench.ask("GET", load["turns"][0]["files"]["dxf"])

    assert (answer.status_code, answer.json()["code"]) == (409, "load_refused")


def test_a_load_keeps_the_shop_it_was_built_with(bench: Bench) -> None:
    bench.order()
    bench.order()
    load = bench.claimed()
    before = bench.ask("GET", load["turns"][0]["files"]["svg"]).content
    shelf = bench.tools.catalogue
    assert isinstance(shelf, BenchShelf)
    moved = {n: replace(s, plates={"turning": (-70.0, -60.0, 0.0)}) for n, s in bench.shop.stations.items()}
    shelf.put(replace(bench.shop, version="later", stations=moved))

    dxf = bench.ask("GET", load["turns"][0]["files"]["dxf"])
    after = bench.ask("GET", load["turns"][0]["files"]["svg"]).content

    assert dxf.status_code == 200
    assert after == before
    assert bench.see(load)["catalogue_version"] == "bench-test"


def test_a_load_is_built_with_the_calibration_in_force(bench: Bench, clock: SetClock) -> None:
    bench.order()
    bench.database.write(
        lambda session: session.add(
            CalibrationRecord(
                station="s1",
                copy="turning-1",
                model="rigid",
                matrix=[1, 0, 0, 1, -74.0, -60.0],
                residual_mm=0.01,
                points=[],
                at=clock(),
                by="Operator One",
            )
        )
    )

    load = bench.claimed()

    assert load["calibration"] == {"id": "C1", "measured_at": clock().isoformat(), "residual_mm": 0.01}
    assert load["turns"][0]["file_sha256"] != ""
    assert bench.rows(Load)[0].calibration["matrix"][4] == -74.0


def test_a_file_built_while_the_load_changed_is_offered_to_nobody(bench: Bench) -> None:
    bench.order(quantity=2)
    load = bench.claimed()
    geometry = bench.tools.geometry
    assert isinstance(geometry, HereGeometry)

    def change_meanwhile() -> None:
        geometry.before = lambda: None
        bench.database.write(lambda session: setattr(session.get_one(Load, 1), "revision", 2))

    geometry.before = change_meanwhile
    answer = bench.ask("GET", load["turns"][0]["files"]["pdf"])

    assert answer.status_code == 200
    assert "-r2-" in answer.headers["Content-Disposition"]
    assert [row.revision for row in bench.rows(TurnFile, TurnFile.format == "pdf")] == [2]


def test_a_rendered_load_has_every_format_before_it_is_asked_for(bench: Bench) -> None:
    bench.order()
    bench.claimed()

    sweeps.render_load(bench.tools, 1)

    assert [row.format for row in bench.rows(TurnFile)] == ["svg", "dxf", "pdf"]


def test_a_file_is_there_whole_or_not_at_all(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def torn(_: int) -> None:
        raise OSError("no space left")

    monkeypatch.setattr("service.bench.burn_files.os.fsync", torn)

    with pytest.raises(OSError, match="no space left"):
        files.keep(tmp_path / "ab" / "cd", b"half", "0" * 64)
    assert list((tmp_path / "ab").iterdir()) == []


def test_a_file_that_reads_back_differently_is_not_offered(tmp_path: Path) -> None:
    with pytest.raises(OSError, match="read back differently"):
        files.keep(tmp_path / "ab" / "cd", b"bytes", "0" * 64)


def test_a_file_built_again_to_other_bytes_is_not_served(bench: Bench, tmp_path: Path) -> None:
    bench.order()
    load = bench.claimed()
    for kept in (tmp_path / "files").rglob("*"):
        if kept.is_file():
            kept.unlink()
    bench.database.write(lambda session: setattr(file_rows.find(session, 1, 1, 1, "svg"), "sha256", "f" * 64))

    answer = bench.ask("GET", load["turns"][0]["files"]["svg"])

    assert (answer.status_code, answer.json()["code"]) == (409, "stale_file")


# --- the same bytes everywhere ---

_BUILD = """
import hashlib, json, sys
from pathlib import Path
from service.records.db import Database, open_engine
from service.bench import burn_files as files
from tests.benches import bench_tools, claim, put_order, put_stock, a_bench_shop
from tests.clocks import a_clock

database, clock, shop = Database(open_engine(sys.argv[1])), a_clock(), a_bench_shop()
def put(session):
    put_stock(session, shop)
    put_order(session, shop, now=clock(), quantity=3, faces=("mark_side", "pile_side"))
    put_order(session, shop, now=clock(), quantity=2, sku="CHEF")
database.write(put)
tools = bench_tools(database, clock, Path(sys.argv[2]), shop)
load = claim(tools)
offered = [files.burn_file(tools, load.id, turn, kind) for turn in (1, 2) for kind in ("svg", "dxf", "pdf")]
served = [one.file for one in offered]
print(json.dumps([[one.name, one.sha256, hashlib.sha256(one.data).hexdigest()] for one in served]))
"""


@pytest.mark.postgres
def test_a_load_built_in_two_processes_on_two_databases_gives_the_same_bytes(
    sqlite_database: Database, postgres_database: Database, tmp_path: Path
) -> None:
    def build(database: Database, seed: str) -> subprocess.Popen[str]:
        url = database.engine.url.render_as_string(hide_password=False)
        database.engine.dispose()
        return subprocess.Popen(
            [sys.executable, "-c", _BUILD, url, str(tmp_path / seed)],
            env={**os.environ, "PYTHONHASHSEED": seed, "PYTHONPATH": os.pathsep.join(sys.path)},
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )

    def result(process: subprocess.Popen[str]) -> list[list[str]]:
        said, trouble = process.communicate(timeout=120)
        assert process.returncode == 0, trouble
        built: list[list[str]] = json.loads(said.splitlines()[-1])
        return built

    at_work = build(sqlite_database, "1"), build(postgres_database, "2")
    on_sqlite, on_postgres = (result(process) for process in at_work)

    assert on_sqlite == on_postgres
    assert len({sha for _, sha, _ in on_sqlite}) == 6
    assert all(named == hashed for _, named, hashed in on_sqlite)


# --- a crash at any statement ---


class Crash(Exception):
    """The process died here."""


@pytest.fixture
def crashing(database: Database) -> Iterator[dict[str, int]]:
    """Set `at` to n: the n-th statement from now on is the last that is ever sent."""
    state = {"at": 0, "sent": 0}

    def count(*_: object) -> None:
        state["sent"] += 1
        if state["sent"] == state["at"]:
            raise Crash

    event.listen(database.engine, "before_cursor_execute", count)
    yield state
    event.remove(database.engine, "before_cursor_execute", count)


@pytest.mark.parametrize(
    "step", ["pulled", "seated", "start", "finish", "resolve", "inspect", "release", "again", "drop"]
)
def test_a_crash_at_any_statement_leaves_the_state_before(
    bench: Bench, crashing: dict[str, int], step: str
) -> None:
    load, body = before(bench, step)
    rows = all_rows(bench.database)
    # Neighbouring statements of a transaction fail alike: a third of them, fewer on the slower database.
    stride = 3 if bench.database.is_sqlite else 12
    died = 0

    for number in range(1, 400, stride):
        crashing.update(at=number, sent=0)
        answer = bench.post(load, step, body)
        crashing.update(at=0)
        if all_rows(bench.database) != rows:
            break  # the step is through; at most its files were still to be built
        died += 1
        assert answer.status_code == 500

    assert died >= 1
    seen = bench.see(load)
    assert (seen["state"], seen["revision"]) == AFTER[step]


AFTER = {
    "pulled": ("claimed", 1),
    "seated": ("seated", 2),
    "start": ("burning", 1),
    "finish": ("burned", 1),
    "resolve": ("burned", 2),
    "again": ("seated", 2),
    "inspect": ("burned", 1),
    "release": ("closed", 1),
    "drop": ("dropped", 1),
}


def before(bench: Bench, step: str) -> tuple[dict[str, object], object]:
    """A load just before a step, and the step's body."""
    bench.order(quantity=2)
    load = bench.claimed()
    if step in {"pulled", "drop"}:
        return load, {"jobs": {"J1": "found", "J2": "missing"}} if step == "pulled" else None
    load = bench.pulled(load)
    if step == "seated":
        return load, {"turn": 1, "slots": {"S1": "seated", "S2": "does_not_fit"}}
    load = bench.seated(load)
    if step == "start":
        return load, {"turn": 1, "file_sha256": load["turns"][0]["file_sha256"]}
    load = bench.started(load)
    if step in BURNING:
        return load, BURNING[step]
    load = bench.do(load, "finish", {"turn": 1})
    return (load, BURNED[step]) if step in BURNED else (bench.passed(load), None)


BURNING = {
    "resolve": {"jobs": {"J1": {"mark_side": "clean"}, "J2": {"mark_side": "complete"}}},
    "finish": {"turn": 1},
}
BURNED = {
    "again": {"turn": 1, "jobs": ["J1"], "reason": "faint"},
    "inspect": {"jobs": {"J1": {"result": "pass"}, "J2": {"result": "scrap", "reason": "slipped"}}},
}


def test_a_claim_that_died_at_any_statement_has_taken_nothing(bench: Bench, crashing: dict[str, int]) -> None:
    bench.database.write(
        lambda s: put_order(s, bench.shop, now=bench.clock(), quantity=2, faces=("mark_side", "pile_side"))
    )
    rows = all_rows(bench.database)
    stride = 1 if bench.database.is_sqlite else 4

    for number in range(1, 400, stride):
        crashing.update(at=number, sent=0)
        try:
            claim(bench.tools)
        except Crash:
            crashing.update(at=0)
            if all_rows(bench.database) == rows:
                continue
            break  # committed, and died while the files were built
        pytest.fail("the claim never died while building its files")
    crashing.update(at=0)

    again = bench.next()

    assert again.status_code == 200
    assert again.json()["turns"][0]["file_sha256"] is not None
    assert len(bench.rows(Load)) == 1


def test_a_load_that_changes_faster_than_its_files_are_built_has_no_file(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    bench.order()
    load = bench.claimed()
    # What `prepare` gives when the contents are others by the time that a file is built.
    monkeypatch.setattr(files, "prepare", lambda *_, **__: {})

    answer = bench.ask("GET", f"/v1/loads/{load['id']}/turns/1/burn.svg")

    assert (answer.status_code, answer.json()["code"]) == (409, "stale_file")
