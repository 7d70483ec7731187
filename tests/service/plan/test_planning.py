"""The plan over HTTP: what waits, what is promised, who is told when a promise moves."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import select

from layout.shop.findings import Finding, Severity
from service.plan import planning as plans
from service.plan import promises
from service.plan.backlog import WallClock
from service.records.db import Database
from service.records.tables import Event, Promise
from tests.benches import Bench, a_bench_shop, flat_plate, jobs_of, turning_plate
from tests.clocks import MORNING, SetClock

OFFICE = tuple((day * 86_400.0 + 8 * 3600, day * 86_400.0 + 16 * 3600) for day in range(5))


@pytest.fixture
def bench(database: Database, clock: SetClock, tmp_path: Path) -> Bench:
    return Bench(database, clock, tmp_path)


def the_plan(bench: Bench) -> dict[str, Any]:
    """The plan as the background has just kept it."""
    bench.planned()
    plan: dict[str, Any] = bench.ask("GET", "/v1/plan").json()
    return plan


def planned_jobs(bench: Bench) -> set[str]:
    plan = the_plan(bench)
    return {f["job"] for load in plan["loads"] for turn in load["turns"] for f in turn if "job" in f}


def test_the_plan_has_every_ready_job_once_and_shows_its_bound(bench: Bench) -> None:
    jobs = [*bench.order(quantity=5), *bench.order(sku="CHEF", quantity=4)]

    plan = the_plan(bench)

    seated = [f["job"] for load in plan["loads"] for turn in load["turns"] for f in turn]
    assert sorted(seated) == sorted(jobs)
    assert plan["score"]["loads"] == plan["bound"]["loads"] == 2
    assert plan["score"]["late_working_days"] == 0


def test_a_plan_is_carried_on_while_jobs_come_and_leave(bench: Bench) -> None:
    jobs = bench.order(quantity=20)
    first = {load["number"]: load for load in the_plan(bench)["loads"]}
    bench.clock.advance(seconds=20)

    later = bench.order(sku="CHEF", quantity=2)
    planned = planned_jobs(bench)
    order = f"O{bench.job(later[0]).order_id}"
    bench.ask("POST", f"/v1/orders/{order}/cancel", {}, role="desk", If_Match="*")
    without = {load["number"]: load for load in the_plan(bench)["loads"]}

    assert planned == {*jobs, *later}
    assert planned_jobs(bench) == set(jobs)
    assert {n: load["turns"] for n, load in without.items()} == {
        n: load["turns"] for n, load in first.items()
    }


def test_a_plan_that_was_empty_is_made_anew_with_a_bound_of_its_own(bench: Bench) -> None:
    the_plan(bench)
    bench.clock.advance(seconds=20)

    bench.order(quantity=3)
    plan = the_plan(bench)

    assert plan["score"]["loads"] == plan["bound"]["loads"] == 1


def test_a_plan_that_can_not_be_carried_on_is_made_anew(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    refused = Finding("job_missing", Severity.REFUSE, "as though carrying on had lost a job")
    bench.order(quantity=20)
    the_plan(bench)
    bench.clock.advance(seconds=20)
    monkeypatch.setattr(plans, "carried_on", lambda backlog, loads: (plans.plan(backlog), (refused,)))

    bench.order()

    assert len(planned_jobs(bench)) == 21


def test_who_asks_for_the_plan_is_shown_the_one_that_is_kept_and_plans_nothing(bench: Bench) -> None:
    bench.order()
    first = the_plan(bench)
    calls = list(bench.tools.geometry.calls)  # type: ignore[attr-defined]

    bench.order()
    shown = bench.ask("GET", "/v1/plan").json()

    assert shown == first
    assert bench.tools.geometry.calls == calls  # type: ignore[attr-defined]


@pytest.mark.parametrize(
    "path",
    ["/v1/plan", "/v1/backlog", "/v1/plan/timeline.svg", "/v1/backlog.svg", "/v1/plan/loads/1/picture.svg"],
)
def test_where_no_plan_has_been_made_yet_that_is_said(bench: Bench, path: str) -> None:
    bench.order()

    answer = bench.ask("GET", path, role="owner")

    assert (answer.status_code, answer.json()["code"]) == (503, "no_plan_yet")


def test_both_faces_of_a_unit_are_planned_in_two_turns(bench: Bench) -> None:
    bench.order(faces=("mark_side", "pile_side"))

    (load,) = the_plan(bench)["loads"]

    assert [[f["face"] for f in turn] for turn in load["turns"]] == [["mark_side"], ["pile_side"]]


def test_what_is_claimed_leaves_the_plan_at_once(bench: Bench) -> None:
    bench.order(quantity=8)
    before = planned_jobs(bench)

    load = bench.claimed()

    assert planned_jobs(bench) == before - set(jobs_of(load))


def test_a_plate_copy_in_a_load_is_not_planned_elsewhere_before_that_is_done(
    database: Database, clock: SetClock, tmp_path: Path
) -> None:
    bench = Bench(database, clock, tmp_path, a_bench_shop(turning_plate(copies=1)))
    bench.order(quantity=8)
    claimed = bench.claimed()

    (load,) = the_plan(bench)["loads"]

    assert load["copy"] == claimed["copy"]
    assert load["prepared_from"] > MORNING.isoformat()


def test_a_unit_is_not_planned_for_a_slot_it_did_not_fit(
    database: Database, clock: SetClock, tmp_path: Path
) -> None:
    bench = Bench(database, clock, tmp_path, a_bench_shop(flat_plate(slots=1)))
    (job,) = bench.order()
    load = bench.pulled(bench.claimed())
    bench.do(load, "seated", {"turn": 1, "slots": {"F1": "does_not_fit"}})

    plan = the_plan(bench)

    assert plan["loads"] == [] and [one["job"] for one in plan["unplanned"]] in ([], [job])


def test_a_shop_with_hours_burns_only_within_them(
    database: Database, clock: SetClock, tmp_path: Path
) -> None:
    shop = a_bench_shop()
    station = replace(shop.stations["s1"], hours=OFFICE)
    bench = Bench(database, clock, tmp_path, replace(shop, stations={"s1": station}))
    clock.advance(hours=12)
    bench.order()

    (load,) = the_plan(bench)["loads"]

    assert load["prepared_from"].startswith("2026-11-25T08:00")


def test_an_order_that_has_decades_is_planned_like_any_other(
    database: Database, clock: SetClock, tmp_path: Path
) -> None:
    shop = a_bench_shop()
    station = replace(shop.stations["s1"], hours=OFFICE)
    bench = Bench(database, clock, tmp_path, replace(shop, stations={"s1": station}))
    jobs = [*bench.order(), *bench.order(due_days=40 * 365)]

    plan = the_plan(bench)

    assert planned_jobs(bench) == set(jobs)
    assert plan["score"]["late_working_days"] == 0


def test_the_backlog_counts_hours_by_day_and_what_is_late_and_short(bench: Bench) -> None:
    bench.order(quantity=2, due_days=1)
    (late,) = bench.order(due_days=-2)
    bench.order(quantity=99, due_days=3)
    bench.order(quantity=40, due_days=3, sku="PARER")

    bench.planned()
    seen = bench.ask("GET", "/v1/backlog", role="owner").json()

    assert [one["job"] for one in seen["late"]] == [late]
    assert seen["days"][0]["units"] == 1 and seen["days"][1]["hours"] == round(2 * 30 / 3600, 3)
    assert [(one["sku"], one["units"]) for one in seen["short"]] == [("PARER", 2 + 1 + 99 + 40 - 100)]


@pytest.mark.parametrize("path", ["/v1/plan", "/v1/backlog"])
def test_stores_see_neither_plan_nor_backlog(bench: Bench, path: str) -> None:
    assert bench.ask("GET", path, role="store").status_code == 403


def test_an_order_shows_what_is_promised_once_it_is_planned(bench: Bench) -> None:
    (job,) = bench.order()
    order = f"O{bench.job(job).order_id}"
    nothing = bench.ask("GET", f"/v1/orders/{order}", role="store").json()["promise"]

    promises.keep_promises(bench.tools)

    promise = bench.ask("GET", f"/v1/orders/{order}", role="store").json()["promise"]
    assert nothing == {
        "engraved_by": None,
        "ready_by": None,
        "confidence": None,
        "reason": "not_planned",
    }
    assert promise == {
        "engraved_by": "2026-11-25T00:00:00+00:00",
        "ready_by": "2026-11-25T00:00:00+00:00",
        "confidence": 0.9,
        "reason": None,
    }


def test_a_store_is_told_when_its_promise_moves_by_a_working_day_and_only_then(bench: Bench) -> None:
    bench.order()
    promises.keep_promises(bench.tools)

    bench.clock.advance(hours=1)
    same_day = promises.keep_promises(bench.tools)
    bench.clock.advance(days=1)
    next_day = promises.keep_promises(bench.tools)
    again = promises.keep_promises(bench.tools)

    told = bench.rows(Event, Event.type == "promise.changed")
    assert (same_day, next_day, again) == (0, 1, 0)
    assert [event.data["ready_by"] for event in told] == ["2026-11-26T00:00:00+00:00"]
    assert set(told[0].data) == {"order", "order_ref", "engraved_by", "ready_by"}


def test_nothing_is_promised_while_a_unit_of_the_order_is_in_no_load(
    database: Database, clock: SetClock, tmp_path: Path
) -> None:
    bench = Bench(database, clock, tmp_path)
    bench.order()
    bench.shop = replace(bench.shop, version="other", plates={})

    bench.tools.catalogue.put(
        replace(bench.shop, stations={"s1": replace(bench.shop.stations["s1"], plates={})})
    )  # type: ignore[attr-defined]
    promises.keep_promises(bench.tools)

    with database.reading() as session:
        assert session.scalars(select(Promise)).all() == []


def test_wall_clock_and_moments_are_each_others_inverse_in_a_zone_with_summer_time() -> None:
    clock = WallClock.before(MORNING, "Europe/Berlin")

    assert clock.moment(clock.seconds(MORNING)) == MORNING
    assert clock.seconds(MORNING) == 86_400 + 9 * 3600
