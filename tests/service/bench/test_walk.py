"""A load's walk over HTTP, state by state: what each step changes, and what each step refuses."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from service.records.db import Database
from service.records.tables import BinChange, BurnStart, Event, Job, LoadJob, LoadSlot, Stock, TurnFile
from service.records.who import By
from tests.benches import Bench, a_bench_shop, flat_plate, job_in, jobs_of, turning_plate
from tests.clocks import SetClock

At = Callable[..., Bench]


@pytest.fixture
def at(database: Database, clock: SetClock, tmp_path: Path) -> At:
    """A bench on a database of each kind; give it a shop or take the small one."""
    return lambda shop=None: Bench(database, clock, tmp_path, shop)


def code(answer: Any) -> tuple[int, str]:
    return answer.status_code, answer.json()["code"]


# --- claim ---


def test_a_load_is_claimed_with_its_slots_files_and_pulls(at: At) -> None:
    bench = at()
    bench.order(quantity=2)

    answer = bench.next()

    load = answer.json()
    assert answer.status_code == 201
    assert answer.headers["ETag"] == load["etag"] == '"1.1"'
    assert (load["state"], load["station"], load["plate"]) == ("claimed", "s1", "turning")
    assert [slot["job"] for slot in load["turns"][0]["slots"]] == ["J1", "J2"]
    assert [pull["quantity"] for pull in load["pulls"]] == [2]
    assert re.fullmatch(r"L1-t1-r1-[0-9A-Z]{6}\.svg", load["turns"][0]["file"])
    assert bench.job("J1").state == "loaded"
    assert bench.moves("job", "J1") == ["ready", "loaded"]


def test_units_that_are_found_together_leave_their_bins_one_by_one(at: At) -> None:
    bench = at()
    bench.order(quantity=2)
    bench.order(sku="CHEF")
    bench.order()

    bench.pulled(bench.claimed())

    left = bench.rows(BinChange, BinChange.what == "pulled")
    assert [(change.job_id, change.sku, change.units, change.boxed) for change in left] == [
        (1, "PARER", -1, 49),
        (2, "PARER", -1, 48),
        (3, "CHEF", -1, 49),
        (4, "PARER", -1, 47),
    ]
    assert [(job.bin, job.pulled_from, job.unit_in_hand) for job in bench.rows(Job)] == [
        (None, "A1", True)
    ] * 4


def test_asked_again_the_operator_gets_the_load_he_holds(at: At) -> None:
    bench = at()
    bench.order(quantity=9)
    first = bench.claimed()

    again = bench.next()

    assert again.status_code == 200
    assert again.json()["id"] == first["id"]


def test_while_somebody_prepares_at_a_station_there_is_nothing_to_do_for_others(at: At) -> None:
    bench = at()
    bench.order(quantity=9)
    bench.claimed()

    assert bench.next(operator="Operator Two").status_code == 204


def test_one_load_is_prepared_while_another_burns_on_another_copy(at: At) -> None:
    bench = at()
    bench.order(quantity=12)
    burning = bench.burning()

    prepared = bench.claimed()

    assert (burning["copy"], prepared["copy"]) == ("turning-1", "turning-2")


def test_there_is_nothing_to_do_when_every_copy_is_in_use(at: At) -> None:
    bench = at(a_bench_shop(turning_plate(copies=1)))
    bench.order(quantity=12)
    bench.burning()

    assert bench.next().status_code == 204


def test_nothing_waits_nothing_is_claimed(at: At) -> None:
    assert at().next().status_code == 204


def test_an_unknown_station_is_named_as_the_trouble(at: At) -> None:
    assert code(at().next(station="s9")) == (422, "bad_request")


@pytest.mark.parametrize(
    "what",
    ["renew", "drop", "release", "pulled", "seated", "start", "finish", "again", "resolve", "inspect"],
)
def test_every_later_write_must_name_the_grant_and_the_revision_it_saw(at: At, what: str) -> None:
    bench = at()
    bench.order()
    load = bench.claimed()
    body = {
        "seated": {"turn": 1, "slots": {}},
        "start": {"turn": 1, "file_sha256": "0" * 64},
        "finish": {"turn": 1},
        "again": {"turn": 1, "jobs": ["J1"], "reason": "faint"},
    }.get(what, {})

    missing = bench.ask("POST", f"/v1/loads/{load['id']}/{what}", body)
    stale = [bench.post(load, what, body, etag=etag) for etag in ('"1.2"', '"2.1"', "*", "1.1", 'W/"1.1"')]

    assert code(missing) == (428, "if_match_missing")
    assert [answer.status_code for answer in stale] == [412] * 5
    assert [answer.json()["code"] for answer in stale[:2]] == ["stale_version", "lease_lost"]
    assert bench.see(load)["state"] == "claimed"


@pytest.mark.parametrize("role", ["store", "desk"])
def test_only_the_bench_and_the_owner_may_drive_loads(at: At, role: str) -> None:
    bench = at()

    answer = bench.ask("POST", "/v1/loads/next", {"station": "s1", "operator": "Nobody"}, role=role)

    assert code(answer) == (403, "role_not_allowed")


@pytest.mark.parametrize("identity", ["L99", "J1", "nonsense", "L"])
def test_a_load_that_is_not_there_is_not_found(at: At, identity: str) -> None:
    bench = at()

    assert bench.ask("GET", f"/v1/loads/{identity}").status_code == 404
    assert bench.ask("POST", f"/v1/loads/{identity}/renew", If_Match='"1.1"').status_code == 404


# --- lease ---


def test_renewing_keeps_the_load(at: At, clock: SetClock) -> None:
    bench = at()
    bench.order()
    load = bench.claimed()
    clock.advance(minutes=10)

    renewed = bench.do(load, "renew")

    assert renewed["lease_until"] == "2026-11-24T08:25:00+00:00"
    assert renewed["etag"] == load["etag"]


def test_a_holder_past_his_lease_can_change_nothing(at: At, clock: SetClock) -> None:
    bench = at()
    bench.order()
    load = bench.claimed()
    clock.advance(minutes=15, seconds=1)

    answers = [
        bench.post(load, "renew"),
        bench.post(load, "pulled", {"jobs": {"J1": "found"}}),
        bench.post(load, "drop"),
    ]

    assert [code(answer) for answer in answers] == [(412, "lease_lost")] * 3
    assert bench.see(load)["state"] == "claimed"


def test_a_lapsed_load_comes_back_and_the_next_operator_gets_its_jobs(at: At, clock: SetClock) -> None:
    bench = at()
    bench.order()
    load = bench.claimed()
    clock.advance(minutes=16)

    second = bench.claimed(operator="Operator Two")

    assert bench.see(load)["state"] == "dropped"
    assert jobs_of(second) == jobs_of(load)
    assert bench.moves("job", "J1") == ["ready", "loaded", "ready", "loaded"]


def test_dropping_gives_everything_back(at: At) -> None:
    bench = at()
    bench.order(quantity=2)
    load = bench.pulled(bench.claimed())

    dropped = bench.do(load, "drop")

    assert dropped["state"] == "dropped"
    assert [bench.job(job).state for job in ("J1", "J2")] == ["ready", "ready"]
    assert bench.job("J1").unit_in_hand
    assert bench.rows(LoadJob, LoadJob.active) == []


def test_a_unit_in_hand_is_not_pulled_a_second_time(at: At) -> None:
    bench = at()
    bench.order()
    bench.do(bench.pulled(bench.claimed()), "drop")

    again = bench.claimed()

    assert again["pulls"] == []
    assert again["jobs"] == [{"job": "J1", "state": "loaded", "unit": "in_hand"}]
    assert bench.do(again, "pulled", {})["state"] == "pulled"


def test_a_started_load_cannot_be_dropped(at: At) -> None:
    bench = at()
    bench.order()

    assert code(bench.post(bench.burning(), "drop")) == (409, "move_not_allowed")


# --- pulls ---


def stock_of(bench: Bench, bin_name: str) -> tuple[int, int]:
    row = next(
        s
        for s in bench.database.write(lambda session: session.query(Stock).all())
        if (s.bin, s.sku) == (bin_name, "PARER")
    )
    return row.boxed, row.reserved


def test_found_units_leave_the_stock_and_the_load_is_pulled(at: At) -> None:
    bench = at()
    bench.order(quantity=2)

    load = bench.pulled(bench.claimed())

    assert load["state"] == "pulled"
    assert load["pulls"] == []
    assert stock_of(bench, "A1") == (48, 0)
    assert bench.job("J1").unit_in_hand


def test_a_part_of_the_report_leaves_the_rest_to_be_pulled(at: At) -> None:
    bench = at()
    bench.order(quantity=2)
    load = bench.claimed()

    half = bench.do(load, "pulled", {"jobs": {"J1": "found"}})

    assert half["state"] == "claimed"
    assert [pull["jobs"] for pull in half["pulls"]] == [["J2"]]
    assert bench.do(half, "pulled", {"jobs": {"J2": "found"}})["state"] == "pulled"


def test_saying_twice_that_a_unit_was_found_takes_one_unit_out(at: At) -> None:
    bench = at()
    bench.order(quantity=2)
    load = bench.do(bench.claimed(), "pulled", {"jobs": {"J1": "found"}})

    bench.do(load, "pulled", {"jobs": {"J1": "found"}})

    assert stock_of(bench, "A1") == (49, 1)


@pytest.mark.parametrize("what", ["missing", "blemished"])
def test_for_a_unit_that_is_not_to_be_had_another_is_pulled(at: At, what: str) -> None:
    bench = at()
    bench.order()
    load = bench.claimed()

    told = bench.do(load, "pulled", {"jobs": {"J1": what}})

    assert stock_of(bench, "A1") == (49, 1)
    assert told["state"] == "claimed"
    assert told["etag"] == load["etag"]  # the slots have not changed
    assert [pull["jobs"] for pull in told["pulls"]] == [["J1"]]
    assert what in bench.moves("job", "J1")


def test_without_another_unit_the_job_goes_short_and_its_slot_is_to_be_cleared(at: At) -> None:
    bench = at()
    bench.order(quantity=2)
    load = bench.claimed()
    bench.database.write(
        lambda session: [setattr(row, "boxed", row.reserved) for row in session.query(Stock)]
    )

    told = bench.do(load, "pulled", {"jobs": {"J1": "missing", "J2": "found"}})

    assert bench.job("J1").state == "short"
    assert (told["revision"], told["state"]) == (2, "pulled")
    assert told["clear"] == [{"turn": 1, "slot": "S1", "unit": "J1", "why": "missing"}]
    assert told["turns"][0]["file_sha256"] != load["turns"][0]["file_sha256"]
    assert [slot["slot"] for slot in told["turns"][0]["slots"]] == ["S2"]


def test_a_load_that_loses_its_last_unit_frees_its_plate(at: At) -> None:
    bench = at()
    bench.order()
    load = bench.claimed()
    bench.database.write(
        lambda session: [setattr(row, "boxed", row.reserved) for row in session.query(Stock)]
    )

    told = bench.do(load, "pulled", {"jobs": {"J1": "missing"}})

    assert told["state"] == "dropped"
    assert bench.next().status_code == 204


def test_a_blemish_seen_at_the_bench_sends_for_another_unit(at: At) -> None:
    bench = at()
    bench.order()
    load = bench.pulled(bench.claimed())

    told = bench.do(load, "pulled", {"jobs": {"J1": "blemished"}})
    seated = bench.post(told, "seated", {"turn": 1, "slots": {"S1": "seated"}})

    assert [pull["jobs"] for pull in told["pulls"]] == [["J1"]]
    assert code(seated) == (409, "move_not_allowed")


def test_a_blemish_seen_on_a_seated_unit_names_the_slot_to_be_cleared_for_another(at: At) -> None:
    bench = at()
    bench.order(quantity=2)
    load = bench.seated(bench.pulled(bench.claimed()))

    told = bench.do(load, "pulled", {"jobs": {"J1": "blemished"}})
    stale = bench.post(load, "start", {"turn": 1, "file_sha256": load["turns"][0]["file_sha256"]})
    fetched = bench.do(told, "pulled", {"jobs": {"J1": "found"}})
    seated = bench.do(fetched, "seated", {"turn": 1, "slots": {"S1": "seated"}})

    assert (told["state"], told["revision"]) == ("pulled", 2)
    assert told["clear"] == [{"turn": 1, "slot": "S1", "unit": "J1", "why": "blemished"}]
    assert [pull["jobs"] for pull in told["pulls"]] == [["J1"]]
    assert code(stale) == (412, "stale_version")
    assert (seated["state"], seated["clear"]) == ("seated", [])
    assert stock_of(bench, "A1") == (47, 0)
    assert bench.started(seated)["state"] == "burning"


def test_a_seated_unit_that_is_blemished_with_no_other_boxed_leaves_the_load(at: At) -> None:
    bench = at()
    bench.order(quantity=2)
    load = bench.seated(bench.pulled(bench.claimed()))
    bench.database.write(
        lambda session: [setattr(row, "boxed", row.reserved) for row in session.query(Stock)]
    )

    told = bench.do(load, "pulled", {"jobs": {"J1": "blemished"}})

    assert (told["state"], told["revision"], bench.job("J1").state) == ("seated", 2, "short")
    assert told["clear"] == [{"turn": 1, "slot": "S1", "unit": "J1", "why": "blemished"}]
    assert bench.started(told)["state"] == "burning"


def test_a_blemish_seen_between_turns_scraps_the_unit(at: At) -> None:
    bench = at()
    bench.order(faces=("mark_side", "pile_side"), quantity=2)
    load = bench.seated(bench.burned(), turn=2)

    told = bench.do(load, "pulled", {"jobs": {"J1": "blemished"}})
    last = bench.do(told, "pulled", {"jobs": {"J2": "blemished"}})

    assert (told["state"], bench.job("J1").state, bench.job("J3").replaces) == ("seated", "scrapped", 1)
    assert told["clear"] == [{"turn": 2, "slot": "S1", "unit": "J1", "why": "scrapped"}]
    assert last["state"] == "burned"
    assert bench.do(last, "release")["state"] == "closed"


def test_a_unit_that_is_burned_is_inspected_and_not_reported_as_blemished(at: At) -> None:
    bench = at()
    bench.order(faces=("mark_side", "pile_side"))
    bench.order()
    load = bench.burned()

    answer = bench.post(load, "pulled", {"jobs": {"J2": "blemished"}})

    assert code(answer) == (409, "move_not_allowed")
    assert bench.job("J2").state == "engraved"


def test_blades_are_not_counted_once_they_sit(at: At) -> None:
    bench = at()
    bench.lot(quantity=2)
    load = bench.seated(bench.pulled(bench.claimed()))

    assert code(bench.post(load, "pulled", {"lots": {"LOT1": 1}})) == (409, "move_not_allowed")


@pytest.mark.parametrize("body", [{"jobs": {"J9": "found"}}, {"lots": {"LOT1": 1}}])
def test_pulling_what_is_not_in_the_load_is_refused(at: At, body: dict[str, Any]) -> None:
    bench = at()
    bench.order()

    assert code(bench.post(bench.claimed(), "pulled", body)) == (422, "bad_request")


def test_the_queue_of_pulls_has_claimed_loads_first_then_planned_units(at: At) -> None:
    bench = at()
    bench.order(quantity=8)
    bench.claimed()

    pulls = bench.ask("GET", "/v1/pulls").json()["pulls"]

    assert [(pull["load"], pull["bin"], pull["sku"], pull["quantity"]) for pull in pulls] == [
        ("L1", "A1", "PARER", 6),
        (None, "A1", "PARER", 2),
    ]


# --- seated ---


def test_a_load_is_seated_when_every_slot_is(at: At) -> None:
    bench = at()
    bench.order(quantity=2)
    load = bench.pulled(bench.claimed())

    half = bench.do(load, "seated", {"turn": 1, "slots": {"S1": "seated"}})
    whole = bench.do(half, "seated", {"turn": 1, "slots": {"S2": "seated"}})

    assert (half["state"], whole["state"]) == ("pulled", "seated")


def test_a_unit_that_does_not_fit_waits_in_hand_for_another_slot(at: At) -> None:
    bench = at()
    bench.order(quantity=2)
    load = bench.pulled(bench.claimed())

    told = bench.do(load, "seated", {"turn": 1, "slots": {"S1": "does_not_fit", "S2": "seated"}})

    job = bench.job("J1")
    assert (job.state, job.unit_in_hand) == ("ready", True)
    assert (told["state"], told["revision"]) == ("seated", 2)
    assert told["clear"] == [{"turn": 1, "slot": "S1", "unit": "J1", "why": "does_not_fit"}]
    bench.started(told)
    assert "S1" not in [slot["slot"] for slot in bench.claimed()["turns"][0]["slots"]]


def test_a_unit_that_fits_nowhere_is_held_for_the_desk(at: At) -> None:
    bench = at(a_bench_shop(turning_plate(slots=1)))
    bench.order()
    load = bench.pulled(bench.claimed())

    told = bench.do(load, "seated", {"turn": 1, "slots": {"S1": "does_not_fit"}})

    job = bench.job("J1")
    assert (job.state, job.hold_reason) == ("held", "does_not_fit")
    assert told["state"] == "dropped"


@pytest.mark.parametrize(
    ("body", "expected"),
    [
        ({"turn": 2, "slots": {"S1": "seated"}}, (409, "move_not_allowed")),
        ({"turn": 1, "slots": {"S5": "seated"}}, (422, "bad_request")),
        ({"turn": 1, "slots": {"S1": "perhaps"}}, (422, "invalid_request")),
        ({"turn": 1, "slots": {}, "more": 1}, (422, "invalid_request")),
    ],
)
def test_seating_what_is_not_to_be_seated_is_refused(at: At, body: Any, expected: tuple[int, str]) -> None:
    bench = at()
    bench.order()

    assert code(bench.post(bench.pulled(bench.claimed()), "seated", body)) == expected


def test_units_are_not_seated_before_they_are_pulled(at: At) -> None:
    bench = at()
    bench.order()

    answer = bench.post(bench.claimed(), "seated", {"turn": 1, "slots": {"S1": "seated"}})

    assert code(answer) == (409, "move_not_allowed")


# --- start and finish ---


def test_starting_records_each_burn_before_the_beam_is_on(at: At) -> None:
    bench = at()
    bench.order(quantity=2)

    load = bench.burning()

    starts = bench.rows(BurnStart)
    assert load["state"] == "burning"
    assert [(s.job_id, s.face, s.attempt, s.outcome) for s in starts] == [
        (1, "mark_side", 1, None),
        (2, "mark_side", 1, None),
    ]
    assert {s.file_sha256 for s in starts} == {load["turns"][0]["file_sha256"]}


def test_a_second_start_is_refused(at: At) -> None:
    bench = at()
    bench.order()
    load = bench.burning()

    answer = bench.post(load, "start", {"turn": 1, "file_sha256": load["turns"][0]["file_sha256"]})

    assert code(answer) == (409, "already_burned")
    assert len(bench.rows(BurnStart)) == 1


def test_a_start_must_name_a_file_of_this_turn_as_it_is_now(at: At) -> None:
    bench = at()
    bench.order(quantity=2)
    load = bench.pulled(bench.claimed())
    old = load["turns"][0]["file_sha256"]
    seated = bench.do(load, "seated", {"turn": 1, "slots": {"S1": "does_not_fit", "S2": "seated"}})

    stale = bench.post(seated, "start", {"turn": 1, "file_sha256": old})
    made_up = bench.post(seated, "start", {"turn": 1, "file_sha256": "a" * 64})

    assert [code(stale), code(made_up)] == [(409, "stale_file")] * 2
    assert bench.rows(BurnStart) == []


def test_any_format_that_was_offered_may_be_named(at: At) -> None:
    bench = at()
    bench.order()
    load = bench.seated(bench.pulled(bench.claimed()))
    dxf = bench.ask("GET", load["turns"][0]["files"]["dxf"])

    started = bench.do(load, "start", {"turn": 1, "file_sha256": hashlib.sha256(dxf.content).hexdigest()})

    assert started["state"] == "burning"


def test_a_start_before_everything_sits_is_refused(at: At) -> None:
    bench = at()
    bench.order(quantity=2)
    load = bench.do(bench.pulled(bench.claimed()), "seated", {"turn": 1, "slots": {"S1": "seated"}})

    answer = bench.post(load, "start", {"turn": 1, "file_sha256": load["turns"][0]["file_sha256"]})

    assert code(answer) == (409, "move_not_allowed")


def test_a_laser_burns_one_load_at_a_time(at: At) -> None:
    bench = at()
    bench.order(quantity=12)
    first = bench.burning()
    second = bench.seated(bench.pulled(bench.claimed()))

    early = bench.post(second, "start", {"turn": 1, "file_sha256": second["turns"][0]["file_sha256"]})
    bench.do(first, "finish", {"turn": 1})

    assert code(early) == (409, "move_not_allowed")
    assert early.json()["burning"] == first["id"]
    assert bench.started(second)["state"] == "burning"


def test_finishing_the_last_turn_leaves_the_jobs_engraved_and_the_store_told(at: At) -> None:
    bench = at()
    bench.order()

    load = bench.burned()

    assert load["state"] == "burned"
    assert (bench.job("J1").state, bench.job("J1").faces_done) == ("engraved", ["mark_side"])
    assert [start.outcome for start in bench.rows(BurnStart)] == ["complete"]
    assert [event.type for event in bench.rows(Event)] == ["job.engraved"]


@pytest.mark.parametrize("turn", [1, 2])
def test_only_the_turn_that_burns_can_be_finished(at: At, turn: int) -> None:
    bench = at()
    bench.order()
    load = bench.burning() if turn == 2 else bench.seated(bench.pulled(bench.claimed()))

    assert code(bench.post(load, "finish", {"turn": turn})) == (409, "move_not_allowed")


# --- inspection and release ---


def test_what_passes_is_released_and_the_order_with_it(at: At) -> None:
    bench = at()
    bench.order(quantity=2)
    load = bench.passed(bench.burned())

    closed = bench.do(load, "release")

    assert closed["state"] == "closed"
    assert [bench.job(job).state for job in ("J1", "J2")] == ["released", "released"]
    assert bench.rows(Event)[-1].type == "order.released"
    assert bench.moves("load", "L1") == [
        "claimed",
        "mounted",
        "pulled",
        "seated",
        "burning",
        "burned",
        "closed",
    ]
    assert bench.moves("job", "J1") == ["ready", "loaded", "found", "engraved", "passed", "released"]


def test_nothing_is_released_uninspected(at: At) -> None:
    bench = at()
    bench.order(quantity=2)
    load = bench.do(bench.burned(), "inspect", {"jobs": {"J1": {"result": "pass"}}})

    answer = bench.post(load, "release")

    assert code(answer) == (409, "move_not_allowed")
    assert answer.json()["waiting"] == ["J2"]


def test_a_scrapped_unit_gets_a_replacement_that_goes_first(at: At) -> None:
    bench = at()
    bench.order(quantity=7, priority=100)
    load = bench.burned()

    told = bench.do(load, "inspect", {"jobs": {"J3": {"result": "scrap", "reason": "slipped"}}})

    replacement = bench.job("J8")
    assert bench.job("J3").state == "scrapped"
    assert (replacement.take, replacement.replaces, replacement.state) == (2, 3, "ready")
    assert "J3" not in jobs_of(told)
    assert [event.type for event in bench.rows(Event)][-1] == "job.scrapped"
    assert jobs_of(bench.claimed())[0] == "J8"


def test_without_another_unit_the_replacement_is_short(at: At) -> None:
    bench = at()
    bench.order()
    load = bench.burned()
    bench.database.write(
        lambda session: [setattr(row, "boxed", row.reserved) for row in session.query(Stock)]
    )

    bench.do(load, "inspect", {"jobs": {"J1": {"result": "scrap", "reason": "slipped"}}})

    assert bench.job("J2").state == "short"


def test_scrap_needs_a_reason(at: At) -> None:
    bench = at()
    bench.order()

    answer = bench.post(bench.burned(), "inspect", {"jobs": {"J1": {"result": "scrap"}}})

    assert code(answer) == (422, "bad_request")
    assert bench.job("J1").state == "engraved"


def test_a_unit_that_passed_may_still_be_scrapped_until_it_is_released(at: At) -> None:
    bench = at()
    bench.order()
    load = bench.passed(bench.burned())

    bench.do(load, "inspect", {"jobs": {"J1": {"result": "scrap", "reason": "dropped"}}})

    assert bench.job("J1").state == "scrapped"


@pytest.mark.parametrize("what", ["inspect", "release"])
def test_nothing_is_inspected_or_released_before_it_has_burned(at: At, what: str) -> None:
    bench = at()
    bench.order()
    body = {"jobs": {"J1": {"result": "pass"}}} if what == "inspect" else None

    assert code(bench.post(bench.pulled(bench.claimed()), what, body)) == (409, "move_not_allowed")


# --- two turns, two visits ---


def test_two_faces_are_burned_in_two_turns_of_one_load(at: At) -> None:
    bench = at()
    bench.order(faces=("mark_side", "pile_side"), quantity=2)

    turning = bench.burned()
    turned = bench.do(bench.started(bench.seated(turning, turn=2), turn=2), "finish", {"turn": 2})

    assert (turning["state"], turning["current_turn"]) == ("turning", 2)
    assert [slot["face"] for slot in turning["turns"][1]["slots"]] == ["pile_side", "pile_side"]
    assert turned["state"] == "burned"
    assert bench.job("J1").faces_done == ["mark_side", "pile_side"]
    assert [event.type for event in bench.rows(Event)] == ["job.engraved"] * 2
    assert bench.do(bench.passed(turned), "release")["state"] == "closed"
    assert [(s.job_id, s.face) for s in bench.rows(BurnStart)] == [
        (1, "mark_side"),
        (2, "mark_side"),
        (1, "pile_side"),
        (2, "pile_side"),
    ]


def test_the_handle_points_the_other_way_when_the_face_says_so(at: At) -> None:
    bench = at()
    bench.order(faces=("mark_side", "pile_side"))

    load = bench.claimed()

    assert [turn["slots"][0]["handle_direction"] for turn in load["turns"]] == [180.0, 0.0]


def test_a_unit_that_does_not_sit_when_turned_comes_again_for_its_second_face(at: At) -> None:
    bench = at()
    bench.order(faces=("mark_side", "pile_side"), quantity=2)
    load = bench.burned()

    told = bench.do(load, "seated", {"turn": 2, "slots": {"S1": "does_not_fit", "S2": "seated"}})

    job = bench.job("J1")
    assert (job.state, job.faces_done, job.unit_in_hand) == ("ready", ["mark_side"], True)
    assert told["state"] == "seated"
    bench.started(told, turn=2)
    second = bench.claimed()
    assert [slot["face"] for turn in second["turns"] for slot in turn["slots"]] == ["pile_side"]


def test_when_the_last_unit_does_not_sit_turned_the_load_goes_to_inspection(at: At) -> None:
    bench = at()
    bench.order(faces=("mark_side", "pile_side"))
    load = bench.seated(bench.burned(), turn=2)

    told = bench.do(load, "seated", {"turn": 2, "slots": {"S1": "does_not_fit"}})

    assert told["state"] == "burned"
    assert bench.do(told, "release")["state"] == "closed"


def test_without_a_plate_that_turns_it_over_a_unit_makes_two_visits_in_order(at: At) -> None:
    bench = at(a_bench_shop(flat_plate("mark_side"), flat_plate("pile_side")))
    bench.order(faces=("mark_side", "pile_side"))

    first = bench.burned()
    between = bench.passed(first)
    bench.do(between, "release")
    waiting = bench.job("J1")
    second = bench.burned()
    bench.do(bench.passed(second), "release")

    assert (first["plate"], second["plate"]) == ("flat_mark", "flat_pile")
    assert (waiting.state, waiting.faces_done, waiting.unit_in_hand) == ("ready", ["mark_side"], True)
    assert bench.job("J1").state == "released"
    assert [event.type for event in bench.rows(Event)] == ["job.engraved", "order.released"]


def test_a_unit_scrapped_between_turns_leaves_the_second_turn(at: At) -> None:
    bench = at()
    bench.order(faces=("mark_side", "pile_side"), quantity=2)
    load = bench.burned()

    told = bench.do(load, "inspect", {"jobs": {"J1": {"result": "scrap", "reason": "scratched"}}})

    assert [slot["slot"] for slot in told["turns"][1]["slots"]] == ["S2"]
    assert told["revision"] == 2
    assert bench.job("J3").faces_done == []


def test_a_store_hears_of_an_engraving_once_although_it_was_burned_again(at: At) -> None:
    bench = at()
    bench.order()
    load = bench.do(bench.burned(), "again", {"turn": 1, "jobs": ["J1"], "reason": "faint"})

    bench.do(bench.started(load), "finish", {"turn": 1})

    assert [event.type for event in bench.rows(Event)].count("job.engraved") == 1


# --- again ---


def test_burning_again_is_a_new_attempt_in_a_new_file_with_those_jobs_only(at: At) -> None:
    bench = at()
    bench.order(quantity=2)
    load = bench.burned()

    again = bench.do(load, "again", {"turn": 1, "jobs": ["J2"], "reason": "faint"})
    svg = bench.ask("GET", again["turns"][0]["files"]["svg"]).text
    done = bench.do(bench.started(again), "finish", {"turn": 1})

    assert (again["state"], again["revision"]) == ("seated", 2)
    assert "SATIN.S2" in svg
    assert "SATIN.S1" not in svg
    assert done["state"] == "burned"
    assert [(s.job_id, s.attempt, s.why) for s in bench.rows(BurnStart)] == [
        (1, 1, None),
        (2, 1, None),
        (2, 2, "faint"),
    ]
    assert bench.job("J2").state == "engraved"


def test_burning_again_between_turns_comes_back_to_the_next_turn(at: At) -> None:
    bench = at()
    bench.order(faces=("mark_side", "pile_side"))
    load = bench.burned()

    again = bench.do(load, "again", {"turn": 1, "jobs": ["J1"], "reason": "faint"})
    done = bench.do(bench.started(again), "finish", {"turn": 1})

    assert again["current_turn"] == 1
    assert (done["state"], done["current_turn"]) == ("turning", 2)


@pytest.mark.parametrize(
    ("body", "expected"),
    [
        ({"turn": 1, "jobs": ["J1"], "reason": ""}, (422, "invalid_request")),
        ({"turn": 1, "jobs": [], "reason": "faint"}, (422, "invalid_request")),
        ({"turn": 2, "jobs": ["J1"], "reason": "faint"}, (409, "move_not_allowed")),
        ({"turn": 1, "jobs": ["J9"], "reason": "faint"}, (422, "bad_request")),
    ],
)
def test_burning_again_what_was_not_burned_is_refused(at: At, body: Any, expected: tuple[int, str]) -> None:
    bench = at()
    bench.order()

    assert code(bench.post(bench.burned(), "again", body)) == expected
    assert len(bench.rows(BurnStart)) == 1


def test_a_turn_whose_units_were_turned_over_is_not_burned_again(at: At) -> None:
    bench = at()
    bench.order(faces=("mark_side", "pile_side"))
    load = bench.seated(bench.burned(), turn=2)

    answer = bench.post(load, "again", {"turn": 1, "jobs": ["J1"], "reason": "faint"})

    assert code(answer) == (409, "move_not_allowed")


def test_what_was_to_be_burned_again_may_be_left_as_it_is(at: At) -> None:
    bench = at()
    bench.order(quantity=2)
    load = bench.burned()
    again = bench.do(load, "again", {"turn": 1, "jobs": ["J1", "J2"], "reason": "faint"})

    one = bench.do(again, "again", {"turn": 1, "jobs": ["J2"], "reason": "dark enough", "withdraw": True})
    both = bench.do(one, "again", {"turn": 1, "jobs": ["J1"], "reason": "was lifted", "withdraw": True})

    assert [slot["state"] for slot in one["turns"][0]["slots"]] == ["seated", "burned"]
    assert (one["state"], both["state"]) == ("seated", "burned")
    assert (both["revision"], [slot["attempt"] for slot in both["turns"][0]["slots"]]) == (4, [1, 1])
    assert [bench.job(job).state for job in ("J1", "J2")] == ["engraved", "engraved"]
    assert bench.moves("job", "J2")[-3:] == ["again", "not_again", "engraved"]
    assert len(bench.rows(BurnStart)) == 2
    assert [event.type for event in bench.rows(Event)] == ["job.engraved"] * 2
    assert bench.do(bench.passed(both), "release")["state"] == "closed"


def test_between_turns_a_repeat_taken_back_comes_back_to_the_next_turn(at: At) -> None:
    bench = at()
    bench.order(faces=("mark_side", "pile_side"))
    again = bench.do(bench.burned(), "again", {"turn": 1, "jobs": ["J1"], "reason": "faint"})

    back = bench.do(again, "again", {"turn": 1, "jobs": ["J1"], "reason": "good enough", "withdraw": True})

    assert (back["state"], back["current_turn"]) == ("turning", 2)
    assert (bench.job("J1").state, bench.job("J1").faces_done) == ("loaded", ["mark_side"])
    assert bench.started(bench.seated(back, turn=2), turn=2)["state"] == "burning"


def test_a_partial_mark_that_is_not_completed_after_all_is_doubtful_again(at: At) -> None:
    bench = at()
    bench.order(quantity=2)
    partial = {job: {"mark_side": "partial"} for job in ("J1", "J2")}
    load = bench.do(bench.burning(), "resolve", {"jobs": partial})
    again = bench.do(load, "again", {"turn": 1, "jobs": ["J1", "J2"], "reason": "power was out"})
    lifted = {"turn": 1, "reason": "lifted", "withdraw": True}

    one = bench.post(again, "again", {**lifted, "jobs": ["J1"]})
    back = bench.do(again, "again", {**lifted, "jobs": ["J1", "J2"]})

    assert code(one) == (409, "move_not_allowed")
    assert back["state"] == "interrupted"
    assert [bench.job(job).state for job in ("J1", "J2")] == ["doubtful", "doubtful"]
    scrap = {"jobs": {job: {"result": "scrap", "reason": "half a name"} for job in ("J1", "J2")}}
    assert bench.do(back, "inspect", scrap)["state"] == "closed"


def test_a_repeat_that_was_started_or_never_asked_for_is_not_taken_back(at: At) -> None:
    bench = at()
    bench.order(quantity=2)
    again = bench.do(bench.burned(), "again", {"turn": 1, "jobs": ["J1"], "reason": "faint"})
    back = {"turn": 1, "reason": "no", "withdraw": True}

    never = bench.post(again, "again", {**back, "jobs": ["J2"]})
    passed = bench.post(again, "inspect", {"jobs": {"J1": {"result": "pass"}}})
    started = bench.post(bench.started(again), "again", {**back, "jobs": ["J1"]})

    assert code(never) == (422, "bad_request")
    assert [code(answer) for answer in (passed, started)] == [(409, "move_not_allowed")] * 2


def test_a_unit_that_slipped_before_its_repeat_is_scrapped_and_the_others_go_on(at: At) -> None:
    bench = at()
    bench.order(quantity=2)
    again = bench.do(bench.burned(), "again", {"turn": 1, "jobs": ["J1", "J2"], "reason": "faint"})

    told = bench.do(again, "inspect", {"jobs": {"J1": {"result": "scrap", "reason": "slipped"}}})

    assert (told["state"], bench.job("J1").state, bench.job("J3").replaces) == ("seated", "scrapped", 1)
    assert told["clear"] == [{"turn": 1, "slot": "S1", "unit": "J1", "why": "scrapped"}]
    assert bench.do(bench.started(told), "finish", {"turn": 1})["state"] == "burned"


# --- stopping between turns ---


@pytest.mark.parametrize("seated", [False, True])
def test_when_the_next_turn_can_not_be_burned_its_units_wait_for_another_load(at: At, seated: bool) -> None:
    bench = at()
    bench.order(faces=("mark_side", "pile_side"), quantity=2)
    bench.order()
    load = bench.seated(bench.burned(), turn=2) if seated else bench.burned()

    stopped = bench.do(load, "inspect", {"jobs": {job: {"result": "pass"} for job in ("J1", "J2", "J3")}})

    assert (stopped["state"], stopped["revision"]) == ("burned", 2)
    assert [(bench.job(job).state, bench.job(job).faces_done) for job in ("J1", "J2", "J3")] == [
        ("ready", ["mark_side"]),
        ("ready", ["mark_side"]),
        ("passed", ["mark_side"]),
    ]
    assert {(one["turn"], one["why"]) for one in stopped["clear"]} == {(2, "put_off")}
    assert bench.do(stopped, "release")["state"] == "closed"
    second = bench.claimed()
    assert second["pulls"] == []
    assert [slot["face"] for turn in second["turns"] for slot in turn["slots"]] == ["pile_side"] * 2


def test_one_unit_put_off_between_turns_leaves_the_others_to_be_burned(at: At) -> None:
    bench = at()
    bench.order(faces=("mark_side", "pile_side"), quantity=2)

    told = bench.do(bench.burned(), "inspect", {"jobs": {"J1": {"result": "pass"}}})

    assert (told["state"], told["current_turn"]) == ("turning", 2)
    assert [slot["job"] for slot in told["turns"][1]["slots"]] == ["J2"]
    assert bench.started(bench.seated(told, turn=2), turn=2)["state"] == "burning"
    assert [(s.job_id, s.face) for s in bench.rows(BurnStart)][2:] == [(2, "pile_side")]


# --- interruption ---


def test_a_started_load_that_goes_silent_is_doubtful_and_never_lapses(at: At, clock: SetClock) -> None:
    bench = at()
    bench.order()
    load = bench.burning()
    clock.advance(hours=5)
    bench.next(operator="Operator Two")  # whoever looks finds it

    seen = bench.see(load)

    assert seen["state"] == "interrupted"
    assert bench.job("J1").state == "doubtful"
    assert code(bench.post(load, "finish", {"turn": 1})) == (412, "lease_lost")


def test_after_an_interruption_each_face_goes_where_the_metal_says(at: At) -> None:
    bench = at()
    bench.order(quantity=3)
    load = bench.burning()

    told = bench.do(
        load,
        "resolve",
        {
            "jobs": {
                "J1": {"mark_side": "clean"},
                "J2": {"mark_side": "complete"},
                "J3": {"mark_side": "partial"},
            }
        },
    )

    assert [bench.job(job).state for job in ("J1", "J2", "J3")] == ["ready", "engraved", "doubtful"]
    assert told["state"] == "interrupted"
    assert told["clear"] == [{"turn": 1, "slot": "S1", "unit": "J1", "why": "clean"}]
    assert [start.outcome for start in bench.rows(BurnStart)] == ["clean", "complete", "partial"]


def test_a_partial_mark_is_burned_again_in_the_same_seating(at: At) -> None:
    bench = at()
    bench.order(quantity=2)
    load = bench.do(
        bench.burning(),
        "resolve",
        {"jobs": {"J1": {"mark_side": "partial"}, "J2": {"mark_side": "complete"}}},
    )

    again = bench.do(load, "again", {"turn": 1, "jobs": ["J1"], "reason": "power was out"})
    done = bench.do(bench.started(again), "finish", {"turn": 1})

    assert [slot["slot"] for slot in again["turns"][0]["slots"] if slot["state"] == "seated"] == ["S1"]
    assert done["state"] == "burned"
    assert bench.job("J1").state == "engraved"


def test_other_partial_marks_may_not_be_left_behind_when_one_is_burned_again(at: At) -> None:
    bench = at()
    bench.order(quantity=2)
    load = bench.do(
        bench.burning(), "resolve", {"jobs": {"J1": {"mark_side": "partial"}, "J2": {"mark_side": "partial"}}}
    )

    answer = bench.post(load, "again", {"turn": 1, "jobs": ["J1"], "reason": "power was out"})

    assert code(answer) == (409, "move_not_allowed")
    assert answer.json()["jobs"] == "J2"


def test_nothing_is_burned_again_or_scrapped_before_the_metal_was_looked_at(at: At) -> None:
    bench = at()
    bench.order(quantity=2)
    load = bench.do(bench.burning(), "resolve", {"jobs": {"J1": {"mark_side": "partial"}}})

    again = bench.post(load, "again", {"turn": 1, "jobs": ["J1"], "reason": "power was out"})
    scrap = bench.post(load, "inspect", {"jobs": {"J2": {"result": "scrap", "reason": "guess"}}})
    passed = bench.post(load, "inspect", {"jobs": {"J1": {"result": "pass"}}})

    assert [code(answer) for answer in (again, scrap, passed)] == [(409, "move_not_allowed")] * 3


def test_a_partial_mark_may_be_scrapped_instead(at: At) -> None:
    bench = at()
    bench.order()
    load = bench.do(bench.burning(), "resolve", {"jobs": {"J1": {"mark_side": "partial"}}})

    told = bench.do(load, "inspect", {"jobs": {"J1": {"result": "scrap", "reason": "half a name"}}})

    assert told["state"] == "closed"
    assert bench.job("J2").replaces == 1


def test_a_clean_unit_is_engraved_later_as_a_further_attempt(at: At) -> None:
    bench = at()
    bench.order()
    bench.do(bench.burning(), "resolve", {"jobs": {"J1": {"mark_side": "clean"}}})

    second = bench.burned()

    assert second["state"] == "burned"
    assert [(s.load_id, s.attempt, s.outcome) for s in bench.rows(BurnStart)] == [
        (1, 1, "clean"),
        (2, 2, "complete"),
    ]
    assert bench.rows(LoadSlot)[0].state == "removed"


def test_what_was_burned_before_in_this_seating_can_not_be_clean(at: At) -> None:
    bench = at()
    bench.order()
    load = bench.do(bench.burned(), "again", {"turn": 1, "jobs": ["J1"], "reason": "faint"})

    answer = bench.post(bench.started(load), "resolve", {"jobs": {"J1": {"mark_side": "clean"}}})

    assert code(answer) == (422, "bad_request")
    assert bench.job("J1").state == "loaded"


def test_an_interruption_of_turn_one_resolved_complete_goes_on_to_turn_two(at: At) -> None:
    bench = at()
    bench.order(faces=("mark_side", "pile_side"))

    told = bench.do(bench.burning(), "resolve", {"jobs": {"J1": {"mark_side": "complete"}}})

    assert (told["state"], told["current_turn"]) == ("turning", 2)
    assert bench.job("J1").state == "loaded"


@pytest.mark.parametrize(
    "body",
    [
        {"jobs": {"J1": {"pile_side": "clean"}}},
        {"jobs": {"J7": {"mark_side": "clean"}}},
        {"lots": {"LOT1": {"clean": 1}}},
    ],
)
def test_resolving_what_is_not_in_doubt_is_refused(at: At, body: dict[str, Any]) -> None:
    bench = at()
    bench.order()

    assert code(bench.post(bench.burning(), "resolve", body)) == (422, "bad_request")
    assert bench.job("J1").state == "loaded"


def test_a_load_that_did_not_start_has_nothing_to_resolve(at: At) -> None:
    bench = at()
    bench.order()

    answer = bench.post(bench.claimed(), "resolve", {"jobs": {"J1": {"mark_side": "clean"}}})

    assert code(answer) == (409, "move_not_allowed")


# --- files ---


def test_a_file_comes_with_its_digest_and_a_name_that_says_which_it_is(at: At) -> None:
    bench = at()
    bench.order()
    load = bench.claimed()

    for kind, media_type in (("svg", "image/svg+xml"), ("dxf", "image/vnd.dxf"), ("pdf", "application/pdf")):
        answer = bench.ask("GET", f"/v1/loads/L1/turns/1/burn.{kind}")

        digest = hashlib.sha256(answer.content).hexdigest()
        assert answer.status_code == 200
        assert answer.headers["ETag"] == f'"{digest}"'
        assert answer.headers["Content-Type"].startswith(media_type)
        assert re.search(rf'filename="L1-t1-r1-[0-9A-Z]{{6}}\.{kind}"', answer.headers["Content-Disposition"])
    assert load["turns"][0]["file_sha256"] in {row.sha256 for row in bench.rows(TurnFile)}


def test_a_file_that_the_caller_has_is_not_sent_again(at: At) -> None:
    bench = at()
    bench.order()
    load = bench.claimed()

    answer = bench.ask(
        "GET", load["turns"][0]["files"]["svg"], If_None_Match=f'"{load["turns"][0]["file_sha256"]}"'
    )

    assert (answer.status_code, answer.content) == (304, b"")


@pytest.mark.parametrize(
    "path", ["turns/2/burn.svg", "turns/1/burn.png", "turns/0/guide.svg", "turns/3/guide.svg"]
)
def test_a_file_that_there_is_not_is_not_found(at: At, path: str) -> None:
    bench = at()
    bench.order()
    bench.claimed()

    assert bench.ask("GET", f"/v1/loads/L1/{path}").status_code == 404


def test_no_file_leaves_once_its_turn_was_started(at: At) -> None:
    bench = at()
    bench.order(faces=("mark_side", "pile_side"))
    load = bench.burning()

    burning = bench.ask("GET", load["turns"][0]["files"]["svg"])
    bench.do(load, "finish", {"turn": 1})
    burned = bench.ask("GET", load["turns"][0]["files"]["svg"])
    turned = bench.ask("GET", load["turns"][1]["files"]["svg"])

    assert code(burning) == (409, "move_not_allowed")
    assert code(burned) == (409, "already_burned")
    assert turned.status_code == 200


def test_the_guide_shows_every_unit_and_says_that_it_is_not_for_burning(at: At) -> None:
    bench = at()
    bench.order(quantity=2)
    bench.claimed()

    answer = bench.ask("GET", "/v1/loads/L1/turns/1/guide.svg")

    assert "NOT FOR BURNING" in answer.text
    assert "J1" in answer.text
    assert "J2" in answer.text


def test_a_file_lost_from_disk_is_built_again_to_the_same_bytes(at: At, tmp_path: Path) -> None:
    bench = at()
    bench.order()
    load = bench.claimed()
    first = bench.ask("GET", load["turns"][0]["files"]["svg"]).content
    for kept in (tmp_path / "files").rglob("*"):
        if kept.is_file():
            kept.write_bytes(b"spoiled")

    again = bench.ask("GET", load["turns"][0]["files"]["svg"]).content

    assert again == first


def test_a_cancelled_unit_is_out_of_the_file_and_its_slot_is_to_be_cleared(at: At) -> None:
    from service.loads import load as loads
    from service.records.tables import Job
    from tests.benches import OPERATOR

    bench = at()
    bench.order(quantity=2)
    load = bench.seated(bench.pulled(bench.claimed()))
    bench.database.write(
        lambda session: loads.remove_job(
            session, session.get_one(Job, 1), reason="cancelled", by=By(OPERATOR, bench.clock())
        )
    )

    stale = bench.post(load, "start", {"turn": 1, "file_sha256": load["turns"][0]["file_sha256"]})
    seen = bench.see(load)
    svg = bench.ask("GET", seen["turns"][0]["files"]["svg"]).text

    assert code(stale) == (412, "stale_version")
    assert seen["clear"] == [{"turn": 1, "slot": "S1", "unit": "J1", "why": "cancelled"}]
    assert "SATIN.S1" not in svg
    assert bench.job("J1").state == "ready"
    assert job_in(seen, "S2") == "J2"
