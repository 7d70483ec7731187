"""Test cards: a process is usable by its newest record, and what is withdrawn burns nothing more."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from layout.shop.proven_recipes import proven
from layout.shop.shop import Shop
from service.proving import test_cards
from service.records.db import Database
from service.records.tables import BurnStart, Lot, TestCardRecord
from tests.benches import Bench, a_bench_shop
from tests.clocks import SetClock
from tests.counter import Counter, an_open_counter

At = Callable[..., Bench]
CARD = {"process": "satin-s1", "burned_on": "2026-11-23", "note": "no rust after 24 h"}
WITHDRAWN = {"process": "satin-s1", "withdrawn": True, "note": "lens changed"}


@pytest.fixture
def at(database: Database, clock: SetClock, tmp_path: Path) -> At:
    return lambda shop=None: Bench(database, clock, tmp_path, shop)


def unproven(shop: Shop) -> Shop:
    return replace(shop, processes={n: replace(p, test_card=None) for n, p in shop.processes.items()})


def tell(bench: Bench, body: dict[str, Any], key: str, *, role: str = "owner") -> dict[str, Any]:
    answer = bench.ask("POST", "/v1/test-cards", body, role=role, Idempotency_Key=key)
    assert answer.status_code == 201, answer.text
    said: dict[str, Any] = answer.json()
    return said


def status(bench: Bench) -> tuple[bool, str | None, int]:
    (one,) = bench.ask("GET", "/v1/test-cards").json()["processes"]
    return one["usable"], one["why_not"], one["units_waiting"]


def test_a_recorded_card_makes_a_process_usable(at: At) -> None:
    bench = at(unproven(a_bench_shop()))
    bench.order()
    before = bench.next().status_code, status(bench), bench.ask("GET", "/v1/jobs/J1").json()

    said = tell(bench, CARD, "card-key-1")
    load = bench.burned()

    assert before[:2] == (204, (False, "no_card", 1))
    assert before[2]["waits_for_test_card"] == ["satin-s1"]
    assert (said["id"], said["by"], said["withdrawn"]) == ("TC1", "owner-1", False)
    assert load["turns"][0]["slots"][0]["process"] == "satin-s1"
    assert status(bench) == (True, None, 0)


def test_a_withdrawn_card_keeps_accepted_units_waiting_until_the_next_one(at: At) -> None:
    bench = at()
    bench.order()
    tell(bench, WITHDRAWN, "card-key-1")
    kept_back = bench.next().status_code, status(bench), bench.job("J1").state
    reasons = bench.planned().plan.unplanned

    tell(bench, CARD, "card-key-2")

    assert kept_back == (204, (False, "withdrawn", 1), "ready")
    assert dict(reasons) == {"J1": "waits for a test card of satin-s1"}
    assert bench.planned().plan.unplanned == {}
    assert bench.claimed()["jobs"][0]["job"] == "J1"


def test_withdrawing_takes_the_units_out_of_a_load_that_has_not_started(at: At) -> None:
    bench = at()
    bench.order(quantity=2)
    bench.lot(quantity=3)
    load = bench.seated(bench.pulled(bench.claimed()))
    body = {"turn": 1, "file_sha256": load["turns"][0]["file_sha256"]}

    told = tell(bench, WITHDRAWN, "card-key-1")
    answer = bench.post(load, "start", body)
    seen = bench.see(load)

    assert told["taken_out"] == ["J1", "J2", "LOT1"]
    assert (answer.status_code, answer.json()["code"]) == (412, "lease_lost")
    assert (seen["state"], [bench.job(j).state for j in ("J1", "J2")]) == ("dropped", ["ready", "ready"])
    assert [(lot.waiting, lot.loaded) for lot in bench.rows(Lot)] == [(3, 0)]
    assert bench.rows(BurnStart) == []


def test_a_started_load_keeps_its_units_but_no_further_turn_burns_without_a_card(at: At) -> None:
    bench = at()
    bench.order(faces=("mark_side", "pile_side"))
    burning = bench.burning()
    tell(bench, WITHDRAWN, "card-key-1")
    unharmed = bench.see(burning)
    turning = bench.do(burning, "finish", {"turn": 1})
    seated = bench.seated(turning, turn=2)
    refused = bench.post(seated, "start", {"turn": 2, "file_sha256": "0" * 64})
    file = bench.ask("GET", seated["turns"][1]["files"]["svg"])

    tell(bench, CARD, "card-key-2")
    again = bench.ask("GET", seated["turns"][1]["files"]["svg"])
    going_on = bench.see(seated)

    assert (unharmed["state"], unharmed["etag"]) == ("burning", burning["etag"])
    assert refused.status_code == 409
    assert (file.status_code, [f["code"] for f in file.json()["findings"]]) == (409, ["no_process"])
    assert again.status_code == 200
    assert bench.started(going_on, turn=2)["state"] == "burning"


def test_withdrawing_makes_the_files_of_a_load_between_two_turns_stale(at: At) -> None:
    bench = at()
    bench.order(faces=("mark_side", "pile_side"))
    turning = bench.burned()

    told = tell(bench, WITHDRAWN, "card-key-1")

    assert told["taken_out"] == []
    assert bench.see(turning)["revision"] == turning["revision"] + 1
    assert bench.see(turning)["turns"][0]["focus_mm"] > 0  # what was burned can still be looked at


def test_a_card_proves_the_recipe_it_was_burned_with_and_no_other(at: At) -> None:
    bench = at(unproven(a_bench_shop()))
    tell(bench, CARD, "card-key-1")
    changed = replace(
        bench.shop,
        processes={n: replace(p, power_percent=60.0) for n, p in bench.shop.processes.items()},
    )

    with bench.database.reading() as session:
        as_burned, as_changed = (test_cards.proven(session, shop) for shop in (bench.shop, changed))
        why = test_cards.status(session, changed)[0].why_not

    assert as_burned.processes["satin-s1"].test_card is not None
    assert as_changed.processes["satin-s1"].test_card is None
    assert why == "recipe_changed"


def test_a_withdrawal_counts_for_every_recipe_and_against_the_description_s_own_card(at: At) -> None:
    bench = at()
    tell(bench, WITHDRAWN, "card-key-1")
    changed = replace(
        bench.shop, processes={n: replace(p, repeats=3) for n, p in bench.shop.processes.items()}
    )

    with bench.database.reading() as session:
        record = test_cards.proofs(session)

    assert [proven(shop, record).processes["satin-s1"].test_card for shop in (bench.shop, changed)] == [
        None,
        None,
    ]


def test_a_card_with_another_line_than_the_recipe_says_proves_nothing(at: At) -> None:
    bench = at(unproven(a_bench_shop()))
    says = bench.shop.processes["satin-s1"].line_width_mm

    wide = bench.ask(
        "POST",
        "/v1/test-cards",
        {**CARD, "line_width_mm": says * 1.3},
        role="owner",
        Idempotency_Key="card-1-a",
    )
    near = tell(bench, {**CARD, "line_width_mm": says * 1.05, "spot_mm": 0.04}, "card-1-b")

    assert (wide.status_code, wide.json()["code"]) == (422, "test_card_refused")
    assert [f["code"] for f in wide.json()["findings"]] == ["line_width_differs"]
    assert near["spot_mm"] == 0.04


@pytest.mark.parametrize(
    "body",
    [
        {**CARD, "process": "satin-s9"},
        {**CARD, "burned_on": "2026-11-25"},
        {**CARD, "withdrawn": True},
        {"process": "satin-s1"},
        {"process": "satin-s1", "withdrawn": True},
        {**WITHDRAWN, "line_width_mm": 0.05},
    ],
)
def test_a_card_that_says_nothing_clear_is_not_kept(at: At, body: dict[str, Any]) -> None:
    bench = at()

    answer = bench.ask("POST", "/v1/test-cards", body, role="owner", Idempotency_Key="card-key-1")

    assert answer.status_code == 422
    assert bench.rows(TestCardRecord) == []


def test_the_owner_records_and_the_house_reads(at: At) -> None:
    bench = at()

    recorded = {
        role: bench.ask("POST", "/v1/test-cards", CARD, role=role, Idempotency_Key=f"card-{role}").status_code
        for role in ("store", "desk", "bench", "owner")
    }
    read = {role: bench.ask("GET", "/v1/test-cards", role=role).status_code for role in ("store", "bench")}

    assert recorded == {"store": 403, "desk": 403, "bench": 403, "owner": 201}
    assert read == {"store": 403, "bench": 200}


def test_the_record_comes_in_pages_newest_first(at: At) -> None:
    bench = at()
    for number, body in enumerate((CARD, WITHDRAWN, CARD)):
        tell(bench, body, f"card-key-{number}")

    first = bench.ask("GET", "/v1/test-cards?limit=2&process=satin-s1")
    second = bench.ask("GET", first.headers["Link"].split(";")[0].strip("<>"))

    listed = first.json()["test_cards"] + second.json()["test_cards"]
    assert [(one["id"], one["withdrawn"]) for one in listed] == [
        ("TC3", False),
        ("TC2", True),
        ("TC1", False),
    ]


# --- the made-up shop: checks, and the card itself ---


def asked(counter: Counter) -> tuple[str, list[str]]:
    body = {
        "sku": "AQ-HORI-18",
        "inscriptions": [{"zone": "ricasso", "text": "Nan", "font": "lato-bold"}],
    }
    said = counter.ask("desk", "POST", "/v1/checks", body).json()
    return said["verdict"], [finding["code"] for finding in said["findings"]]


def test_a_check_refuses_what_only_a_withdrawn_process_could_burn(
    sqlite_database: Database, clock: SetClock, tmp_path: Path
) -> None:
    with an_open_counter(sqlite_database, clock, tmp_path) as counter:
        processes = counter.ask("owner", "GET", "/v1/test-cards").json()["processes"]
        before = asked(counter)
        for one in processes:
            body = {"process": one["process"], "withdrawn": True, "note": "serviced"}
            counter.ask("owner", "POST", "/v1/test-cards", body, Idempotency_Key=f"out-{one['process']}")
        after = asked(counter)

    assert before == ("accept", [])
    assert after == ("refuse", ["no_process"])


def test_the_card_to_burn_is_named_so_that_nobody_takes_it_for_a_load(
    sqlite_database: Database, clock: SetClock, tmp_path: Path
) -> None:
    with an_open_counter(sqlite_database, clock, tmp_path) as counter:
        served = counter.ask("bench", "GET", "/v1/processes/polished-south/test-card.svg")
        twice = counter.ask("owner", "GET", "/v1/processes/polished-south/test-card.svg")
        unknown = counter.ask("owner", "GET", "/v1/processes/polished-east/test-card.svg")
        kind = counter.ask("owner", "GET", "/v1/processes/polished-south/test-card.gcode")

    assert 'filename="TEST-CARD-polished-south-' in served.headers["Content-Disposition"]
    assert served.content == twice.content
    assert (unknown.status_code, kind.status_code) == (404, 404)
