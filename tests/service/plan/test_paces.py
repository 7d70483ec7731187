"""Recorded burns teach the estimate; learned figures are used wherever time is reckoned."""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path

import pytest
from sqlalchemy import update
from sqlalchemy.orm import Session

from layout.burn.pace import Pace
from layout.plan.promise import SPREAD
from service.plan import pace_rows as rows
from service.plan import paces as learning
from service.plan.pace_rows import BurnedTurn
from service.records.db import Database
from service.records.tables import BurnStart, LearnedPace, Load, Lot, TurnFile
from tests.benches import Bench, jobs_of, put_lot
from tests.clocks import MORNING, SetClock
from tests.counter import an_inscription, an_open_counter

SATIN_GROUP = ("s1", "turning", "satin-s1")


@pytest.fixture
def bench(database: Database, clock: SetClock, tmp_path: Path) -> Bench:
    return Bench(database, clock, tmp_path)


def put_turns(
    bench: Bench, count: int, *, factor: float, group: learning.Group = SATIN_GROUP, units: int = 2
) -> None:
    """Loads long over, each of one turn that was estimated at 30 to 90 s and took `factor` times that."""

    def write(session: Session) -> None:
        for number in range(count):
            estimated, begun = 30.0 + 60 * number / count, MORNING - timedelta(hours=number)
            load = Load(
                station=group[0],
                plate=group[1],
                copy=f"old-{number}",
                state="closed",
                operator="Op",
                turns=1,
                lease_until=begun,
                calibration={},
                catalogue_version="v",
                burn_seconds=estimated,
                created_at=begun,
                started_at=begun,
                ended_at=begun,
            )
            session.add(load)
            session.flush()
            session.add(
                TurnFile(
                    load_id=load.id,
                    turn=1,
                    revision=1,
                    format="svg",
                    sha256="a" * 64,
                    short_code="AB",
                    name="file",
                    burn_seconds=estimated,
                    process=group[2],
                    created_at=begun,
                )
            )
            for slot in range(units):
                session.add(
                    BurnStart(
                        load_id=load.id,
                        turn=1,
                        slot=f"S{slot}",
                        face="mark_side",
                        attempt=1,
                        file_sha256="a" * 64,
                        started_at=begun,
                        operator="Op",
                        outcome="complete",
                        finished_at=begun + timedelta(seconds=factor * estimated),
                    )
                )

    bench.database.write(write)


def learned(bench: Bench) -> learning.Paces:
    learning.learn_paces(bench.tools)
    with bench.database.reading() as session:
        return learning.paces(session)


def paces_of(bench: Bench) -> list[LearnedPace]:
    with bench.database.reading() as session:
        return rows.learned(session)


def test_a_fresh_shop_starts_from_the_catalogues_figures(bench: Bench) -> None:
    paces = learned(bench)

    seen = bench.ask("GET", "/v1/estimates").json()
    assert paces.of(*SATIN_GROUP) == Pace() and paces.spread == SPREAD
    assert seen == {"learned_at": None, "turns": 0, "spread": SPREAD, "estimates": []}


def test_a_turn_on_the_bench_is_a_record_of_its_file_and_its_time(bench: Bench) -> None:
    bench.order(quantity=3)
    load = bench.burning()
    bench.clock.advance(seconds=40)
    bench.do(load, "finish", {"turn": 1})

    learned(bench)

    (file,) = {one.burn_seconds for one in bench.rows(TurnFile)}
    station, group = bench.ask("GET", "/v1/estimates").json()["estimates"]
    assert (station["station"], station["plate"], station["process"], station["turns"]) == (
        "s1",
        None,
        None,
        1,
    )
    assert (group["plate"], group["process"]) == SATIN_GROUP[1:]
    assert [one["measured_s"] for one in group["recent"]] == [40.0]
    assert file is not None and group["recent"][0]["estimated_s"] == round(file, 1)


def test_an_interrupted_burn_teaches_nothing(bench: Bench) -> None:
    bench.order(quantity=2)
    load = bench.burning()
    bench.clock.advance(hours=2)
    bench.ask("POST", "/v1/loads/next", {"station": "s1", "operator": "Operator Two"})
    load = bench.see(load)
    jobs = {job: {"mark_side": "complete"} for job in jobs_of(load)}
    assert bench.do(load, "resolve", {"jobs": jobs})["state"] == "burned"

    assert learning.learn_paces(bench.tools) == 0


def test_a_turn_burned_again_is_held_against_the_file_with_those_units_alone(bench: Bench) -> None:
    first, *_ = bench.order(quantity=3)
    load = bench.burning()
    bench.clock.advance(seconds=30)
    load = bench.do(load, "finish", {"turn": 1})
    load = bench.do(load, "again", {"turn": 1, "jobs": [first], "reason": "faint"})
    load = bench.started(load)
    bench.clock.advance(seconds=11)
    bench.do(load, "finish", {"turn": 1})

    learned(bench)

    _, group = bench.ask("GET", "/v1/estimates").json()["estimates"]
    newest, oldest = group["recent"]
    assert (newest["measured_s"], oldest["measured_s"]) == (11.0, 30.0)
    assert newest["estimated_s"] < 0.5 * oldest["estimated_s"]


def test_what_was_learned_is_in_the_load_the_plan_and_the_lots(bench: Bench) -> None:
    bench.database.write(lambda session: _lot_seconds(session, bench))
    put_turns(bench, 400, factor=2.0)
    bench.order(quantity=2)
    before = bench.planned()

    learned(bench)
    bench.clock.advance(minutes=2)

    after = bench.planned()
    assert before.backlog.lots[0].seconds == 12.0
    assert after.backlog.lots[0].seconds == pytest.approx(24.0, rel=0.02)
    assert after.backlog.jobs[0].seconds == pytest.approx(2 * before.backlog.jobs[0].seconds, rel=0.02)
    load = bench.claimed()
    files = [one.burn_seconds or 0.0 for one in bench.rows(TurnFile, TurnFile.load_id == 401)]
    loading = bench.shop.stations["s1"].load_seconds_per_slot * len(load["turns"][0]["slots"])
    assert load["burn_seconds"] == pytest.approx(loading + 2 * files[0], rel=0.02)


def _lot_seconds(session: Session, bench: Bench) -> None:
    lot = put_lot(session, bench.shop, now=bench.clock(), quantity=4)
    session.execute(update(Lot).where(Lot.id == lot.id).values(burn_seconds=12.0))


def test_a_group_without_records_goes_at_its_stations_pace_and_another_station_at_the_catalogues(
    bench: Bench,
) -> None:
    put_turns(bench, 100, factor=1.5)

    paces = learned(bench)

    assert paces.of("s1", "other", "other").factor == pytest.approx(1.5, rel=0.03)
    assert paces.of("s2", "turning", "satin-s1") == Pace()
    assert paces.spread < 0.05


def test_a_group_of_few_records_is_drawn_to_its_station(bench: Bench) -> None:
    put_turns(bench, 60, factor=1.5)
    put_turns(bench, 2, factor=3.0, group=("s1", "flat", "satin-s1"))

    factor = learned(bench).of("s1", "flat", "satin-s1").factor

    assert 1.5 < factor < 2.2


def test_only_the_newest_turns_of_a_group_are_looked_at(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(learning, "TURNS", 10)
    turns = [_turn(MORNING - timedelta(days=n), took=60.0 if n < 10 else 600.0) for n in range(50)]

    shop, _, group = learning.learned_rows(turns, now=MORNING)

    assert (shop.records, group.records, group.error_catalogue_s) == (10, 10, 30.0)
    assert group.factor == pytest.approx(2.0, rel=0.25)


def _turn(begun: datetime, *, took: float) -> BurnedTurn:
    return BurnedTurn("s1", "P", "satin", 30.0, 2, begun, begun + timedelta(seconds=took))


def test_learning_again_replaces_what_was_known(bench: Bench) -> None:
    put_turns(bench, 20, factor=1.5)
    learned(bench)
    first = len(paces_of(bench))

    bench.clock.advance(minutes=10)
    learned(bench)

    again = paces_of(bench)
    assert len(again) == first == 3
    assert {row.learned_at for row in again} == {bench.clock()}


def test_stores_do_not_see_the_shops_pace(bench: Bench) -> None:
    assert bench.ask("GET", "/v1/estimates", role="store").status_code == 403


def test_a_check_answers_at_the_learned_pace(
    sqlite_database: Database, clock: SetClock, tmp_path: Path
) -> None:
    with an_open_counter(sqlite_database, clock, tmp_path) as counter:
        body = {"sku": "AQ-HORI-18", "inscriptions": [an_inscription()]}
        before = counter.ask("desk", "POST", "/v1/checks", body).json()["burn_seconds"]
        sqlite_database.write(
            lambda session: rows.replace_all(session, [_pace(name, 2.0) for name in ("north", "south")])
        )
        after = counter.ask("desk", "POST", "/v1/checks", body).json()["burn_seconds"]

    assert after == pytest.approx(2 * before, abs=0.1)


def _pace(station: str, factor: float) -> LearnedPace:
    return LearnedPace(
        station=station,
        plate="",
        process="",
        records=100,
        factor=factor,
        handling_s=0.0,
        spread=0.1,
        error_catalogue_s=0.0,
        error_learned_s=0.0,
        recent=[],
        learned_at=MORNING,
    )
