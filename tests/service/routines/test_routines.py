"""Routine checks: when they are due, what they stop, and what a second tap does."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from layout.shop.hours import DAY_S, Hours, day_starts, joined, working_day
from layout.shop.shop import Policy
from layout.shop.upkeep import Routine
from service.records.db import Database
from service.records.tables import RoutineEntry, StationMeter
from tests.benches import Bench, a_bench_shop, kept_up
from tests.clocks import SetClock

DAILY = Routine(
    "window", "Look at the window", "Laser off, key out.", "day", stops=True, if_not_ok="Clean it."
)
WEEKLY = Routine("interlock", "Try the interlock", "", "week")
BY_HOURS = Routine("lens", "Clean the lens", "", "hours", hours=0.5, stops=True)
FIRST = Routine("first-piece", "First piece on scrap", "", "process", unused_days=14, stops=True)
NewBench = Callable[..., Bench]


@pytest.fixture
def new_bench(database: Database, clock: SetClock, tmp_path: Path) -> NewBench:
    """A bench with these checks, in a shop in Berlin with these hours a day from Monday to Friday."""

    def make(*routines: Routine, hours: tuple[tuple[float, float], ...] = ()) -> Bench:
        shop = kept_up(replace(a_bench_shop(), policy=Policy(time_zone="Europe/Berlin")), *routines)
        spans = sorted((d * DAY_S + a * 3600, d * DAY_S + b * 3600) for d in range(5) for a, b in hours)
        week = tuple(joined(spans))
        stations = {name: replace(one, hours=week) for name, one in shop.stations.items()}
        return Bench(database, clock, tmp_path, replace(shop, stations=stations))

    return make


def routine(bench: Bench, number: int = 0) -> dict[str, Any]:
    found: dict[str, Any] = bench.ask("GET", "/v1/routines").json()["routines"][number]
    return found


def done(bench: Bench, name: str, result: str = "ok", **more: Any) -> dict[str, Any]:
    answer = bench.ask("POST", f"/v1/stations/s1/routines/{name}", {"result": result, **more})
    assert answer.status_code == 200, answer.text
    entry: dict[str, Any] = answer.json()
    return entry


def burned_s(bench: Bench) -> float:
    with bench.database.reading() as session:
        return session.get_one(StationMeter, "s1").burned_s


def at(clock: SetClock, day: date, hour: int, minute: int = 0, zone: str = "Europe/Berlin") -> None:
    clock.at = datetime.combine(day, time(hour, minute), ZoneInfo(zone)).astimezone(UTC)


def test_a_daily_check_that_stops_the_station_is_done_before_a_load_is_given_out(
    new_bench: NewBench, clock: SetClock
) -> None:
    bench = new_bench(DAILY)
    bench.order()
    refused = bench.next()
    entry = done(bench, "window")
    load = bench.claimed()
    clock.advance(minutes=5)
    log = bench.ask("GET", "/v1/routines/log").json()["entries"]

    assert (refused.status_code, refused.json()["code"]) == (409, "routine_due")
    assert (refused.json()["station"], refused.json()["routines"]) == ("s1", ["window"])
    assert (entry["number"], entry["result"], entry["by"]) == (1, "ok", "bench-1")
    assert load["state"] == "claimed"
    assert log == [entry]
    assert routine(bench)["is_due"] is False


def test_one_that_stops_nothing_is_due_and_work_goes_on(new_bench: NewBench) -> None:
    bench = new_bench(replace(DAILY, stops=False))
    bench.order()

    bench.do(bench.passed(bench.burned()), "release")

    assert routine(bench)["is_due"] is True
    assert "Look at the window" in bench_page(bench)


def bench_page(bench: Bench) -> str:
    bench.client.cookies.clear()
    bench.client.post("/sign-in", data={"key": bench.keys["bench"], "name": "Ada"}, follow_redirects=False)
    return bench.client.get("/bench").text


def test_not_ok_stops_until_it_is_ok(new_bench: NewBench) -> None:
    bench = new_bench(DAILY)
    bench.order()
    done(bench, "window")
    done(bench, "window", "not_ok", note="a crack")
    wrong, refused = routine(bench), bench.next()
    done(bench, "window", note="new window")

    assert (wrong["is_due"], wrong["last"]["result"], wrong["last"]["note"]) == (True, "not_ok", "a crack")
    assert wrong["if_not_ok"] == "Clean it."
    assert refused.json()["code"] == "routine_due"
    assert bench.next().status_code == 201


def test_a_day_begins_at_midnight_on_the_shop_s_clock(new_bench: NewBench, clock: SetClock) -> None:
    """In Berlin, in winter an hour before it does in UTC."""
    bench = new_bench(DAILY, hours=((8.0, 16.0),))
    at(clock, date(2026, 11, 24), 15)
    done(bench, "window")
    seen = []
    for day, hour, minute in ((24, 23, 59), (25, 0, 0)):
        at(clock, date(2026, 11, day), hour, minute)
        seen.append(routine(bench)["is_due"])

    assert seen == [False, True]


def test_a_shift_through_midnight_is_one_day(new_bench: NewBench, clock: SetClock) -> None:
    """From 20 to 4 o'clock: what was done at 21 holds until the shift is over."""
    bench = new_bench(DAILY, hours=((20.0, 24.0), (0.0, 4.0)))
    at(clock, date(2026, 11, 24), 21)
    done(bench, "window")
    seen = {}
    for day, hour in ((24, 23), (25, 1), (25, 3), (25, 5), (25, 20)):
        at(clock, date(2026, 11, day), hour)
        seen[day, hour] = routine(bench)["is_due"]

    assert seen == {(24, 23): False, (25, 1): False, (25, 3): False, (25, 5): True, (25, 20): True}


def test_a_week_begins_on_monday_also_when_clocks_are_changed(new_bench: NewBench, clock: SetClock) -> None:
    """Berlin goes back to winter time on Sunday, 2026-10-25 (tz database)."""
    bench = new_bench(WEEKLY, hours=((8.0, 16.0),))
    at(clock, date(2026, 10, 19), 7)
    done(bench, "interlock")
    seen = []
    for day, hour, minute in ((23, 15, 0), (25, 23, 59), (26, 0, 0)):
        at(clock, date(2026, 10, day), hour, minute)
        seen.append(routine(bench)["is_due"])

    assert seen == [False, False, True]


def test_an_entry_from_the_future_does_not_count(new_bench: NewBench, clock: SetClock) -> None:
    """The clock stood years ahead when it was written, and was set back."""
    bench = new_bench(DAILY)
    today = clock()
    clock.advance(days=1_000)
    done(bench, "window")
    clock.at = today

    assert routine(bench)["is_due"] is True
    done(bench, "window")
    assert routine(bench)["is_due"] is False


def test_hours_are_counted_by_what_burned(new_bench: NewBench, clock: SetClock) -> None:
    """20 minutes, then 15: 35 are over half an hour."""
    bench = new_bench(BY_HOURS)
    bench.order(quantity=3)
    loads = []
    for minutes in (20, 15):
        load = bench.burning()
        clock.advance(minutes=minutes)
        loads.append(routine(bench)["is_due"])
        bench.do(bench.passed(bench.do(load, "finish", {"turn": 1})), "release")
        bench.order()
    due, refused = routine(bench), bench.next()
    entry = done(bench, "lens")
    after = routine(bench)

    assert loads == [False, False]
    assert (due["is_due"], due["burned_hours"], due["hours"]) == (True, 0.6, 0.5)
    assert refused.json()["code"] == "routine_due"
    assert entry["burned_hours"] == 0.6
    assert (after["is_due"], after["burned_hours"]) == (False, 0.0)
    assert burned_s(bench) == 35 * 60


def test_an_interrupted_burn_counts_as_long_as_it_would_have_burned(
    new_bench: NewBench, clock: SetClock
) -> None:
    bench = new_bench(BY_HOURS)
    bench.order()
    load = bench.burning()
    clock.advance(days=2)
    bench.do(load, "resolve", {"jobs": {load["jobs"][0]["job"]: {"mark_side": "complete"}}})

    assert burned_s(bench) == pytest.approx(load["burn_seconds"], abs=0.1)


def test_the_first_piece_of_a_process_that_was_not_used_for_a_while(
    new_bench: NewBench, clock: SetClock
) -> None:
    bench = new_bench(FIRST)
    bench.order()
    load = bench.seated(bench.pulled(bench.claimed()))
    start = {"turn": 1, "file_sha256": load["turns"][0]["file_sha256"]}
    refused = bench.post(load, "start", start)
    nothing_named = bench.ask("POST", "/v1/stations/s1/routines/first-piece", {"result": "ok"})
    done(bench, "first-piece", process="satin-s1")
    burned = bench.do(bench.do(load, "start", start), "finish", {"turn": 1})
    bench.do(bench.passed(burned), "release")
    seen = []
    for days in (13, 2):  # since its last burn
        clock.advance(days=days)
        seen.append(routine(bench)["is_due"])

    assert (refused.status_code, refused.json()["code"]) == (409, "routine_due")
    assert refused.json()["routines"] == ["first-piece"]
    assert (nothing_named.status_code, nothing_named.json()["field"]) == (422, "process")
    assert seen == [False, True]
    assert bench.next().status_code == 204  # nothing is refused while nobody knows what will be burned


def test_a_second_tap_and_a_second_person_write_nothing(new_bench: NewBench) -> None:
    bench = new_bench(DAILY)
    first = done(bench, "window", seen=0)
    second = done(bench, "window", "not_ok", seen=0)  # from a page that had not seen it
    again = done(bench, "window", seen=1)

    assert second == first
    assert again["number"] == 2
    assert [entry.number for entry in bench.rows(RoutineEntry)] == [1, 2]


def test_who_may_and_what_is_not_there(new_bench: NewBench) -> None:
    bench = new_bench(DAILY)
    body = {"result": "ok"}

    by = {
        role: bench.ask("POST", "/v1/stations/s1/routines/window", body, role=role).status_code
        for role in ("store", "desk", "bench", "owner")
    }
    wrong = [
        bench.ask("POST", f"/v1/stations/{where}", body).status_code
        for where in ("s1/routines/none", "s9/routines/window")
    ]
    of_process = bench.ask("POST", "/v1/stations/s1/routines/window", {**body, "process": "satin-s1"})

    assert by == {"store": 403, "desk": 403, "bench": 200, "owner": 200}
    assert wrong == [404, 404]
    assert of_process.status_code == 422
    assert bench.ask("GET", "/v1/routines", role="store").status_code == 403
    assert bench.ask("GET", "/v1/routines?station=s9").status_code == 404


def test_the_log_page_by_page(new_bench: NewBench) -> None:
    bench = new_bench(DAILY)
    for _ in range(5):
        done(bench, "window")
    numbers, path = [], "/v1/routines/log?limit=2&station=s1"
    while path:
        answer = bench.ask("GET", path)
        numbers += [entry["number"] for entry in answer.json()["entries"]]
        path = answer.headers.get("Link", "").partition(">")[0].removeprefix("<")

    assert numbers == [5, 4, 3, 2, 1]


@given(st.integers(0, 23), st.integers(1, 16), st.integers(0, 6), st.integers(0, 21 * 24 * 4 - 1))
def test_days_follow_one_another_without_gap(begin: int, length: int, first: int, quarter: int) -> None:
    """Whatever the shift, a moment lies between the start of its working day and that of the next."""
    end = begin + length
    spans = {first: [(begin * 3600.0, min(end, 24) * 3600.0)]}
    if end > 24:
        spans[(first + 1) % 7] = [(0.0, (end - 24) * 3600.0)]
    hours = Hours.of_week(spans)  # type: ignore[arg-type]
    moment = quarter * 900.0 + 7 * DAY_S

    day = working_day(hours, moment)

    assert day_starts(hours, day) <= moment < day_starts(hours, day + 1)
    assert timedelta(seconds=moment - day * DAY_S) < timedelta(days=2)
