"""What a load holds, as its rows say it: units in hand, repeats, who may still change it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy.orm import Session

from service.loads import contents, repeats
from service.loads import load as loads
from service.records.db import Database
from service.records.errors import MoveNotAllowed
from service.records.tables import BurnStart, Job
from service.records.who import By
from tests.benches import OPERATOR, Bench, a_bench_shop, turning_plate
from tests.clocks import SetClock


@pytest.fixture
def bench(sqlite_database: Database, clock: SetClock, tmp_path: Path) -> Bench:
    return Bench(sqlite_database, clock, tmp_path)


def test_a_unit_is_in_hand_once_it_was_found(bench: Bench) -> None:
    bench.order(quantity=2)
    bench.do(bench.claimed(), "pulled", {"jobs": {"J1": "found"}})

    with bench.database.reading() as session:
        load = loads.find(session, 1)

        assert contents.is_in_hand(load, "J1")
        assert not contents.is_in_hand(load, "J2")


def test_a_face_in_doubt_is_not_yet_one_to_be_burned_again(bench: Bench) -> None:
    bench.order(quantity=2)
    bench.do(bench.burning(), "resolve", {"jobs": {"J1": {"mark_side": "partial"}}})

    with bench.database.reading() as session:
        in_doubt = repeats.to_burn_again(session, loads.find(session, 1))
    load = bench.do(bench.see({"id": "L1"}), "resolve", {"jobs": {"J2": {"mark_side": "partial"}}})
    bench.do(load, "again", {"turn": 1, "jobs": ["J1", "J2"], "reason": "interrupted burn"})
    with bench.database.reading() as session:
        asked_for = repeats.to_burn_again(session, loads.find(session, 1))

    assert in_doubt == []
    assert [slot.job_id for slot in asked_for] == [1, 2]


def test_a_job_is_not_taken_out_of_a_load_that_has_started(bench: Bench) -> None:
    bench.order()
    load = bench.burning()

    def take_out(session: Session) -> None:
        job = session.get_one(Job, 1)
        loads.remove_job(session, job, reason="cancelled", by=By(OPERATOR, bench.clock()))

    with pytest.raises(MoveNotAllowed, match="a load that has started"):
        bench.database.write(take_out)

    assert bench.job("J1").state == "loaded"
    assert bench.see(load)["revision"] == load["revision"]


def test_a_load_is_held_to_the_very_end_of_its_lease(bench: Bench, clock: SetClock) -> None:
    bench.order()
    load = bench.claimed()

    clock.advance(seconds=bench.tools.settings.lease_seconds)
    renewed = bench.post(load, "renew")
    clock.advance(seconds=bench.tools.settings.lease_seconds + 1)
    too_late = bench.post(load, "renew")

    assert renewed.status_code == 200
    assert (too_late.status_code, too_late.json()["code"]) == (412, "lease_lost")


# --- two loads side by side ---


@pytest.fixture
def two_loads(
    sqlite_database: Database, clock: SetClock, tmp_path: Path
) -> tuple[Bench, dict[str, Any], dict[str, Any]]:
    """A load at each of two stations, with a unit in each."""
    shop = a_bench_shop(turning_plate(copies=4), stations=2)
    bench = Bench(sqlite_database, clock, tmp_path, shop)
    loads_claimed = []
    for station, operator in (("s1", "Operator One"), ("s2", "Operator Two")):
        bench.order()
        loads_claimed.append(bench.claimed(station=station, operator=operator))
    return bench, loads_claimed[0], loads_claimed[1]


def test_a_load_waits_for_its_own_units_alone(
    two_loads: tuple[Bench, dict[str, Any], dict[str, Any]],
) -> None:
    bench, first, second = two_loads

    assert [pull["jobs"] for pull in bench.see(first)["pulls"]] == [["J1"]]
    assert [pull["jobs"] for pull in bench.see(second)["pulls"]] == [["J2"]]


def test_a_burn_that_ends_ends_no_other(two_loads: tuple[Bench, dict[str, Any], dict[str, Any]]) -> None:
    bench, *both = two_loads
    first, second = (bench.started(bench.seated(bench.pulled(load))) for load in both)

    bench.do(first, "finish", {"turn": 1})

    assert [start.outcome for start in bench.rows(BurnStart)] == ["complete", None]
    assert (bench.job("J1").state, bench.job("J2").state) == ("engraved", "loaded")
    assert bench.see(second)["state"] == "burning"


def test_who_has_seen_older_contents_is_told_why_this_load_changed(
    two_loads: tuple[Bench, dict[str, Any], dict[str, Any]],
) -> None:
    bench, *both = two_loads
    for load, copy in zip(both, ("turning-3", "turning-4"), strict=True):
        bench.do(load, "mounted", {"turn": 1, "copy": copy, "how": "scanned"})

    stale = bench.post(both[0], "renew")

    assert (stale.status_code, stale.json()["code"]) == (412, "stale_version")
    assert "turning-3 is mounted in place of turning-1" in stale.json()["detail"]


def test_a_station_without_a_recipe_for_the_finish_has_nothing_to_do(
    sqlite_database: Database, clock: SetClock, tmp_path: Path
) -> None:
    shop = a_bench_shop(stations=2)
    recipes = {name: process for name, process in shop.processes.items() if process.station == "s1"}
    bench = Bench(sqlite_database, clock, tmp_path, replace(shop, processes=recipes))
    bench.order()

    assert bench.next(station="s2").status_code == 204
    assert bench.next(station="s1").status_code == 201
