"""What checks and orders answer to "when?": from the plan in force, or null with the reason."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import select, update

from layout.plan.promise import NONE_OVERTAKES
from layout.shop.hours import DAY_S
from service.plan import in_force as kept_plan
from service.plan import promises
from service.plan.luck import Overtaken
from service.records.db import Database
from service.records.tables import Event, Job, Promise
from tests.benches import Bench, a_bench_shop, flat_plate
from tests.clocks import MORNING, SetClock
from tests.counter import Counter, a_line, an_inscription, an_open_counter, an_order


@pytest.fixture
def counter(database: Database, clock: SetClock, tmp_path: Path) -> Iterator[Counter]:
    with an_open_counter(database, clock, tmp_path, boxed=40) as opened:
        yield opened


def promised(counter: Counter, order: str) -> Any:
    return counter.ask("store", "GET", f"/v1/orders/{order}").json()["promise"]


def test_a_new_order_is_promised_from_the_plan_in_force_and_the_next_plan_keeps_it(counter: Counter) -> None:
    promises.keep_promises(counter.tools)

    taken = counter.post_order(an_order(lines=[a_line(quantity=3)])).json()
    at_once = promised(counter, taken["id"])
    counter.tools.clock.advance(seconds=30)  # type: ignore[attr-defined]
    moved = promises.keep_promises(counter.tools)

    assert taken["promise"] == at_once == promised(counter, taken["id"])
    assert taken["promise"]["confidence"] == 0.9 and taken["promise"]["reason"] is None
    assert moved == 0


def test_a_check_and_an_order_of_the_same_unit_are_promised_the_same(counter: Counter) -> None:
    promises.keep_promises(counter.tools)

    body = {"sku": "AQ-HORI-18", "inscriptions": [an_inscription()]}
    check = counter.ask("store", "POST", "/v1/checks", body).json()

    assert check["promise"] == counter.post_order(an_order()).json()["promise"]
    assert check["promise"]["engraved_by"] is not None


@pytest.mark.parametrize(
    ("line", "reason"),
    [
        ({}, "not_planned"),
        ({"quantity": 99}, "short"),
        ({"inscriptions": [an_inscription(text="W" * 60)]}, "held"),
    ],
)
def test_where_nothing_is_promised_the_reason_is_said(
    counter: Counter, line: dict[str, Any], reason: str
) -> None:
    if reason != "not_planned":
        promises.keep_promises(counter.tools)

    taken = counter.post_order(an_order(lines=[a_line(**line)])).json()

    assert taken["promise"] == {"engraved_by": None, "ready_by": None, "confidence": None, "reason": reason}
    assert promised(counter, taken["id"]) == taken["promise"]


def test_an_order_is_taken_whatever_is_wrong_with_the_plan(
    counter: Counter, monkeypatch: pytest.MonkeyPatch
) -> None:
    def breaks(service: object) -> object:
        raise ZeroDivisionError

    monkeypatch.setattr(kept_plan, "outlook", breaks)

    taken = counter.post_order(an_order())

    assert taken.status_code == 201
    assert taken.json()["promise"]["reason"] == "not_planned"


@pytest.mark.parametrize("state", ["held", "short", "doubtful"])
def test_nothing_is_promised_for_an_order_while_one_of_its_units_is_stuck(
    database: Database, clock: SetClock, tmp_path: Path, state: str
) -> None:
    bench = Bench(database, clock, tmp_path)
    bench.order(quantity=2)
    database.write(lambda s: s.execute(update(Job).where(Job.id == 2).values(state=state)))

    promises.keep_promises(bench.tools)

    order = f"O{bench.job('J1').order_id}"
    with database.reading() as session:
        assert session.scalars(select(Promise)).all() == []
    assert bench.ask("GET", f"/v1/orders/{order}", role="store").json()["promise"]["reason"] == state


def test_a_unit_that_needs_two_visits_is_promised_by_the_plan(
    database: Database, clock: SetClock, tmp_path: Path
) -> None:
    shop = a_bench_shop(flat_plate("mark_side"), flat_plate("pile_side"))
    bench = Bench(database, clock, tmp_path, shop)
    bench.order(faces=("mark_side", "pile_side"))

    promises.keep_promises(bench.tools)

    plan = bench.ask("GET", "/v1/plan").json()
    promise = bench.ask("GET", f"/v1/orders/O{bench.job('J1').order_id}", role="store").json()["promise"]
    assert [load["plate"] for load in plan["loads"]] == ["flat_mark", "flat_pile"]
    assert promise["engraved_by"] > plan["loads"][-1]["ends"]


def test_a_store_is_not_told_of_a_promise_that_the_next_plan_keeps(counter: Counter) -> None:
    promises.keep_promises(counter.tools)
    for _ in range(3):
        counter.post_order(an_order(lines=[a_line(quantity=2)]))

    promises.keep_promises(counter.tools)

    with counter.tools.database.reading() as session:
        told = session.scalars(select(Event).where(Event.type == "promise.changed")).all()
    assert told == []


def test_of_what_comes_on_the_next_days_only_what_has_less_time_goes_first() -> None:
    """Work of 10, 20 and 40 h that came with one, two and six days' time, in 100 open hours."""
    past = Overtaken(MORNING, (DAY_S, 2 * DAY_S, 6 * DAY_S), (36_000.0, 108_000.0, 252_000.0), 360_000.0)

    urgent, usual = past.sooner_than(2.5 * DAY_S), past.sooner_than(DAY_S)

    assert (urgent.share, urgent.later) == (0.3, (0.1, 0.0))
    assert urgent.at_once_s == 54_000.0
    assert usual == NONE_OVERTAKES
