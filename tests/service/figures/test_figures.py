"""Figures of some days, by a day worked out by hand and by a second look at the rows that shares no code."""

from __future__ import annotations

import csv
import io
import random
import statistics
from datetime import UTC, date, datetime, timedelta
from itertools import pairwise
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from sqlalchemy import select

from service.figures.figure_rows import ClosedLoad
from service.figures.steps import seconds_per_unit
from service.records.db import Database
from service.records.tables import History, Job, Load, Order, Promise
from tests.benches import Bench
from tests.clocks import MORNING, SetClock


@pytest.fixture
def bench(database: Database, clock: SetClock, tmp_path: Path) -> Bench:
    return Bench(database, clock, tmp_path)


def asked(bench: Bench, since: date, until: date, by: str = "day") -> dict[str, Any]:
    answer = bench.ask("GET", f"/v1/figures?from={since}&to={until}&by={by}")
    assert answer.status_code == 200, answer.text
    said: dict[str, Any] = answer.json()
    return said


def a_load(bench: Bench, clock: SetClock, *seconds: float) -> None:
    """One load: seconds to pull, to seat, to start, to burn, to inspect, to box."""
    pull, seat, start, burn, inspect, box = seconds
    load = bench.claimed()
    clock.advance(seconds=pull)
    load = bench.pulled(load)
    clock.advance(seconds=seat)
    load = bench.seated(load)
    clock.advance(seconds=start)
    load = bench.started(load)
    clock.advance(seconds=burn)
    load = bench.do(load, "finish", {"turn": 1})
    clock.advance(seconds=inspect)
    load = bench.passed(load)
    clock.advance(seconds=box)
    bench.do(load, "release")


def test_a_day_worked_out_by_hand(bench: Bench, clock: SetClock) -> None:
    """Two orders at 8:00 UTC on Tuesday: of 2 units, shipped by 14 days later, and of 1 unit that was to be
    shipped by 8:10. Both are released in one load at 8:00 + 30 + 60 + 30 + 120 + 30 + 60 s = 8:05:30, after
    0.0917 h; another unit, ordered then, at 10:05:30 in 2 h, promised for 9:00 and to be shipped at 9:05:30.
    Per unit: pull 30 / 3, seat (60 + 30) / 3, burn 120 / 3, inspect 30 / 3, box 60 / 3; then 300, 600, 900,
    1200, 1500 and 2700 s of the one unit; of two loads the median is the mean."""
    bench.order(quantity=2)
    bench.order(due_days=10 / 1440)
    a_load(bench, clock, 30, 60, 30, 120, 30, 60)
    bench.order(due_days=1 / 24)
    ready_by = datetime(2026, 11, 24, 9, tzinfo=UTC)
    bench.database.write(
        lambda s: s.add(
            Promise(order_id=3, engraved_by=ready_by, ready_by=ready_by, confidence=0.9, made_at=clock())
        )
    )
    a_load(bench, clock, 300, 600, 900, 1200, 1500, 2700)

    day = MORNING.date()
    answer = asked(bench, day, day)

    (tuesday,) = answer["periods"]
    assert tuesday == answer["whole"]
    assert (tuesday["begins"], tuesday["released"], tuesday["scrapped"]) == ("2026-11-24", 4, 0)
    assert (tuesday["hours_median"], tuesday["hours_90"]) == (0.09, 2.0)
    assert (tuesday["in_time"], tuesday["promised"], tuesday["kept"]) == (3, 1, 0)
    assert tuesday["seconds"] == {
        "loads": 2,
        "pull": (10 + 300) / 2,
        "seat": (30 + 1500) / 2,
        "burn": (40 + 1200) / 2,
        "inspect": (10 + 1500) / 2,
        "box": (20 + 2700) / 2,
    }


def test_scrap_at_the_bench_and_what_tells_nothing_of_steps(bench: Bench, clock: SetClock) -> None:
    bench.order(quantity=2)
    load = bench.burned()
    first, second = (one["job"] for one in load["jobs"])
    load = bench.do(load, "inspect", {"jobs": {first: {"result": "scrap", "reason": "slipped"}}})
    load = bench.do(load, "again", {"turn": 1, "jobs": [second], "reason": "faint"})
    load = bench.do(bench.started(bench.seated(load)), "finish", {"turn": 1})
    bench.do(bench.passed({**load, "jobs": [{"job": second}]}), "release")

    whole = asked(bench, MORNING.date(), MORNING.date())["whole"]

    assert (whole["released"], whole["scrapped"], whole["seconds"]["loads"]) == (1, 1, 0)


def test_a_load_during_which_the_clock_was_set_back_tells_nothing() -> None:
    at = [MORNING + timedelta(seconds=s) for s in (0, 10, 5, 20, 30, 40)]
    states = ("claimed", "pulled", "seated", "burning", "burned", "closed")

    assert seconds_per_unit(ClosedLoad(at[-1], tuple(zip(states, at, strict=True)), (), 1)) is None
    in_order = tuple(zip(states, sorted(at), strict=True))
    assert seconds_per_unit(ClosedLoad(at[-1], in_order, (), 2)) == {
        "pull": 2.5,
        "seat": 7.5,
        "burn": 5.0,
        "inspect": 5.0,
        "box": 0.0,
    }


def test_a_second_look_at_the_rows_says_the_same(bench: Bench, clock: SetClock) -> None:
    """Some weeks, drawn anew; counted again from all rows, without the tables' indexes or our code."""
    seed = random.randrange(10**6)
    print(f"seed {seed}")
    draw = random.Random(seed)
    for _ in range(12):
        bench.order(quantity=draw.randint(1, 3), due_days=draw.choice((0.1, 2)))
        clock.advance(hours=draw.uniform(0, 40))
        a_load(bench, clock, *(draw.uniform(5, 600) for _ in range(6)))
    shop = bench.tools.catalogue.current
    zone = ZoneInfo(shop.policy.time_zone)
    since, until = MORNING.date(), min(clock().date(), MORNING.date() + timedelta(days=20))

    for by in ("day", "week"):
        answer = asked(bench, since, until, by)
        expected = _second_look(bench, zone, since, until, by)
        found = {
            one["begins"]: (one["released"], one.get("hours_median"), one["in_time"], one["seconds"])
            for one in answer["periods"]
            if one["released"]
        }
        assert found.keys() == expected.keys()
        for begins, (count, hours, in_time, seconds) in expected.items():
            assert found[begins][0] == count and found[begins][2] == in_time
            assert found[begins][1] == pytest.approx(hours, abs=0.0051)
            assert found[begins][3] == pytest.approx(seconds, abs=0.051)


def _second_look(bench: Bench, zone: ZoneInfo, since: date, until: date, by: str) -> dict[str, Any]:
    with bench.database.reading() as session:
        history = session.execute(select(History.__table__).order_by(History.id)).all()
        jobs = {job.id: job for job in session.execute(select(Job.__table__)).all()}
        orders = {order.id: order for order in session.execute(select(Order.__table__)).all()}
        loads = session.execute(select(Load.__table__)).all()

    def begins(at: datetime) -> str:
        day = at.astimezone(zone).date()
        monday = day - timedelta(days=day.weekday())
        return (day if by == "day" else max(monday, since)).isoformat()

    def counts(at: datetime) -> bool:
        return since <= at.astimezone(zone).date() <= until

    units: dict[str, list[Any]] = {}
    for row in history:
        if (row.subject, row.move_to) == ("job", "released") and counts(row.at):
            units.setdefault(begins(row.at), []).append((row.at, orders[jobs[row.subject_id].order_id]))
    steps: dict[str, list[dict[str, float]]] = {}
    for load in loads:
        if load.state != "closed" or not counts(load.ended_at):
            continue
        at = {row.move_to: row.at for row in history if (row.subject, row.subject_id) == ("load", load.id)}
        mine = [row for row in history if row.subject == "job" and row.why == f"L{load.id}"]
        here = {row.subject_id for row in mine if row.move_to == "released"}
        seen = max(
            row.at
            for row in history
            if row.subject_id in here and (row.subject, row.move_to) == ("job", "passed")
        )
        marks = [at["claimed"], at["pulled"], at["burning"], at["burned"], seen, load.ended_at]
        each = [(b - a).total_seconds() / len(here) for a, b in pairwise(marks)]
        named = dict(zip(("pull", "seat", "burn", "inspect", "box"), each, strict=True))
        steps.setdefault(begins(load.ended_at), []).append(named)
    return {
        begin: (
            len(some),
            statistics.median((at - order.created_at).total_seconds() / 3600 for at, order in some),
            sum(at <= order.ship_by for at, order in some),
            {"loads": len(steps[begin])}
            | {name: statistics.median(one[name] for one in steps[begin]) for name in steps[begin][0]},
        )
        for begin, some in units.items()
    }


def test_as_a_table(bench: Bench, clock: SetClock) -> None:
    bench.order(quantity=2)
    a_load(bench, clock, 10, 20, 0, 40, 6, 8)
    day = MORNING.date()

    file = bench.ask("GET", f"/v1/figures.csv?from={day - timedelta(days=1)}&to={day}", role="desk")

    first, second = csv.DictReader(io.StringIO(file.text))
    assert (first["begins"], first["released"], first["hours_median"]) == ("2026-11-23", "0", "")
    assert (second["begins"], second["released"], second["burn_s_per_unit"]) == ("2026-11-24", "2", "20.0")
    assert file.headers["Content-Disposition"] == 'attachment; filename="figures.csv"'


def test_days_that_are_none_or_too_many(bench: Bench) -> None:
    for query in (
        "from=2026-11-02&to=2026-11-01",
        "from=2026-01-01&to=2026-11-01",
        "from=0001-01-01&to=0001-01-02",
    ):
        assert bench.ask("GET", f"/v1/figures?{query}").status_code == 422
    assert bench.ask("GET", "/v1/figures?from=2026-11-01&to=2026-11-02", role="store").status_code == 403
