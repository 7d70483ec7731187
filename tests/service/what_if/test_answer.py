"""What if ...? over HTTP: what is read from the rows, what may be asked, what comes back."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import insert, update
from sqlalchemy.orm import Session

from service.plan import promises
from service.records.db import Database
from service.records.tables import Job, Order
from service.what_if import answer as what_if
from service.what_if.questions import WhatIfIn
from tests.benches import Bench, a_bench_shop, turning_plate
from tests.clocks import MORNING, SetClock

OFFICE = tuple((day * 86_400.0 + 8 * 3600, day * 86_400.0 + 16 * 3600) for day in range(5))


@pytest.fixture
def bench(database: Database, clock: SetClock, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Bench:
    """Two stations with office hours, one copy of the plate, ten orders of the last ten days that wait. Few
    runs are enough to look at."""
    monkeypatch.setattr(what_if, "MOST_RUNS", 6)
    shop = a_bench_shop(turning_plate(copies=1), stations=2)
    stations = {name: replace(one, hours=OFFICE) for name, one in shop.stations.items()}
    bench = Bench(database, clock, tmp_path, replace(shop, stations=stations))
    for number in range(10):
        bench.order(quantity=3, due_days=1 + number % 3)
    age = {order.id: MORNING - timedelta(days=11 - order.id) for order in bench.rows(Order)}
    for order_id, came in age.items():
        bench.database.write(
            lambda s, i=order_id, at=came: s.execute(update(Order).where(Order.id == i).values(created_at=at))
        )
    return bench


def asked(bench: Bench, **question: Any) -> dict[str, Any]:
    answer = bench.ask("POST", "/v1/what-if", question, role="desk")
    assert answer.status_code == 200, answer.text
    found: dict[str, Any] = answer.json()
    return found


def test_a_question_that_changes_nothing_is_answered_with_the_shop_as_it_is(bench: Bench) -> None:
    seen = asked(bench)

    assert seen["what_if"] == seen["baseline"]
    assert (seen["backlog_units"], seen["runs"]) == (30, 6)
    assert seen["assumptions"]["orders_seen"] == 10
    assert seen["assumptions"]["orders_per_day"] == pytest.approx(10 / 10, rel=0.01)


def test_the_same_question_gets_the_same_answer_and_another_seed_another(bench: Bench) -> None:
    first = asked(bench, orders_factor=5)

    assert asked(bench, orders_factor=5) == first
    assert asked(bench, orders_factor=5, seed=2)["what_if"] != first["what_if"]


def test_five_times_the_orders_bring_more_units_and_more_loads(bench: Bench) -> None:
    seen = asked(bench, orders_factor=5, orders_days=2)

    for measure in ("units", "loads"):
        assert seen["what_if"][measure]["median"] > seen["baseline"][measure]["median"]


def test_with_both_stations_late_a_day_what_waits_is_done_a_day_later_and_promises_break(
    bench: Bench,
) -> None:
    promises.keep_promises(bench.tools)
    until = (MORNING + timedelta(days=3)).isoformat()

    one = asked(bench, station_down={"station": "s1", "until": until})
    bench.tools.catalogue.put(  # type: ignore[attr-defined]
        replace(bench.shop, version="one", stations={"s1": bench.shop.stations["s1"]})
    )
    both = asked(bench, station_down={"station": "s1", "until": until})

    assert one["what_if"]["backlog_hours"]["p90"] < 24
    assert one["what_if"]["busy"]["s1"]["median"] < one["baseline"]["busy"]["s1"]["median"]
    assert both["what_if"]["backlog_hours"]["p10"] > 72 > both["baseline"]["backlog_hours"]["p90"]
    assert both["what_if"]["units_late"]["median"] > both["baseline"]["units_late"]["median"]
    assert (both["promises"], both["what_if"]["promises_broken"]["p10"]) == (10, 10)


def test_more_plates_and_longer_days_are_no_harm(bench: Bench) -> None:
    before, after = (
        asked(bench, **question)["what_if"]["backlog_hours"]["median"]
        for question in ({}, {"more_plates": {"plate": "turning", "count": 2}, "more_hours": {"hours": 2}})
    )

    assert after <= before


def test_scrap_and_the_spread_of_burns_are_taken_from_the_rows(bench: Bench) -> None:
    bench.database.write(lambda s: s.execute(update(Job).where(Job.id < 4).values(state="released")))
    bench.database.write(lambda s: s.execute(update(Job).where(Job.id == 4).values(state="scrapped")))

    assumed = asked(bench)["assumptions"]

    assert (assumed["scrap"], assumed["units_inspected"], assumed["spread"]) == (0.25, 4, 0.3)


def test_a_release_posted_in_one_minute_counts_as_orders_of_its_days(bench: Bench) -> None:
    """Ten orders came in the ten days before, 590 more within this very minute: 60 a day."""

    def post_release(session: Session) -> None:
        first = session.get_one(Order, 1)
        columns = [column.key for column in Order.__table__.columns if column.key != "id"]
        alike = {name: getattr(first, name) for name in columns}
        session.execute(
            insert(Order),
            [
                {**alike, "order_ref": f"release-{n}", "created_at": MORNING - timedelta(seconds=n % 60)}
                for n in range(590)
            ],
        )

    bench.database.write(post_release)

    with bench.database.reading() as session:
        now = what_if.shop_now(session, bench.shop, days=2, made_at=MORNING)

    assert now.orders_seen == 600
    assert now.scenario.orders_per_day == pytest.approx(60, rel=0.01)
    assert len(now.scenario.mix) <= what_if.MIX


def test_a_shop_without_a_past_is_simulated_with_what_waits_alone(
    database: Database, clock: SetClock, tmp_path: Path
) -> None:
    seen = asked(Bench(database, clock, tmp_path))

    assert seen["assumptions"]["orders_per_day"] == 0
    assert seen["what_if"]["units"] == {"p10": 0, "median": 0, "p90": 0}


@pytest.mark.parametrize(
    ("question", "field"),
    [
        ({"station_down": {"station": "s9", "until": "2026-11-24T12:00:00Z"}}, "station_down.station"),
        ({"station_down": {"station": "s1", "until": "2026-11-24T07:00:00Z"}}, "station_down.until"),
        ({"station_down": {"station": "s1", "until": "2029-11-24T07:00:00Z"}}, "station_down.until"),
        ({"more_plates": {"plate": "none", "count": 2}}, "more_plates.plate"),
        ({"more_hours": {"station": "s9", "hours": 2}}, "more_hours.station"),
    ],
)
def test_what_names_nothing_is_refused(bench: Bench, question: dict[str, Any], field: str) -> None:
    answer = bench.ask("POST", "/v1/what-if", question, role="owner")

    assert (answer.status_code, answer.json()["field"]) == (422, field)


def test_next_to_no_more_hours_are_refused(bench: Bench) -> None:
    answer = bench.ask("POST", "/v1/what-if", {"more_hours": {"hours": 5e-324}}, role="owner")

    assert (answer.status_code, answer.json()["code"]) == (422, "invalid_request")
    assert "more_hours.hours" in answer.text


def test_a_station_that_is_always_open_can_have_no_more_hours(
    database: Database, clock: SetClock, tmp_path: Path
) -> None:
    bench = Bench(database, clock, tmp_path)

    answer = bench.ask("POST", "/v1/what-if", {"more_hours": {"hours": 2}}, role="owner")

    assert (answer.status_code, answer.json()["code"]) == (422, "bad_request")


def test_the_larger_the_shop_the_fewer_the_runs_and_too_large_a_one_is_refused_aloud(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(what_if, "MOST_RUNS", 25)
    monkeypatch.setattr(what_if, "UNITS_PLAYED", 500)
    fewer = asked(bench)["runs"]
    monkeypatch.setattr(what_if, "UNITS_PLAYED", 100)

    refused = bench.ask("POST", "/v1/what-if", {}, role="owner")

    assert 5 <= fewer < 25
    assert (refused.status_code, refused.json()["code"]) == (422, "too_much_to_simulate")
    assert refused.json()["most"] == 20 < refused.json()["units"]


@pytest.mark.parametrize(("role", "status"), [("store", 403), ("desk", 200), ("bench", 200), ("owner", 200)])
def test_only_the_house_may_ask(bench: Bench, role: str, status: int) -> None:
    assert bench.ask("POST", "/v1/what-if", {}, role=role).status_code == status


def test_asking_changes_nothing(bench: Bench) -> None:
    before = [(job.id, job.state, job.version) for job in bench.rows(Job)]

    asked(bench, orders_factor=3)

    assert [(job.id, job.state, job.version) for job in bench.rows(Job)] == before
    assert bench.rows(Order)[-1].id == 10


def test_orders_of_today_end_at_the_shops_midnight(bench: Bench) -> None:
    with bench.database.reading() as session:
        now = what_if.shop_now(session, bench.shop, days=3, made_at=MORNING)

    scenario = what_if.changed(now, WhatIfIn(orders_factor=2, orders_days=2))

    assert now.clock.moment(scenario.factor_until).isoformat() == "2026-11-26T00:00:00+00:00"
