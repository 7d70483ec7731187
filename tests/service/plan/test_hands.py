"""A shop that says who works when and how long handling takes: plan, promise and board count it."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import select

from layout.shop.people import Handling, Pickups, Shift
from layout.shop.shop import Policy, Shop
from service.plan import outlook, planning, promises
from service.plan.backlog import backlog_of, floor_of
from service.records.db import Database
from service.records.tables import Event, Promise
from tests.benches import Bench, a_bench_shop
from tests.clocks import MORNING, SetClock

HOUR_S, DAY_S = 3600.0, 86_400.0
WEEKDAYS = tuple((day * DAY_S + 8 * HOUR_S, day * DAY_S + 16 * HOUR_S) for day in range(5))
#: Pulling 40 s, looking 20 s, all the rest together 240 s.
HANDLING = Handling(pull=40.0, look=20.0, inspect=60.0, wipe=30.0, bag=50.0, box=100.0)
PICKUPS = Pickups(tuple(day * DAY_S + 16 * HOUR_S for day in range(5)), packing_s=600.0)


def a_shop(**policy: Any) -> Shop:
    """One person from Monday to Friday, 8 to 16; the carrier comes at 16:00."""
    said = {"shifts": (Shift(1, WEEKDAYS),), "handling": HANDLING, "pickups": PICKUPS}
    return replace(a_bench_shop(), policy=Policy(**{**said, **policy}))


@pytest.fixture
def bench(database: Database, clock: SetClock, tmp_path: Path) -> Bench:
    return Bench(database, clock, tmp_path, a_shop())


def test_a_load_is_ready_when_its_units_are_boxed(bench: Bench) -> None:
    """Two units: 20 s seating and 40 s pulling each, burned in 60 s; 20 s looking, 240 s to the box each."""
    bench.order(quantity=2)
    bench.planned()

    (load,) = bench.ask("GET", "/v1/plan").json()["loads"]

    assert load["prepared_from"] == "2026-11-24T08:00:00+00:00"
    assert load["begins"] == "2026-11-24T08:02:00+00:00"
    assert load["ends"] == "2026-11-24T08:03:00+00:00"
    assert load["ready"] == "2026-11-24T08:11:40+00:00"


@pytest.mark.parametrize(("units", "ready_day"), [(1, 24), (6, 25)])
def test_what_is_boxed_after_the_cut_off_is_promised_for_the_next_day(
    bench: Bench, units: int, ready_day: int
) -> None:
    """At 15:40 a unit is engraved in minutes and boxed at 15:46: it leaves at 16:00. A plate full of six is
    boxed at 16:15, after the cut-off, and people go home at 16:00."""
    bench.clock.at = MORNING.replace(hour=15, minute=40)
    bench.order(quantity=units)
    promises.keep_promises(bench.tools)

    with bench.database.reading() as session:
        (promise,) = session.scalars(select(Promise)).all()

    assert promise.engraved_by == datetime(2026, 11, 25, tzinfo=UTC)
    assert promise.ready_by == datetime(2026, 11, ready_day + 1, tzinfo=UTC)


def test_a_unit_must_be_boxed_before_the_cut_off_that_its_ship_by_time_allows(bench: Bench) -> None:
    """Due on Saturday at 8: it leaves on Friday at 16:00 and must be boxed ten minutes before."""
    bench.order(due_days=4)

    with bench.database.reading() as session:
        backlog, clock = backlog_of(session, bench.shop, now=bench.clock())

    assert clock.moment(backlog.jobs[0].due) == datetime(2026, 11, 27, 15, 50, tzinfo=UTC)
    assert clock.moment(backlog.jobs[0].shipped_by) == datetime(2026, 11, 28, 8, tzinfo=UTC)


def test_a_unit_that_was_promised_is_wanted_before_the_cut_off_of_that_day(bench: Bench) -> None:
    bench.order(due_days=4)
    promises.keep_promises(bench.tools)

    found = planning.renewed(bench.tools)

    assert found.moment(found.backlog.jobs[0].wanted_by) == datetime(2026, 11, 24, 15, 50, tzinfo=UTC)


def test_a_store_is_told_by_when_its_order_is_ready(bench: Bench) -> None:
    bench.order()
    promises.keep_promises(bench.tools)
    bench.clock.advance(days=2)
    promises.keep_promises(bench.tools)

    (told,) = bench.rows(Event, Event.type == "promise.changed")

    assert told.data["ready_by"] == "2026-11-27T00:00:00+00:00"
    assert told.data["engraved_by"] <= told.data["ready_by"]


def test_people_are_shared_by_the_stations_and_stay_away_on_their_days_off(
    database: Database, clock: SetClock, tmp_path: Path
) -> None:
    shifts = (Shift(2, WEEKDAYS), Shift(1, WEEKDAYS, days_off=("2026-11-25",)))
    shop = replace(a_bench_shop(stations=2), policy=Policy(shifts=shifts, days_off=("2026-11-26",)))
    bench = Bench(database, clock, tmp_path, shop)

    with bench.database.reading() as session:
        floor, _ = floor_of(session, shop, now=MORNING)

    hands = floor.stations[0].hands
    assert hands is not None
    spans = hands.spans(0.0, 5 * DAY_S)
    assert [(int(begin // DAY_S), people) for begin, _, people in spans] == [
        (0, 1.5),
        (1, 1.5),
        (2, 1.0),
        (4, 1.5),
    ]
    assert floor.stations[0].hours.week == WEEKDAYS


def test_this_morning_the_plate_and_process_of_the_last_load_are_mounted(bench: Bench) -> None:
    bench.order(quantity=2)
    bench.planned()
    load = bench.passed(bench.burned())
    bench.do(load, "release")

    with bench.database.reading() as session:
        floor, _ = floor_of(session, bench.shop, now=bench.clock())

    assert (floor.stations[0].plate_on, floor.stations[0].process_on) == ("turning", "satin-s1")


def test_a_burning_loads_plate_is_free_when_it_was_emptied(bench: Bench) -> None:
    """Burned in a minute or so, looked at for 40 s; the load prepared behind it changes nothing of that."""
    bench.order(quantity=2)
    bench.order(sku="CHEF", quantity=2, due_days=20)
    burning = bench.burning()

    with bench.database.reading() as session:
        floor, _ = floor_of(session, bench.shop, now=bench.clock())

    station, copies = floor.stations[0], floor.plates[0].copies
    assert station.free_at > floor.now
    assert copies[burning["copy"]] == pytest.approx(station.free_at + 2 * len(burning["jobs"]) * 10.0)
    assert station.finishing_s == len(burning["jobs"]) * (20.0 + 240.0)


def test_the_days_ahead_count_hands_and_say_what_is_scarcer(bench: Bench) -> None:
    """Six units: 3 min of burning, 6 x (60 + 260) s = 32 min of hands; at 15:30 half an hour is left."""
    bench.clock.at = MORNING.replace(hour=15, minute=30)
    bench.order(quantity=6, due_days=0.2)
    found = bench.planned()

    with bench.database.reading() as session:
        today = outlook.outlook(session, found, now=bench.clock())[0]

    assert today.due_hours == pytest.approx(6 * 30 / 3600)
    assert today.until_hours == pytest.approx(0.5)
    assert today.hands_due_hours == pytest.approx(6 * 320 / 3600)
    assert today.hands_until_hours == pytest.approx(0.5)
    assert not today.fits
    assert today.scarcer == "hands"
