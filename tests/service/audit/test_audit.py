"""The audit passes a day's work, and names every kind of damage planted into it."""

from __future__ import annotations

import json
import shutil
import sqlite3
from pathlib import Path
from typing import Any

import pytest

from service.audit.look import Report, look
from service.audit.rules import RULES
from service.cli.main import run
from service.records.db import Database, open_engine
from tests.audited_day import a_day
from tests.benches import Bench, all_rows
from tests.clocks import SetClock
from tests.counter import a_key, an_open_counter, an_order


@pytest.fixture(scope="module")
def day(tmp_path_factory: pytest.TempPathFactory) -> Bench:
    return a_day(tmp_path_factory.mktemp("audit"))


def damaged(day: Bench, folder: Path, *statements: str) -> Path:
    file = folder / "ricasso.sqlite3"
    day.database.engine.dispose()
    shutil.copyfile(Path(str(day.database.engine.url.database)), file)
    with sqlite3.connect(file) as connection:
        connection.execute("PRAGMA ignore_check_constraints=ON")
        for statement in statements:
            assert connection.execute(statement).rowcount != 0, statement
    connection.close()
    return file


def looked(day: Bench, file: Path, *, files: bool = True) -> Report:
    engine = open_engine(f"sqlite:///{file}")
    try:
        return look(engine, day.tools.catalogue if files else None)
    finally:
        engine.dispose()


def test_a_day_s_work_is_without_damage(day: Bench, tmp_path: Path) -> None:
    report = looked(day, damaged(day, tmp_path))

    assert [damage.says for damage in report.damage] == []
    assert (report.rules, report.files > 4) == (len(RULES), True)


_WITHOUT_HISTORY = "DELETE FROM history WHERE subject = 'job' AND subject_id = 1"

#: What is done to the database, and the code by which the audit must name it.
DAMAGE: dict[str, tuple[str, ...]] = {
    "burned_twice": ("UPDATE burn_start SET why = NULL WHERE attempt = 2 AND job_id = 1",),
    "burned_after_its_end": ("UPDATE burn_start SET started_at = '2030-01-01 00:00:00' WHERE job_id = 1",),
    "started_without_file": ("DELETE FROM turn_file WHERE load_id = 1",),
    "started_elsewhere": ("UPDATE burn_start SET slot = 'Z9' WHERE id = 1",),
    "burned_without_start": ("DELETE FROM burn_start WHERE job_id = 2",),
    "face_without_burn": ("""UPDATE job SET faces_done = '["mark_side"]' WHERE state = 'loaded'""",),
    "passed_unfinished": ("""UPDATE job SET faces_done = '["mark_side"]' WHERE id = 1""",),
    "open_burn": ("UPDATE burn_start SET finished_at = NULL WHERE id = 1",),
    "burning_without_start": ("UPDATE burn_start SET finished_at = '2026-11-24 09:00:00'",),
    "begun_untrue": ("UPDATE load SET started_at = NULL WHERE id = 1",),
    "units_missing": ("UPDATE order_line SET quantity = 5 WHERE id = 1",),
    "meter_short": ("UPDATE burn_start SET finished_at = '2026-11-26 09:00:00' WHERE job_id = 2",),
    "photo_of_nothing": (
        "INSERT INTO mark_photo (job_id, face, zone, attempt, sent_sha256, sha256, width, height, taken_by,"
        " taken_at) VALUES (1, 'mark_side', 'flat', 9, 'a', 'b', 10, 10, 'bench:Ada', '2026-11-24')",
    ),
    "routines_torn": ("DELETE FROM routine_entry WHERE number = 1",),
    "supply_does_not_add_up": ("DELETE FROM supply_change WHERE what = 'used'",),
    "order_without_lines": (
        "INSERT INTO orders (client, order_ref, ship_by, priority, proof, version, created_at, buyer,"
        " order_note, gift_note, bench_note)"
        " VALUES ('store-1', 'lost', '2026-12-01', 0, 'none', 1, '2026-11-24', '', '', '', '')",
    ),
    "erased_in_part": ("UPDATE orders SET erased_at = '2026-12-01', buyer = 'Anna' WHERE id = 1",),
    "not_replaced": ("UPDATE job SET replaces = NULL",),
    "of_another_order": ("UPDATE job SET order_id = 2 WHERE id = 1",),
    "mark_changed": ("UPDATE frozen_mark SET outline = replace(outline, '180000', '180010') WHERE id = 1",),
    "mark_missing": ("UPDATE frozen_mark SET words_revision = 7 WHERE id = 1",),
    "answer_without_order": (
        "INSERT INTO idempotent_request (client, route, key, fingerprint, status, body, headers, "
        "claimed_until, created_at) VALUES ('store-1', 'POST /v1/orders', 'key-key-key', 'f', 201, '{}', "
        """'{"Location": "/v1/orders/O99", "ETag": "1"}', '2026-11-24', '2026-11-24')""",
    ),
    "reserved_differs": ("UPDATE stock SET reserved = reserved + 1 WHERE bin = 'A1'",),
    "count_impossible": ("UPDATE stock SET boxed = -1 WHERE bin = 'A1'",),
    "count_unlike_history": ("UPDATE stock SET boxed = boxed + 1 WHERE bin = 'A1'",),
    "stock_change_torn": ("UPDATE stock_change SET units = units + 1 WHERE what = 'pulled'",),
    "moved_one_way": (
        "INSERT INTO stock_change (bin, sku, what, units, boxed, other_bin, who, at)"
        " VALUES ('A1', 'PARER', 'moved_out', -1, 0, 'B1', 'bench:Ada', '2026-11-24')",
    ),
    "without_unit": (
        "UPDATE job SET state = 'ready', unit_in_hand = 0, bin = NULL WHERE id = (SELECT max(id) FROM job)",
    ),
    "unit_in_two_places": ("UPDATE job SET bin = 'A1' WHERE id = 1",),
    "gathered_unreleased": ("UPDATE job SET gathered_at = '2026-11-24' WHERE state = 'loaded'",),
    "handed_over_incomplete": ("UPDATE job SET gathered_at = NULL WHERE id = 1",),
    "hand_over_unrecorded": ("UPDATE orders SET handed_over_at = NULL, handed_over_by = NULL WHERE id = 1",),
    "remake_unlike": ("UPDATE remake SET job_id = 4",),
    "made_twice": (
        "INSERT INTO remake SELECT 9, order_id, job_id, 2, 2, reason, note, pays, is_reworded, created_at,"
        " state, bin FROM remake",
    ),
    "marked_in_stock": ("UPDATE history SET move_to = 'not_returned' WHERE move_to = 'polishing'",),
    "work_order_does_not_add_up": ("UPDATE work_order SET quantity = 3",),
    "stocked_unlike_bin": ("UPDATE stock_change SET unit_id = 2 WHERE what = 'built'",),
    "claim_of_ended_load": ("UPDATE load_job SET active = 1 WHERE load_id = 1",),
    "claim_differs": ("UPDATE load_job SET active = 0",),
    "held_twice": (
        "DROP INDEX uq_load_job_active",
        "UPDATE load_job SET active = 1 WHERE job_id IN "
        "(SELECT job_id FROM load_job GROUP BY job_id HAVING count(*) > 1)",
    ),
    "slot_without_claim": ("DELETE FROM load_job WHERE load_id = 1",),
    "slot_unlike_load": ("UPDATE load_slot SET state = 'seated' WHERE load_id = 1",),
    "turn_out_of_range": ("UPDATE load SET turns = 1, current_turn = 1 WHERE id = 1",),
    "copy_in_two_loads": (
        "DROP INDEX uq_load_active_copy",
        "DROP INDEX uq_load_burning_station",
        "UPDATE load SET state = 'burned' WHERE id = 1",
        "UPDATE load SET copy = (SELECT copy FROM load WHERE id = 1)",
    ),
    "lot_does_not_add_up": ("UPDATE lot SET waiting = waiting + 1",),
    "state_not_in_history": (_WITHOUT_HISTORY,),
    "history_torn": (_WITHOUT_HISTORY + " AND move_to = 'loaded'",),
    "move_not_allowed": ("UPDATE history SET move_to = 'released' WHERE move_to = 'passed'",),
    "not_told": ("DELETE FROM event WHERE type = 'job.engraved'",),
    "not_on_its_way": (
        "DELETE FROM delivery WHERE event_id IN (SELECT id FROM event WHERE type = 'job.engraved')",
    ),
    "version_missing": ("UPDATE load SET catalogue_version = 'gone' WHERE id = 1",),
    "description_differs": ("UPDATE catalogue_version SET content = '{}' WHERE content <> '{}'",),
    "description_missing": ("DELETE FROM catalogue_in_force WHERE number = 1",),
    "points_nowhere": ("DELETE FROM bin WHERE bin = 'A1'",),
    "file_differs": (
        "UPDATE turn_file SET sha256 = 'f' WHERE load_id = 1 AND revision = 1 AND format = 'svg'",
        "UPDATE burn_start SET file_sha256 = 'f' WHERE load_id = 1",
    ),
}


@pytest.mark.parametrize("code", DAMAGE)
def test_planted_damage_is_named(day: Bench, tmp_path: Path, code: str) -> None:
    report = looked(day, damaged(day, tmp_path, *DAMAGE[code]), files=code == "file_differs")

    assert report.counts.get(code, 0) > 0, report


def test_a_clock_set_back_between_burn_and_release_is_no_damage(
    sqlite_database: Database, clock: SetClock, tmp_path: Path
) -> None:
    bench = Bench(sqlite_database, clock, tmp_path)
    bench.order()
    load = bench.burned()
    clock.advance(minutes=-10)
    bench.do(bench.passed(load), "release")

    said = {damage.code for damage in look(sqlite_database.engine, None).damage}
    assert "burned_after_its_end" not in said


def test_every_rule_has_its_damage() -> None:
    assert {rule.code for rule in RULES} | {"file_differs"} == DAMAGE.keys()


def test_orders_as_intake_takes_them_are_without_damage(
    database: Database, tmp_path: Path, clock: Any
) -> None:
    with an_open_counter(database, clock, tmp_path) as counter:
        key = a_key()
        assert counter.post_order(an_order(), key=key).status_code == 201
        held = an_order(proof="buyer")
        assert counter.post_order(held).json()["lines"][0]["state"] == "held"
        cancelled = counter.post_order(an_order()).json()["id"]
        counter.ask("desk", "POST", f"/v1/orders/{cancelled}/cancel", {}, If_Match="*")
        before = all_rows(database)

        report = look(database.engine, counter.tools.catalogue)
        after = all_rows(database)
        taken = counter.post_order(an_order()).status_code

    assert [damage.says for damage in report.damage] == []
    assert after == before
    assert taken == 201  # the audit leaves nobody unable to write


def test_the_command_says_what_is_damaged_and_changes_nothing(
    day: Bench, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    file = damaged(day, tmp_path, *DAMAGE["reserved_differs"])
    before = file.read_bytes()

    code = run(["audit", "--no-files", "--data", str(tmp_path)])
    said = capsys.readouterr().out
    json_code = run(["audit", "--no-files", "--json", "--data", str(tmp_path)])
    report = json.loads(capsys.readouterr().out)
    nothing = run(["audit", "--data", str(tmp_path / "elsewhere")])

    assert (code, json_code, nothing) == (3, 3, 1)
    assert "reserved_differs       bin A1, PARER: " in said
    assert report["counts"] == {"reserved_differs": len(report["damage"])}
    assert file.read_bytes() == before
    assert "there is no database in" in capsys.readouterr().err
