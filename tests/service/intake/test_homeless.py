"""Accepted units whose places leave the catalogue, and come back; what the store is told of held units."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from service.intake import homeless as places
from service.records.db import Database
from service.records.tables import Event, Stock
from tests.benches import Bench, a_bench_shop, flat_plate, turning_plate
from tests.clocks import SetClock


@pytest.fixture
def bench(database: Database, clock: SetClock, tmp_path: Path) -> Bench:
    return Bench(database, clock, tmp_path, a_bench_shop(flat_plate()))


def change_plates(bench: Bench, *plates: Any) -> None:
    """The shop has other plates from now on."""
    shop = replace(a_bench_shop(*plates), version=f"with {', '.join(plate.plate for plate in plates)}")
    bench.tools.catalogue.put(shop)  # type: ignore[attr-defined]


def told(bench: Bench) -> list[tuple[str, dict[str, Any]]]:
    return [(event.type, event.data) for event in bench.rows(Event)]


def test_a_unit_whose_places_have_all_left_the_catalogue_is_held_with_a_finding(bench: Bench) -> None:
    bench.order()
    change_plates(bench, turning_plate())

    moved = places.look(bench.tools)
    again = places.look(bench.tools)

    order = bench.ask("GET", "/v1/orders/O1", role="desk").json()
    (line,) = order["lines"]
    assert (moved, again) == (1, 0)
    assert line["jobs"] == [{"id": "J1", "state": "held", "hold_reason": "no_place_left"}]
    assert [finding["code"] for finding in line["findings"]] == ["no_place_left"]
    assert bench.job("J1").bin is None
    assert told(bench) == [
        (
            "order.held",
            {
                "order": "O1",
                "order_ref": order["order_ref"],
                "line_ref": "1",
                "job": "J1",
                "state": "held",
                "reason": "no_place_left",
            },
        ),
    ]


def test_it_is_ready_again_when_one_of_its_places_is_back(bench: Bench) -> None:
    bench.order()
    change_plates(bench, turning_plate())
    places.look(bench.tools)
    change_plates(bench, turning_plate(), flat_plate())

    moved = places.look(bench.tools)

    order = bench.ask("GET", "/v1/orders/O1", role="desk").json()
    assert (moved, order["state"], order["lines"][0]["findings"]) == (1, "ready", [])
    assert [kind for kind, _ in told(bench)] == ["order.held", "order.accepted"]
    assert bench.next().status_code == 201


def test_a_unit_with_a_place_left_in_the_changed_shop_stays_as_it_is(bench: Bench) -> None:
    bench.order()
    change_plates(bench, turning_plate(), flat_plate())

    assert places.look(bench.tools) == 0
    assert bench.job("J1").state == "ready"


def test_of_two_plates_that_took_a_unit_one_is_enough(
    database: Database, clock: SetClock, tmp_path: Path
) -> None:
    bench = Bench(database, clock, tmp_path, a_bench_shop(flat_plate(), turning_plate()))
    bench.order()
    change_plates(bench, turning_plate())

    assert places.look(bench.tools) == 0
    assert bench.job("J1").state == "ready"


def test_a_second_side_that_nothing_takes_any_more_holds_the_unit_before_its_first(
    database: Database, clock: SetClock, tmp_path: Path
) -> None:
    bench = Bench(database, clock, tmp_path, a_bench_shop(flat_plate("mark_side"), flat_plate("pile_side")))
    bench.order(faces=("mark_side", "pile_side"))
    change_plates(bench, flat_plate("mark_side"))

    assert places.look(bench.tools) == 1
    assert bench.job("J1").hold_reason == "no_place_left"


def test_the_desk_can_not_wave_through_what_no_plate_takes(bench: Bench) -> None:
    bench.order()
    change_plates(bench, turning_plate())
    places.look(bench.tools)

    answer = bench.ask("POST", "/v1/orders/O1/approve", {"by": "desk"}, role="desk", If_Match="*")

    assert (answer.status_code, answer.json()["code"]) == (409, "move_not_allowed")
    assert bench.job("J1").state == "held"


# --- the bench holds a unit ---


def test_the_store_is_told_of_a_unit_that_fits_nowhere_and_that_it_goes_on(bench: Bench) -> None:
    bench.order()
    load = bench.pulled(bench.claimed())
    for _ in range(3):  # the plate has three slots
        slot = load["turns"][0]["slots"][0]["slot"]
        bench.do(load, "seated", {"turn": 1, "slots": {slot: "does_not_fit"}})
        load = bench.pulled(bench.claimed()) if bench.job("J1").state == "ready" else load

    bench.ask("POST", "/v1/orders/O1/approve", {"by": "desk"}, role="desk", If_Match="*")

    assert [(kind, data.get("job"), data.get("reason")) for kind, data in told(bench)] == [
        ("order.held", "J1", "does_not_fit"),
        ("order.accepted", None, None),
    ]


@pytest.mark.parametrize("what", ["missing", "blemished"])
def test_the_store_is_told_of_a_unit_that_now_waits_for_stock(bench: Bench, what: str) -> None:
    bench.order()
    load = bench.claimed()
    bench.database.write(
        lambda session: [setattr(row, "boxed", row.reserved) for row in session.query(Stock)]
    )

    bench.do(load, "pulled", {"jobs": {"J1": what}})

    assert [(kind, data["job"], data["state"], data["reason"]) for kind, data in told(bench)] == [
        ("order.held", "J1", "short", what)
    ]
