"""What a fresh pair of eyes found in a load's and an order's walk, each defect as the user would meet it."""

from __future__ import annotations

import json
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor, wait
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy.orm import Session

from service.bench import inspection
from service.loads import load_rows
from service.records.db import Database
from service.records.tables import Event, Order, Stock
from service.records.who import By
from service.running import sweeps
from service.stock import reservations as stock
from tests.benches import OPERATOR, Bench, a_bench_shop, flat_plate, turning_plate
from tests.clocks import SetClock

At = Callable[..., Bench]


@pytest.fixture
def at(database: Database, clock: SetClock, tmp_path: Path) -> At:
    """A bench on a database of each kind; give it a shop or take the small one."""
    return lambda shop=None: Bench(database, clock, tmp_path, shop)


def code(answer: Any) -> tuple[int, str]:
    return answer.status_code, answer.json()["code"]


def empty_the_bins(bench: Bench) -> None:
    """No unit is left but those that jobs have reserved."""
    bench.database.write(
        lambda session: [setattr(row, "boxed", row.reserved) for row in session.query(Stock)]
    )


# --- nothing over an empty slot ---


def test_a_slot_whose_unit_turned_out_blemished_is_seated_anew(at: At) -> None:
    bench = at()
    bench.order(quantity=2)
    load = bench.do(bench.pulled(bench.claimed()), "seated", {"turn": 1, "slots": {"S1": "seated"}})

    load = bench.do(load, "pulled", {"jobs": {"J1": "blemished"}})
    load = bench.do(load, "seated", {"turn": 1, "slots": {"S2": "seated"}})

    assert load["state"] == "pulled"
    assert [slot["state"] for slot in load["turns"][0]["slots"]] == ["planned", "seated"]


# --- half engraved units between two visits ---


def a_half_engraved_unit_on_its_second_visit(at: At) -> tuple[Bench, dict[str, Any]]:
    bench = at(a_bench_shop(flat_plate("mark_side"), flat_plate("pile_side")))
    bench.order(faces=("mark_side", "pile_side"))
    bench.do(bench.passed(bench.burned()), "release")
    return bench, bench.claimed()


@pytest.mark.parametrize("what", ["missing", "blemished"])
def test_a_half_engraved_unit_that_is_spoiled_is_scrapped_and_replaced(at: At, what: str) -> None:
    bench, load = a_half_engraved_unit_on_its_second_visit(at)

    answer = bench.post(load, "pulled", {"jobs": {"J1": what}})

    assert answer.status_code == 200, answer.text
    assert bench.job("J1").state == "scrapped"
    assert (bench.job("J2").state, bench.job("J2").replaces) == ("ready", 1)
    assert [event.type for event in bench.rows(Event)].count("job.scrapped") == 1


def test_a_unit_that_fits_no_turning_plate_makes_two_visits_to_flat_ones(at: At) -> None:
    bench = at(a_bench_shop(turning_plate(slots=1), flat_plate("mark_side"), flat_plate("pile_side")))
    bench.order(faces=("mark_side", "pile_side"))
    load = bench.pulled(bench.claimed())
    assert load["plate"] == "turning"

    bench.do(load, "seated", {"turn": 1, "slots": {"S1": "does_not_fit"}})

    assert bench.job("J1").state == "ready"
    assert bench.claimed()["plate"] == "flat_mark"


def approve(bench: Bench, identity: str = "O1", **body: Any) -> Any:
    return bench.ask("POST", f"/v1/orders/{identity}/approve", body, role="desk", If_Match="*")


def cancel(bench: Bench, identity: str = "O1", **body: Any) -> Any:
    return bench.ask("POST", f"/v1/orders/{identity}/cancel", body, role="desk", If_Match="*")


def test_the_desk_sees_and_lets_go_a_unit_that_fitted_nowhere(at: At) -> None:
    bench = at(a_bench_shop(turning_plate(slots=1)))
    bench.order()
    bench.do(bench.pulled(bench.claimed()), "seated", {"turn": 1, "slots": {"S1": "does_not_fit"}})

    approve(bench)

    assert bench.job("J1").state == "ready"
    assert bench.next().status_code == 201


def test_a_half_engraved_unit_that_fits_nowhere_is_not_stuck(at: At) -> None:
    bench = at(a_bench_shop(flat_plate("mark_side", slots=1), flat_plate("pile_side", slots=1)))
    bench.order(faces=("mark_side", "pile_side"))
    bench.do(bench.passed(bench.burned()), "release")
    load = bench.pulled(bench.claimed())
    bench.do(load, "seated", {"turn": 1, "slots": {"F1": "does_not_fit"}})
    assert bench.job("J1").state == "held"

    approve(bench)

    assert bench.job("J1").state != "held"


# --- cancelling ---


def two_lines(bench: Bench) -> None:
    """Make one order of two lines from two orders of one."""
    bench.order()
    bench.order()

    def join(session: Session) -> None:
        second = session.get_one(Order, 2)
        for line in list(second.lines):
            line.order_id, line.line_ref = 1, "2"
            for job in line.jobs:
                job.order_id = 1
        session.flush()

    bench.database.write(join)


def test_a_store_is_not_told_that_an_order_is_cancelled_when_one_line_is(at: At) -> None:
    bench = at()
    two_lines(bench)

    answer = cancel(bench, lines=["2"])

    assert answer.json()["state"] == "ready"
    told = [(event.type, event.data) for event in bench.rows(Event)]
    assert all(kind != "order.cancelled" or data.get("lines") == ["2"] for kind, data in told), told


def test_an_order_is_released_when_what_was_left_of_it_is_cancelled(at: At) -> None:
    bench = at()
    two_lines(bench)
    empty_the_bins(bench)
    load = bench.claimed()
    load = bench.do(load, "pulled", {"jobs": {"J1": "found", "J2": "missing"}})
    assert bench.job("J2").state == "short"
    load = bench.do(bench.started(bench.seated(load)), "finish", {"turn": 1})
    bench.do(bench.passed(load), "release")

    answer = cancel(bench, lines=["2"])

    assert answer.json()["state"] == "released"
    assert "order.released" in [event.type for event in bench.rows(Event)]


def put_backs(bench: Bench) -> list[Any]:
    found: list[Any] = bench.ask("GET", "/v1/pulls").json()["put_backs"]
    return found


def test_a_unit_in_hand_of_a_cancelled_order_goes_back_into_its_bin_and_to_whoever_waits(at: At) -> None:
    bench = at()
    bench.order()
    bench.do(bench.pulled(bench.claimed()), "drop")
    empty_the_bins(bench)
    bench.order()
    cancel(bench)
    (listed,) = put_backs(bench)

    done = bench.ask("POST", "/v1/jobs/J1/put-back", {})
    twice = bench.ask("POST", "/v1/jobs/J1/put-back", {})

    assert (listed["job"], listed["sku"], listed["bin"]) == ("J1", "PARER", "A1")
    assert done.status_code == 200
    assert [move["to"] for move in done.json()["history"]][-3:] == ["to_put_back", "cancelled", "put_back"]
    assert put_backs(bench) == []
    assert (bench.job("J2").state, bench.job("J2").bin) == ("ready", "A1")
    assert (twice.status_code, twice.json()["code"]) == (409, "move_not_allowed")


def test_a_unit_may_be_put_back_into_another_bin_that_there_is(at: At) -> None:
    bench = at()
    bench.order()
    bench.do(bench.pulled(bench.claimed()), "drop")
    cancel(bench)

    nowhere = bench.ask("POST", "/v1/jobs/J1/put-back", {"bin": "Z9"})
    done = bench.ask("POST", "/v1/jobs/J1/put-back", {"bin": "B1"})

    assert (nowhere.status_code, nowhere.json()["code"]) == (422, "bad_request")
    assert (done.status_code, done.json()["unit_in_hand"]) == (200, False)
    rows = bench.ask("GET", "/v1/stock").json()["stock"]
    assert {row["bin"]: row["boxed"] for row in rows if row["sku"] == "PARER"} == {"A1": 49, "B1": 51}


def test_a_unit_that_was_never_pulled_or_is_not_cancelled_is_not_put_back(at: At) -> None:
    bench = at()
    bench.order()
    ready = bench.ask("POST", "/v1/jobs/J1/put-back", {"bin": "A1"})
    bench.pulled(bench.claimed())
    loaded = bench.ask("POST", "/v1/jobs/J1/put-back", {})
    nobody = bench.ask("POST", "/v1/jobs/J9/put-back", {})
    desk = bench.ask("POST", "/v1/jobs/J1/put-back", {}, role="desk")

    assert [a.status_code for a in (ready, loaded, nobody, desk)] == [409, 409, 404, 403]
    assert put_backs(bench) == []


def test_a_slot_to_be_cleared_of_a_cancelled_unit_says_where_the_unit_goes(at: At) -> None:
    bench = at()
    bench.order()
    bench.order()
    load = bench.seated(bench.pulled(bench.claimed()))

    cancel(bench)

    assert bench.see(load)["clear"] == [
        {"turn": 1, "slot": "S1", "unit": "J1", "why": "cancelled", "put_back": "A1"}
    ]


def test_a_cancelled_line_that_could_not_be_engraved_does_not_stop_the_rest(at: At) -> None:
    bench = at()
    two_lines(bench)

    def hold(session: Session) -> None:
        first, second = session.get_one(Order, 1).lines
        first.verdict, first.hold_reason = "refuse", "findings"
        second.verdict, second.hold_reason = "review", "review"
        for job in [*first.jobs, *second.jobs]:
            stock.unreserve(session, job)
            job.state = "held"

    bench.database.write(hold)
    cancel(bench, lines=["1"])

    answer = approve(bench)

    assert answer.status_code == 200, answer.text
    assert bench.job("J2").state == "ready"


def test_approving_what_is_cancelled_tells_nobody_that_it_was_accepted(at: At) -> None:
    bench = at()
    bench.order()
    cancel(bench)

    approve(bench)

    assert "order.accepted" not in [event.type for event in bench.rows(Event)]


def test_the_desks_look_at_review_findings_is_not_the_buyers_approval(at: At) -> None:
    bench = at()
    bench.order()

    def hold(session: Session) -> None:
        order = session.get_one(Order, 1)
        order.proof = "buyer"
        line = order.lines[0]
        line.verdict, line.hold_reason = "review", "review"
        stock.unreserve(session, line.jobs[0])
        line.jobs[0].state = "held"

    bench.database.write(hold)

    answer = approve(bench, by="desk")

    assert answer.json()["lines"][0]["hold_reason"] == "buyer_approval"


# --- at the same moment ---


def meanwhile(first: Callable[[Session], object], second: Callable[[Session], object], on: Database) -> None:
    """Run the second transaction while the first, whose work is done, has not committed yet."""
    with ThreadPoolExecutor(1) as pool:
        with on.writing() as session:
            first(session)
            session.flush()
            other = pool.submit(on.write, second)
            wait([other], timeout=1.0)  # it waits for a lock of the first, or has read past it
        other.result(timeout=20)


@pytest.mark.postgres
def test_two_who_give_out_a_unit_at_once_give_each_job_one(
    postgres_database: Database, clock: SetClock, tmp_path: Path
) -> None:
    bench = Bench(postgres_database, clock, tmp_path)
    empty_the_bins(bench)
    bench.order()
    bench.database.write(lambda session: [setattr(row, "boxed", 5) for row in session.query(Stock)])

    def serve(session: Session) -> int:
        return stock.serve_short(session, "PARER", by=By(OPERATOR, clock()))

    meanwhile(serve, serve, bench.database)

    assert bench.job("J1").state == "ready"
    with bench.database.reading() as session:
        assert sum(row.reserved for row in session.query(Stock)) == 1


@pytest.mark.postgres
def test_two_loads_that_release_an_order_at_once_tell_the_store_once(
    postgres_database: Database, clock: SetClock, tmp_path: Path
) -> None:
    bench = Bench(postgres_database, clock, tmp_path, a_bench_shop(turning_plate(slots=1), stations=2))
    bench.order(quantity=2)
    bench.passed(bench.burned(station="s1"))
    bench.passed(bench.burned(station="s2"))

    def release(load_id: int) -> Callable[[Session], None]:
        def work(session: Session) -> None:
            load = load_rows.lock(session, load_id)
            assert load is not None
            inspection.release(session, load, by=By(OPERATOR, clock()))

        return work

    meanwhile(release(1), release(2), bench.database)

    assert [event.type for event in bench.rows(Event)].count("order.released") == 1


def test_a_short_job_is_found_by_the_sweep_when_a_unit_is_free_after_all(at: At) -> None:
    bench = at()
    empty_the_bins(bench)
    bench.order(quantity=2)
    bench.database.write(lambda session: setattr(session.get_one(Stock, ("A1", "PARER")), "boxed", 1))

    sweeps.sweep_short(bench.tools)

    assert [bench.job(job).state for job in ("J1", "J2")] == ["ready", "short"]


def test_a_refused_load_is_looked_into_by_a_geometry_worker_outside_any_transaction(at: At) -> None:
    bench = at()
    bench.order(quantity=2)
    parer = bench.shop.blades["parer"]
    faces = tuple(
        replace(face, zones=tuple(replace(zone, zone="another") for zone in face.zones))
        for face in parer.faces
    )
    edited = {**bench.shop.blades, "parer": replace(parer, faces=faces)}
    bench.tools.catalogue.put(replace(bench.shop, version="edited", blades=edited))  # type: ignore[attr-defined]

    answer = bench.next()

    assert answer.status_code == 204
    assert "refused_units" in bench.tools.geometry.calls  # type: ignore[attr-defined]
    assert (bench.job("J1").state, bench.job("J1").hold_reason) == ("held", "judge_refused")


def test_an_order_says_of_a_unit_that_the_bench_sent_back_why_it_is_held(at: At) -> None:
    bench = at(a_bench_shop(turning_plate(slots=1)))
    bench.order()
    bench.do(bench.pulled(bench.claimed()), "seated", {"turn": 1, "slots": {"S1": "does_not_fit"}})

    order = bench.ask("GET", "/v1/orders/O1", role="desk").json()

    assert order["lines"][0]["jobs"] == [{"id": "J1", "state": "held", "hold_reason": "does_not_fit"}]


# --- bad input ---


@pytest.mark.parametrize("bad", ["A\x00B", "A\ud800B"])
def test_names_and_reasons_that_nothing_can_store_are_refused(at: At, bad: str) -> None:
    bench = at()
    bench.order()

    def raw(path: str, body: Any, **headers: str) -> Any:
        named = {k.replace("_", "-"): v for k, v in headers.items()}
        named |= {"Authorization": f"Bearer {bench.keys['bench']}", "Content-Type": "application/json"}
        return bench.client.post(path, content=json.dumps(body), headers=named)

    named = raw("/v1/loads/next", {"station": "s1", "operator": bad})
    load = bench.burned()
    again = raw("/v1/loads/L1/again", {"turn": 1, "jobs": ["J1"], "reason": bad}, If_Match=load["etag"])
    scrap = raw(
        "/v1/loads/L1/inspect", {"jobs": {"J1": {"result": "scrap", "reason": bad}}}, If_Match=load["etag"]
    )
    slot = raw("/v1/loads/L1/resolve", {"jobs": {"J1": {bad: "clean"}}}, If_Match=load["etag"])
    unit = raw("/v1/loads/L1/inspect", {"jobs": {"J" + bad: {"result": "pass"}}}, If_Match=load["etag"])

    assert [a.status_code for a in (named, again, scrap)] == [422, 422, 422]
    assert slot.status_code in (409, 422)
    assert unit.status_code in (404, 422)


def test_numbers_too_long_for_the_database_are_not_found(at: At) -> None:
    bench = at()

    assert bench.ask("GET", "/v1/loads/L" + "9" * 18).status_code == 404
    assert bench.ask("GET", "/v1/loads/L" + "9" * 25).status_code == 404
    assert bench.ask("GET", "/v1/loads/L1/turns/" + "9" * 30 + "/burn.svg").status_code == 404
