"""What assembly should build next: by what sold, release days apart, as far as it gets."""

from __future__ import annotations

import csv
import io
from dataclasses import replace
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from layout.shop.assembly import Assembly
from service.papers.build_plan_sheet import build_plan_sheet
from service.papers.voice import Voice
from service.plan.build_plan_answers import BuildPlanAnswer
from service.records.db import Database
from service.records.tables import Job, Stock
from tests import pdf
from tests.benches import Bench, a_bench_shop, put_order
from tests.clocks import MORNING, SetClock

#: Tuesday morning of the tests; weeks begin on the Monday before.
MONDAY = date(2026, 11, 23)


@pytest.fixture
def bench(database: Database, clock: SetClock, tmp_path: Path) -> Bench:
    """A shop with nothing in its bins; its parers are built from its bare blades, which it does not count in
    bins; Friday is release day."""
    shop = a_bench_shop()
    policy = replace(shop.policy, assembly=Assembly(0.95, weeks_to_build=1.0, release_day=4))
    parer = replace(shop.products["PARER"], built_from="BARE")
    shop = replace(shop, policy=policy, products={**shop.products, "PARER": parer})
    empty = Bench(database, clock, tmp_path, shop)
    put(empty, 0)
    database.write(lambda session: session.query(Stock).filter_by(sku="BARE").delete())
    return empty


def put(bench: Bench, boxed: int, *, sku: str = "PARER") -> None:
    """So many units in one bin, of one product alone."""
    bench.database.write(
        lambda session: session.query(Stock).filter_by(bin="A1", sku=sku).update({"boxed": boxed})
    )
    bench.database.write(lambda session: session.query(Stock).filter(Stock.bin != "A1").update({"boxed": 0}))
    if boxed == 0:
        bench.database.write(lambda session: session.query(Stock).update({"boxed": 0}))


def sold(bench: Bench, *weeks: tuple[int, int], sku: str = "PARER") -> None:
    """Units sold on the Wednesday and on the Friday of past weeks, the oldest first; all are released."""
    for back, counts in enumerate(reversed(weeks), start=1):
        for day, units in zip((2, 4), counts, strict=True):
            came = MORNING + timedelta(days=day - MORNING.weekday() - 7 * back)
            if units:
                ordered(bench, came, sku=sku, quantity=units)
    bench.database.write(lambda session: session.query(Job).update({"state": "released"}))


def ordered(bench: Bench, came: datetime, **wanted: Any) -> list[int]:
    """An order that came then; the numbers of its jobs."""
    return bench.database.write(
        lambda session: [job.id for job in put_order(session, bench.shop, now=came, **wanted)]
    )


def asked(bench: Bench, query: str = "") -> dict[str, Any]:
    answer = bench.ask("GET", f"/v1/build-plan{query}")
    assert answer.status_code == 200, answer.text
    said: dict[str, Any] = answer.json()
    return said


def test_a_plan_worked_out_by_hand(bench: Bench) -> None:
    """Sold on usual days 6, 18, 12, 2, 22: mean 12, deviation 8.246 (see `layout.plan.order_up_to`); on each
    release day 4: mean 4, and the root of it, 2, for its deviation. A week: mean 16, deviation
    (8.246^2 + 2^2)^0.5 = 8.485. Two weeks at 95 %: 32 + 1.645 * 8.485 * 1.414 = 51.7, so 52 units."""
    sold(bench, (6, 4), (18, 4), (12, 4), (2, 4), (22, 4))
    put(bench, 20)

    plan = asked(bench)

    (parer,) = plan["products"]
    assert (parer["sku"], parer["boxed"], parer["promised"], parer["free"]) == ("PARER", 20, 0, 20)
    assert (parer["usual_per_week"], parer["per_release"], parer["sold_last_week"]) == (12.0, 4.0, 26)
    assert (parer["level"], parer["weeks_of_cover"], parer["weeks_seen"]) == (52, 1.2, 5)
    assert [week["units"] for week in plan["weeks"]] == [32, 16, 16, 16]
    assert [week["by"] for week in plan["weeks"]] == [
        (MONDAY + timedelta(days=4 + 7 * number)).isoformat() for number in range(4)
    ]
    # Until Friday, 3 days: 12 * 3/7 + 1.645 * 8.246 * (3/7)^0.5 = 14.02, so 15 are kept for usual days.
    assert plan["next_release"] == (MONDAY + timedelta(days=4)).isoformat()
    assert parer["offered"] == 20 + 32 - 15


def test_what_is_being_built_is_not_built_once_more(bench: Bench) -> None:
    """As in the plan by hand: of 52 - 20 units 30 are in a work order, due the day before the release."""
    sold(bench, (6, 4), (18, 4), (12, 4), (2, 4), (22, 4))
    put(bench, 20)
    due = {"soon": MONDAY + timedelta(days=3), "later": MONDAY + timedelta(days=20)}
    for name, units in (("soon", 30), ("later", 1)):
        body = {"sku": "PARER", "quantity": units, "due": f"{due[name].isoformat()}T16:00:00Z"}
        answer = bench.ask("POST", "/v1/work-orders", body, role="owner", Idempotency_Key=f"work-{name}")
        assert answer.status_code == 201, answer.text

    plan = asked(bench)

    (parer,) = plan["products"]
    assert (parer["free"], parer["being_built"], parer["weeks_of_cover"]) == (20, 31, 1.2)
    assert [week["units"] for week in plan["weeks"]] == [1, 16, 16, 16]
    assert parer["offered"] == 20 + 30 + 1 - 15  # what is due later can't be offered


def test_no_more_is_offered_than_there_are_bare_blades_for(bench: Bench) -> None:
    """As in the plan by hand, 32 wanted by Friday; of blades that no bin and no lot ever had nothing is
    known, then there are 12 of them, then 5 of these in a work order, then 3 more in a bin."""
    sold(bench, (6, 4), (18, 4), (12, 4), (2, 4), (22, 4))
    put(bench, 20)

    unknown = asked(bench)["products"][0]["offered"]
    bench.lot(quantity=12)
    twelve = asked(bench)
    due = f"{(MONDAY + timedelta(days=3)).isoformat()}T16:00:00Z"
    body = {"sku": "PARER", "quantity": 5, "due": due}
    bench.ask("POST", "/v1/work-orders", body, role="owner", Idempotency_Key="of-the-twelve")
    five_taken = asked(bench)["products"][0]
    bench.database.write(lambda session: session.add(Stock(bin="A1", sku="BARE", boxed=3)))

    assert unknown == 20 + 32 - 15
    assert twelve["products"][0]["offered"] == 20 + 12 - 15
    assert twelve["weeks"][0]["units"] == 32  # blades can still be marked for the rest
    assert (five_taken["being_built"], five_taken["offered"]) == (5, 20 + 5 + 7 - 15)
    assert asked(bench)["products"][0]["offered"] == 20 + 5 + 7 + 3 - 15


def test_assembly_builds_no_more_than_it_can_and_less_in_a_week_that_has_begun(bench: Bench) -> None:
    sold(bench, (6, 4), (18, 4), (12, 4), (2, 4), (22, 4))

    plan = asked(bench, "?units_per_week=10")

    assert [week["most"] for week in plan["weeks"]] == [8, 10, 10, 10]  # from Tuesday on four of five days
    assert [week["units"] for week in plan["weeks"]] == [8, 10, 10, 10]


@pytest.mark.parametrize(
    ("open_on", "most", "by"),
    [((), [8, 10], "2026-11-29"), ((0, 1, 2, 3), [7, 10], "2026-11-26"), ((0, 2, 5), [6, 10], "2026-11-28")],
)
def test_assembly_works_on_the_days_on_which_stations_are_open(
    bench: Bench, open_on: tuple[int, ...], most: list[int], by: str
) -> None:
    """Without shifts too; on a Tuesday one of them has gone. Without hours they are open on all seven."""
    hours = tuple((day * 86_400 + 8 * 3_600.0, day * 86_400 + 16 * 3_600.0) for day in open_on)
    stations = {name: replace(one, hours=hours) for name, one in bench.shop.stations.items()}
    policy = replace(bench.shop.policy, assembly=Assembly(0.95, weeks_to_build=1.0))
    bench.tools.catalogue.put(replace(bench.shop, stations=stations, policy=policy))  # type: ignore[attr-defined]
    sold(bench, (6, 4), (18, 4))

    weeks = asked(bench, "?units_per_week=10")["weeks"]

    assert [week["most"] for week in weeks[:2]] == most
    assert weeks[0]["by"] == by


def test_what_orders_wait_for_is_built_first(bench: Bench) -> None:
    sold(bench, (20, 0), (20, 0))
    sold(bench, (1, 0), (1, 0), sku="CHEF")
    bench.order(sku="CHEF", quantity=3)

    plan = asked(bench, "?units_per_week=10")

    assert {one["sku"]: one["quantity"] for one in plan["weeks"][0]["build"]}["CHEF"] >= 3
    assert next(one for one in plan["products"] if one["sku"] == "CHEF")["free"] == -3


def test_cancelled_orders_and_bare_blades_are_no_sales(bench: Bench) -> None:
    sold(bench, (5, 0), (5, 0))
    gone = ordered(bench, MORNING - timedelta(days=7), quantity=9)
    bench.database.write(
        lambda session: session.query(Job).filter(Job.id.in_(gone)).update({"state": "cancelled"})
    )
    bench.lot(quantity=4)

    plan = asked(bench)

    assert [(one["sku"], one["sold_last_week"]) for one in plan["products"]] == [("PARER", 5)]


def test_past_weeks_are_held_against_what_was_known_then(bench: Bench) -> None:
    sold(bench, (10, 0), (20, 0), (6, 0))

    past = asked(bench)["past"]

    assert [(week["expected"], week["sold"]) for week in past] == [(15.0, 6), (10.0, 20)]
    assert past[0]["products"] == [{"sku": "PARER", "expected": 15.0, "sold": 6}]


def test_a_shop_that_sold_nothing_has_nothing_to_build(bench: Bench) -> None:
    put(bench, 3)

    plan = asked(bench)

    assert [week["units"] for week in plan["weeks"]] == [0, 0, 0, 0]
    (parer,) = plan["products"]
    assert (parer["level"], parer["weeks_of_cover"], parer["offered"]) == (0, None, 3)
    assert plan["past"] == []


def test_the_plan_as_a_table_and_on_paper(bench: Bench) -> None:
    sold(bench, (6, 4), (18, 4), (12, 4))

    table = bench.ask("GET", "/v1/build-plan.csv")
    sheet = bench.ask("GET", "/v1/build-plan.pdf?service_level=0.98", Accept_Language="de")

    heading, row = csv.reader(io.StringIO(table.text.removeprefix("\ufeff")))
    assert dict(zip(heading, row, strict=True))["build_by_2026-11-27"] == str(
        asked(bench)["weeks"][0]["units"]
    )
    assert sheet.headers["content-type"] == "application/pdf"
    words = " ".join(pdf.words_of(sheet.content))
    assert "Montageplan" in words and str(asked(bench, "?service_level=0.98")["weeks"][0]["units"]) in words
    assert bench.ask("GET", "/v1/build-plan?service_level=2").status_code == 422
    plan = BuildPlanAnswer.model_validate(asked(bench))
    code = "AQ-PARER-OAK-LEFT-HANDED-AND-OF-SIXTY-CHARACTERS-SO-IT-SEEMS"
    long = plan.products[0].model_copy(update={"name": "Invented parer, oak handle, long, " * 3, "sku": code})
    (said,) = pdf.words_of(build_plan_sheet(plan.model_copy(update={"products": (long,)}), Voice()))
    assert code in said and "Invented parer, oak handle" in said
