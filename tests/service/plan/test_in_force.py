"""Loads are taken from the plan in force, as far as it still holds; without one the queue says what goes."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from sqlalchemy import select, update

from layout.shop.findings import Finding, Severity
from service.plan import in_force as kept_plan
from service.plan import in_force_rows as rows
from service.plan import planning as plans
from service.plan import promises
from service.records.db import Database
from service.records.errors import PlanRefused
from service.records.ids import JOB, number
from service.records.tables import Job, KeptPlan, Lot, OrderLine
from service.records.who import SWEEP, By
from service.running import tasks
from service.stock import reservations as stock
from tests.benches import Bench, a_bench_shop, jobs_of, turning_plate
from tests.clocks import SetClock


@pytest.fixture
def bench(database: Database, clock: SetClock, tmp_path: Path) -> Bench:
    return Bench(database, clock, tmp_path)


#: What a plan that was made by hand says of itself.
NOTHING_SAID = {"score": {}, "bound": {}, "unplanned": {}, "rule": "by hand"}


def put_plan(bench: Bench, *loads: str, station: str = "s1") -> None:
    """A plan of the turning plate made by hand, one face a load: `J3S1 J1S2` seats J3 in S1 and J1 in S2."""
    now = bench.clock()
    slots = [
        {
            "number": number,
            "turn": 1,
            "slot": f"S{seat[-1]}",
            "face": "mark_side",
            "job_id": int(seat[1:].split("S")[0]) if seat[0] == "J" else None,
            "lot_id": int(seat[1:].split("S")[0]) if seat[0] == "L" else None,
        }
        for number, load in enumerate(loads, start=1)
        for seat in load.split()
    ]
    listed = [
        {
            "number": number,
            "station": station,
            "plate": "turning",
            "copy": "turning-1",
            "changes": 0,
            "prepares": now,
            "begins": now,
            "ends": now,
        }
        for number in range(1, len(loads) + 1)
    ]
    plan = KeptPlan(
        made_at=now,
        planned_at=now,
        compared_at=now,
        catalogue_version=bench.shop.version,
        mark="by hand",
        summary=NOTHING_SAID,
    )
    bench.database.write(lambda session: rows.put(session, plan, rows.Rows(listed, slots), now=now))


def ways_planned(bench: Bench) -> list[str]:
    """How each plan so far was made: from nothing, or by carrying one on."""
    calls: list[str] = bench.tools.geometry.calls  # type: ignore[attr-defined]
    return [call for call in calls if call in {"planned", "carried_on"}]


def seats_of(load: dict[str, Any]) -> str:
    return " ".join(
        f"{slot.get('job') or slot['lot'].replace('LOT', 'L')}{slot['slot']}"
        for slot in load["turns"][0]["slots"]
    )


# --- from the plan ---


def test_loads_are_taken_in_the_order_of_the_plan_and_as_it_fills_them(bench: Bench) -> None:
    bench.order(quantity=9, due_days=3)
    bench.order(sku="CHEF", quantity=4, due_days=2)
    bench.order(faces=("mark_side", "pile_side"), quantity=2, due_days=5)
    promises.keep_promises(bench.tools)
    planned = bench.ask("GET", "/v1/plan").json()["loads"]

    taken = []
    for _ in planned:
        load = bench.claimed()
        taken.append([[(s["slot"], s["face"], s["job"]) for s in turn["slots"]] for turn in load["turns"]])
        load = bench.pulled(load)
        for turn in range(1, len(load["turns"]) + 1):
            load = bench.do(bench.started(bench.seated(load, turn=turn), turn=turn), "finish", {"turn": turn})
        bench.do(bench.passed(load), "release")

    assert len(planned) > 2
    assert taken == [
        [[(f["slot"], f["face"], f["job"]) for f in turn] for turn in load["turns"]] for load in planned
    ]
    assert bench.next().status_code == 204


def test_a_load_is_the_plans_and_not_what_the_queue_would_give(bench: Bench) -> None:
    bench.order(quantity=9)
    put_plan(bench, "J9S3 J2S5", "J1S1 J3S2 J4S3 J5S4 J6S5 J7S6", "J8S1")

    assert seats_of(bench.claimed()) == "J9S3 J2S5"


def test_blades_of_a_lot_are_taken_as_planned(bench: Bench) -> None:
    bench.order(due_days=0)
    bench.lot(quantity=3)
    put_plan(bench, "J1S4 L1S1 L1S2")

    assert seats_of(bench.claimed()) == "L1S1 L1S2 J1S4"
    assert [(lot.waiting, lot.loaded) for lot in bench.rows(Lot)] == [(1, 2)]


@pytest.mark.parametrize("gone", ["cancelled", "short", "held", "taken elsewhere"])
def test_a_unit_that_is_gone_leaves_its_slot_empty(
    database: Database, clock: SetClock, tmp_path: Path, gone: str
) -> None:
    bench = Bench(database, clock, tmp_path, a_bench_shop(turning_plate(copies=3), stations=2))
    jobs = [bench.order()[0] for _ in range(3)]
    put_plan(bench, "J1S1 J2S2 J3S3")
    if gone == "cancelled":
        order = f"O{bench.job(jobs[1]).order_id}"
        etag = bench.ask("GET", f"/v1/orders/{order}", role="store").headers["ETag"]
        body = {"lines": [], "reason": "changed my mind"}
        assert (
            bench.ask("POST", f"/v1/orders/{order}/cancel", body, role="store", If_Match=etag).status_code
            == 200
        )
    elif gone == "short":
        counts = [stock.Count("A1", "PARER", 2), stock.Count("B1", "PARER", 0)]
        later = {"ship_by": clock() + timedelta(days=300)}
        database.write(lambda s: s.execute(update(Job).where(Job.id == 2).values(**later)))
        database.write(lambda s: stock.put_counts(s, counts, by=By(SWEEP, clock())))
    else:
        state = "held" if gone == "held" else "loaded"
        database.write(lambda s: s.execute(update(Job).where(Job.id == 2).values(state=state)))

    load = bench.claimed()

    assert bench.job(jobs[1]).state != "ready"
    assert seats_of(load) == "J1S1 J3S3"


def test_units_that_came_since_ride_along_and_urgent_ones_are_not_left_behind(bench: Bench) -> None:
    bench.order(quantity=7)
    put_plan(bench, "J1S1 J2S2 J3S3 J4S4 J5S5", "J6S1 J7S2")
    bench.order()
    first = bench.burned()
    bench.order(quantity=6, priority=5)

    assert seats_of(first) == "J1S1 J2S2 J3S3 J4S4 J5S5 J8S6"
    assert {bench.job(job).priority for job in jobs_of(bench.claimed())} == {5}


def test_a_replacement_goes_first_whatever_the_plan_says(bench: Bench) -> None:
    bench.order(quantity=7)
    put_plan(bench, "J1S1", "J2S1 J3S2 J4S3 J5S4 J6S5 J7S6")
    load = bench.burned()
    bench.do(load, "inspect", {"jobs": {"J1": {"result": "scrap", "reason": "other"}}})

    assert "J8" in jobs_of(bench.claimed())


def test_two_stations_take_their_own_loads_of_one_plan(
    database: Database, clock: SetClock, tmp_path: Path
) -> None:
    bench = Bench(database, clock, tmp_path, a_bench_shop(turning_plate(copies=4), stations=2))
    bench.order(quantity=24)
    promises.keep_promises(bench.tools)
    planned = bench.ask("GET", "/v1/plan").json()["loads"]

    taken = {station: jobs_of(bench.claimed(station=station, operator=station)) for station in ("s1", "s2")}

    for station, jobs in taken.items():
        load = next(one for one in planned if one["station"] == station)
        assert sorted(jobs) == sorted(f["job"] for f in load["turns"][0])


# --- without one ---


def local(bench: Bench) -> bool:
    """Whether the next load is what the queue gives: the first six units in slots S1 to S6."""
    return seats_of(bench.claimed()) == "J1S1 J2S2 J3S3 J4S4 J5S5 J6S6"


@pytest.mark.parametrize("what", ["of the future", "another catalogue"])
def test_a_plan_that_is_not_in_force_is_not_followed(bench: Bench, what: str) -> None:
    bench.order(quantity=9)
    put_plan(bench, "J9S3 J8S5")
    if what == "another catalogue":
        bench.tools.catalogue.put(replace(bench.shop, version="other"))  # type: ignore[attr-defined]
    else:
        bench.clock.advance(minutes=-1)

    assert local(bench)


def test_a_plan_does_not_age(bench: Bench) -> None:
    bench.order(quantity=9)
    put_plan(bench, "J9S3 J8S5", "J1S1 J2S2 J3S3 J4S4 J5S5 J6S6", "J7S1")
    bench.clock.advance(hours=9)

    assert seats_of(bench.claimed()) == "J9S3 J8S5"


def test_a_plan_that_the_judge_refuses_is_not_followed(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    bench.order(quantity=9)
    fault = Finding("two_places", Severity.REFUSE, "a job sits in two places")
    monkeypatch.setattr(plans, "inspect_plan", lambda backlog, plan: (fault,))

    with pytest.raises(PlanRefused):
        promises.keep_promises(bench.tools)

    assert local(bench)


def test_when_the_planner_breaks_the_rest_goes_on_and_loads_come_from_the_queue(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    bench.order(quantity=9)

    def breaks(backlog: object) -> object:
        raise ZeroDivisionError

    monkeypatch.setattr(plans, "plan", breaks)

    done = tasks.run_periodic(bench.tools)

    assert "keep_plan" not in done and "sweep_loads" in done
    assert local(bench)


def test_a_claim_makes_no_plan_and_waits_for_none(bench: Bench) -> None:
    bench.order(quantity=9)
    put_plan(bench, "J9S3 J8S5")
    bench.clock.advance(minutes=-1)

    bench.claimed()

    assert "planned" not in bench.tools.geometry.calls  # type: ignore[attr-defined]


# --- keeping it ---


def kept_plans(bench: Bench) -> list[KeptPlan]:
    return bench.rows(KeptPlan)


def test_a_plan_stands_while_nothing_happens(bench: Bench) -> None:
    bench.order(quantity=9)
    kept = [kept_plan.keep(bench.tools) is not None for _ in range(2)]
    (first,) = kept_plans(bench)
    for _ in range(5):
        bench.clock.advance(minutes=2)
        kept.append(kept_plan.keep(bench.tools) is not None)

    assert kept == [True, False, False, False, False, False, False]
    assert bench.tools.geometry.calls.count("planned") == 1  # type: ignore[attr-defined]
    assert [(plan.id, plan.made_at) for plan in kept_plans(bench)] == [(first.id, first.made_at)]


def test_a_new_week_is_nothing_that_happened(bench: Bench) -> None:
    """A plan's times are counted from a Monday, and from the next one as soon as that has begun."""
    shops_zone = ZoneInfo(bench.shop.policy.time_zone)
    bench.clock.at = datetime(2026, 11, 29, 23, 59, 40, tzinfo=shops_zone).astimezone(UTC)
    bench.order(quantity=9)
    kept_plan.keep(bench.tools)
    (before,) = kept_plans(bench)

    bench.clock.advance(seconds=40)
    bench.database.write(lambda s: s.execute(update(KeptPlan).values(mark="as if a row had moved")))
    kept_plan.keep(bench.tools)

    assert bench.clock().astimezone(shops_zone).weekday() == 0
    (after,) = kept_plans(bench)
    assert (after.id, after.made_at) == (before.id, before.made_at)


def test_a_planned_start_that_is_missed_is_something_that_happened(bench: Bench) -> None:
    bench.order(quantity=9)
    before = bench.planned()

    bench.clock.advance(minutes=16)
    after = bench.planned()

    assert (after.made_at, after.numbers) == (bench.clock(), before.numbers)
    assert [load.turns for load in after.plan.loads] == [load.turns for load in before.plan.loads]
    assert [load.begins - 16 * 60 for load in after.plan.loads] == [load.begins for load in before.plan.loads]


def test_rows_that_move_and_leave_the_plan_as_it_is_confirm_it(bench: Bench) -> None:
    bench.order(quantity=9)
    kept_plan.keep(bench.tools)
    (first,) = kept_plans(bench)
    bench.clock.advance(seconds=20)
    bench.order(sku="CHEF", quantity=2)

    bench.database.write(lambda s: s.execute(update(Job).where(Job.id > 9).values(state="held")))
    kept_plan.keep(bench.tools)

    (second,) = kept_plans(bench)
    assert (second.id, second.made_at) == (first.id, first.made_at)
    assert second.mark != first.mark


def test_within_a_minute_a_plan_is_carried_on_and_then_held_against_another(bench: Bench) -> None:
    bench.order(quantity=9)
    kept_plan.keep(bench.tools)
    bench.clock.advance(seconds=20)
    bench.order()
    kept_plan.keep(bench.tools)
    bench.clock.advance(seconds=41)
    kept_plan.keep(bench.tools)
    bench.clock.advance(seconds=61)
    kept_plan.keep(bench.tools)

    assert ways_planned(bench) == ["planned", "carried_on", "planned"]
    assert len(kept_plans(bench)) == 1


def order_much(bench: Bench) -> None:
    """Just so much that its plan rests."""
    for _ in range(2):
        bench.order(quantity=kept_plan.NO_REST // 2)


def test_a_long_plan_is_renewed_the_more_seldom_the_longer_it_is(bench: Bench) -> None:
    order_much(bench)
    kept_plan.keep(bench.tools)
    rests_s = kept_plan.NO_REST / kept_plan.UNITS_A_SECOND
    bench.clock.advance(seconds=rests_s - 0.1)
    bench.order(sku="CHEF")
    while_it_rests = kept_plan.keep(bench.tools)
    bench.clock.advance(seconds=0.2)

    kept_plan.keep(bench.tools)

    (renewed,) = kept_plans(bench)
    with bench.database.reading() as session:
        units = rows.count_units(session, renewed.id)
    assert (while_it_rests, units) == (None, kept_plan.NO_REST + 1)


def test_a_long_plan_rests_from_when_it_was_done(bench: Bench) -> None:
    order_much(bench)
    bench.tools.geometry.before = lambda: bench.clock.advance(seconds=30)  # type: ignore[attr-defined]
    kept_plan.keep(bench.tools)
    bench.order(sku="CHEF")

    while_it_rests = kept_plan.keep(bench.tools)
    bench.clock.advance(seconds=kept_plan.NO_REST / kept_plan.UNITS_A_SECOND)

    assert (while_it_rests, kept_plan.keep(bench.tools) is None) == (None, False)


def test_a_long_plan_that_came_out_the_same_rests_like_a_new_one(bench: Bench) -> None:
    def renewed() -> bool:
        """After a row has moved that leaves the plan as it is."""
        bench.database.write(lambda s: s.execute(update(KeptPlan).values(mark="as if a row had moved")))
        return kept_plan.keep(bench.tools) is not None

    order_much(bench)
    kept_plan.keep(bench.tools)
    (first,) = kept_plans(bench)
    rests_s = kept_plan.NO_REST / kept_plan.UNITS_A_SECOND
    bench.clock.advance(seconds=rests_s)
    planned = [renewed(), renewed()]
    bench.clock.advance(seconds=rests_s)
    planned.append(renewed())

    (last,) = kept_plans(bench)
    assert (planned, last.made_at) == ([True, False, True], first.made_at)


def test_a_clock_that_was_set_back_makes_no_plan_rest(bench: Bench) -> None:
    order_much(bench)
    kept_plan.keep(bench.tools)
    later = bench.clock() + timedelta(hours=1)
    bench.database.write(lambda s: s.execute(update(KeptPlan).values(planned_at=later)))
    bench.order(sku="CHEF")

    assert kept_plan.keep(bench.tools) is not None


def test_where_too_much_is_new_to_be_worked_in_one_plan_is_made_and_compared_later(bench: Bench) -> None:
    bench.order(quantity=9)
    kept_plan.keep(bench.tools)
    bench.clock.advance(seconds=61)
    bench.order(quantity=25)
    kept_plan.keep(bench.tools)
    bench.clock.advance(seconds=1)

    kept_plan.keep(bench.tools)

    assert ways_planned(bench) == ["planned", "carried_on", "planned"]


def test_units_that_fit_nowhere_are_not_new_and_keep_no_plan_from_being_compared(bench: Bench) -> None:
    bench.order(quantity=9)
    nowhere = {number(JOB, job) for job in bench.order(quantity=25)}
    lines = select(Job.line_id).where(Job.id.in_(nowhere))
    bench.database.write(
        lambda session: session.execute(update(OrderLine).where(OrderLine.id.in_(lines)).values(eligible=[]))
    )
    kept_plan.keep(bench.tools)
    bench.clock.advance(seconds=61)
    bench.order()
    kept_plan.keep(bench.tools)
    bench.clock.advance(seconds=1)

    again = kept_plan.keep(bench.tools)

    assert (ways_planned(bench), again) == (["planned", "planned"], None)


def test_while_one_process_plans_no_other_does(bench: Bench) -> None:
    bench.order(quantity=9)
    database = bench.tools.database

    with database.alone("keep_plan") as is_first, database.alone("keep_plan") as is_second:
        tasks.keep_plan(bench.tools)
    planned_meanwhile = len(kept_plans(bench))
    tasks.keep_plan(bench.tools)

    assert is_first
    # On SQLite one service works with the file, and plans in one thread.
    assert (is_second, planned_meanwhile) == ((True, 1) if database.is_sqlite else (False, 0))
    assert len(kept_plans(bench)) == 1


@pytest.mark.postgres
def test_two_shops_in_one_database_plan_at_the_same_time(two_shops: tuple[Database, Database]) -> None:
    here, there = two_shops

    with here.alone("plan") as is_here, there.alone("plan") as is_there, there.alone("plan") as is_twice:
        pass

    assert (is_here, is_there, is_twice) == (True, True, False)


def test_few_that_came_are_counted_for_each_who_asks_and_many_every_now_and_then(bench: Bench) -> None:
    bench.order(quantity=3)
    kept_plan.keep(bench.tools)
    bench.clock.advance(seconds=1)
    with bench.database.reading() as session:
        outlook = kept_plan.outlook(bench.tools, session, rows.newest_id(session))
    assert outlook is not None

    def come(sku: str, quantity: int) -> float:
        bench.order(sku=sku, quantity=quantity)
        return kept_plan.came_since(bench.tools, outlook)

    few = [come("CHEF", 40), come("CHEF", 40)]
    many = [come("PARER", 30), come("PARER", 20)]
    bench.clock.advance(seconds=0.2)
    later = kept_plan.came_since(bench.tools, outlook)

    assert 0.0 < few[0] < few[1] < many[0] == many[1] < later


def test_loads_keep_their_numbers_when_others_are_taken_and_orders_come(bench: Bench) -> None:
    bench.order(quantity=20)
    kept_plan.keep(bench.tools)
    before = {load["number"]: load for load in bench.ask("GET", "/v1/plan").json()["loads"]}

    taken = set(jobs_of(bench.claimed()))
    bench.order(sku="CHEF", quantity=3, due_days=9)
    kept_plan.keep(bench.tools)

    after = {load["number"]: load for load in bench.ask("GET", "/v1/plan").json()["loads"]}
    jobs_in = {number: {f["job"] for f in load["turns"][0]} for number, load in {**before, **after}.items()}
    stayed = {
        number for number, load in before.items() if taken.isdisjoint(f["job"] for f in load["turns"][0])
    }
    assert stayed and stayed <= set(after)
    assert all({f["job"] for f in before[n]["turns"][0]} <= jobs_in[n] for n in stayed)
    assert len(stayed) == len(before) - 1


def test_a_plan_made_from_older_rows_does_not_take_the_place_of_a_newer_one(bench: Bench) -> None:
    newer, older = (
        KeptPlan(
            made_at=made_at,
            planned_at=made_at,
            compared_at=made_at,
            catalogue_version="v",
            mark=str(made_at),
            summary=NOTHING_SAID,
        )
        for made_at in (bench.clock(), bench.clock.advance(seconds=-1))
    )
    for plan in (newer, older):
        bench.database.write(
            lambda session, plan=plan: rows.put(
                session, plan, rows.Rows([], []), now=bench.clock.advance(seconds=1)
            )
        )

    with bench.database.reading() as session:
        kept = rows.newest(session)

    assert kept is not None and kept.mark == newer.mark


# --- pulls ---


def test_pulls_are_listed_load_by_load_of_the_plan_then_what_it_does_not_know(bench: Bench) -> None:
    bench.order(quantity=5)
    put_plan(bench, "J5S1", "J2S1 J4S2", "J1S1 J3S2")
    bench.claimed()
    bench.order(sku="CHEF")

    pulls = bench.ask("GET", "/v1/pulls").json()["pulls"]

    assert [(pull["load"], pull["planned"], pull["station"], pull["jobs"]) for pull in pulls] == [
        ("L1", None, "s1", ["J5"]),
        (None, 2, "s1", ["J2", "J4"]),
        (None, 3, "s1", ["J1", "J3"]),
        (None, None, None, ["J6"]),
    ]
