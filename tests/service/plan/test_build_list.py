"""What the assembly bench is asked to build: how many, by when, for whom, from which blades."""

from __future__ import annotations

import csv
import io
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from service.records.db import Database
from service.records.tables import Order, Stock
from tests.benches import Bench, a_bench_shop
from tests.clocks import MORNING, SetClock
from tests.service.plan.test_planning import OFFICE


@pytest.fixture
def bench(database: Database, clock: SetClock, tmp_path: Path) -> Bench:
    """A shop with hours and nothing in its bins; its parers are built from its bare blades."""
    shop = a_bench_shop()
    station = replace(shop.stations["s1"], hours=OFFICE)
    parer = replace(shop.products["PARER"], built_from="BARE")
    shop = replace(shop, stations={"s1": station}, products={**shop.products, "PARER": parer})
    empty = Bench(database, clock, tmp_path, shop)
    database.write(lambda session: session.query(Stock).update({"boxed": 0}))
    return empty


def asked(bench: Bench, **headers: str) -> dict[str, Any]:
    answer = bench.ask("GET", "/v1/build-list", **headers)
    assert answer.status_code == 200, answer.text
    said: dict[str, Any] = answer.json()
    return said


def test_short_units_are_to_be_built_in_time_to_be_seated_and_burned(bench: Bench) -> None:
    bench.order(quantity=2, due_days=1)  # 30 s of burning and 20 s of seating each, at the small shop

    (row,) = asked(bench)["build"]

    ship_by = MORNING + timedelta(days=1)  # when the shop opens, so all is done the evening before
    assert (row["sku"], row["quantity"], row["late"]) == ("PARER", 2, False)
    assert row["needed_by"] == "2026-11-24T15:58:00+00:00"
    assert [(one["units"], one["ship_by"]) for one in row["orders"]] == [(2, ship_by.isoformat())]


def test_more_than_a_load_has_several_times_and_a_running_sum(bench: Bench) -> None:
    bench.order(quantity=12, due_days=1)

    rows = asked(bench)["build"]

    assert [(row["quantity"], row["cumulative"]) for row in rows] == [(6, 6), (6, 12)]
    assert [row["needed_by"][11:16] for row in rows] == ["15:52", "15:55"]


def test_products_are_counted_apart_and_listed_by_time(bench: Bench) -> None:
    bench.order(sku="CHEF", due_days=3)
    bench.order(sku="PARER", due_days=2)

    rows = asked(bench)["build"]

    assert [(row["sku"], row["cumulative"]) for row in rows] == [("PARER", 1), ("CHEF", 1)]


def test_a_unit_that_can_no_longer_be_in_time_is_late(bench: Bench) -> None:
    bench.order(due_days=-1)
    bench.order(due_days=1)

    rows = asked(bench)["build"]

    assert [row["late"] for row in rows] == [True, False]


def test_ready_jobs_and_jobs_that_a_free_unit_serves_need_no_building(bench: Bench) -> None:
    bench.order(quantity=3, due_days=1)
    bench.database.write(
        lambda session: session.query(Stock).filter_by(bin="A1", sku="PARER").update({"boxed": 2})
    )
    bench.order(quantity=1, due_days=5)  # takes one of the two; the sweep gives out the other

    (row,) = asked(bench)["build"]

    assert row["quantity"] == 2


def test_what_no_station_takes_is_needed_at_its_ship_by_time(bench: Bench) -> None:
    bench.order(due_days=2)
    station = replace(bench.shop.stations["s1"], plates={})
    bench.tools.catalogue.put(replace(bench.shop, version="other", stations={"s1": station}))  # type: ignore[attr-defined]

    (row,) = asked(bench)["build"]

    assert row["needed_by"] == (MORNING + timedelta(days=2)).isoformat()


def test_blades_in_lots_are_counted_on_their_way_to_assembly(bench: Bench) -> None:
    bench.lot(quantity=4, due_days=9)
    lot = bench.lot(quantity=2, due_days=2)
    load = bench.claimed()
    before = asked(bench)["blades"]

    burned = bench.do(bench.started(bench.seated(bench.pulled(load))), "finish", {"turn": 1})
    counts = {name: {"pass": n, "scrap": 0} for name, n in (("LOT1", 4), (lot, 2))}
    bench.do(bench.do(burned, "inspect", {"lots": counts}), "release")
    marked = asked(bench)["blades"]
    bench.ask("POST", f"/v1/lots/{lot}/hand-over", If_Match="*")
    handed_over = asked(bench)["blades"]

    def counted(blades: list[dict[str, Any]]) -> tuple[int, ...]:
        (one,) = blades
        return one["waiting"], one["loaded"], one["marked"], one["handed_over"]

    assert before[0]["next_due"] == (MORNING + timedelta(days=2)).isoformat()
    assert counted(before) == (0, 6, 0, 0)
    assert counted(marked) == (0, 0, 6, 0)
    assert counted(handed_over) == (0, 0, 4, 2)
    bench.clock.advance(days=15)
    assert counted(asked(bench)["blades"]) == (0, 0, 4, 0)


@pytest.mark.parametrize(
    ("path", "accept"),
    [
        ("/v1/build-list.csv", "*/*"),
        ("/v1/build-list?format=csv", "application/json"),
        ("/v1/build-list", "text/csv, application/json;q=0.5"),
    ],
)
def test_the_list_is_a_csv_file_for_whoever_asks_so(bench: Bench, path: str, accept: str) -> None:
    bench.order(quantity=2, due_days=1)
    bench.lot(quantity=4)

    answer = bench.ask("GET", path, Accept=accept)

    (row,) = csv.DictReader(io.StringIO(answer.content.decode("utf-8")))
    assert answer.headers["Content-Type"].startswith("text/csv; charset=utf-8")
    assert (row["sku"], row["quantity"], row["built_from"], row["blades_to_mark"]) == (
        "PARER",
        "2",
        "BARE",
        "4",
    )


@pytest.mark.parametrize("accept", ["application/json, text/csv", "*/*", ""])
def test_a_program_that_takes_anything_gets_json(bench: Bench, accept: str) -> None:
    assert asked(bench, Accept=accept)["build"] == []


def test_no_cell_of_the_csv_file_is_run_as_a_formula(bench: Bench) -> None:
    bench.order(due_days=1)
    bench.database.write(lambda session: session.query(Order).update({"order_ref": '=HYPERLINK("x";"y")'}))

    text = bench.ask("GET", "/v1/build-list.csv").text

    (row,) = csv.DictReader(io.StringIO(text))
    assert row["orders"] == '\'=HYPERLINK("x";"y") x1'


@pytest.mark.parametrize("path", ["/v1/build-list", "/v1/build-list.csv"])
def test_the_list_is_for_the_house(bench: Bench, path: str) -> None:
    answers = {role: bench.ask("GET", path, role=role).status_code for role in bench.keys}

    assert answers == {"store": 403, "storefront": 403, "desk": 200, "bench": 200, "owner": 200}
