"""Boxes are gathered by scan, wrong ones are refused, and an order ends when all of its boxes are there."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from datetime import UTC, datetime
from functools import partial
from pathlib import Path

import pytest
from httpx import Response
from sqlalchemy.orm import Session

from layout.shop.people import Pickups
from layout.shop.shop import Policy
from service.packing import scans
from service.packing.hand_over import hand_over
from service.packing.pick_ups import PickUps
from service.records.db import Database
from service.records.tables import Event, History, Job, Order
from service.records.who import SWEEP, By
from service.stock import reservations
from tests import pdf
from tests.benches import OPERATOR, Bench, a_bench_shop, all_rows, jobs_of, turning_plate
from tests.clocks import SetClock

#: Monday and Tuesday, 16:00, on the clock of a shop in Berlin.
_PICKUPS = Pickups((16 * 3600.0, 40 * 3600.0), 600.0)


@pytest.fixture
def bench(database: Database, clock: SetClock, tmp_path: Path) -> Bench:
    """Two units to a load, and a rack of two shelves."""
    shop = replace(
        a_bench_shop(turning_plate(slots=2, copies=2)),
        policy=Policy(
            shelves=("P1", "P2"), inserts=("Care card",), pickups=_PICKUPS, time_zone="Europe/Berlin"
        ),
    )
    return Bench(database, clock, tmp_path, shop)


def released(bench: Bench) -> list[str]:
    """The units of one more load, burned, passed and released."""
    load = bench.passed(bench.burned())
    bench.do(load, "release")
    return jobs_of(load)


def boxed(bench: Bench, *jobs: str) -> None:
    """The same units as their rows are once a load has been released, without one."""

    def work(session: Session) -> None:
        for job in (session.get_one(Job, int(identity[1:])) for identity in jobs):
            reservations.take_out(session, [job], by=By(SWEEP, bench.clock()))
            job.state, job.unit_in_hand, job.faces_done = "released", False, list(job.faces)

    bench.database.write(work)


def scanned(bench: Bench, code: str, order: str | None = None, *, role: str = "bench") -> Response:
    body = {"code": code} if order is None else {"code": code, "order": order}
    return bench.ask("POST", "/v1/packing/scan", body, role=role)


def handed_over(bench: Bench, order: str) -> Response:
    return bench.ask("POST", f"/v1/orders/{order}/hand-over")


def told(bench: Bench) -> list[tuple[str, str]]:
    events = bench.rows(Event, Event.type == "order.handed_over")
    return [(event.type, event.data["order"]) for event in events]


def test_an_order_over_two_loads_is_gathered_and_handed_over(bench: Bench, clock: SetClock) -> None:
    jobs = bench.order(quantity=3)
    first = released(bench)
    waiting = bench.ask("GET", "/v1/packing").json()
    one = scanned(bench, first[0]).json()
    two = scanned(bench, first[1]).json()
    early = handed_over(bench, "O1")
    (last,) = released(bench)
    three = scanned(bench, last, "O1").json()
    before = bench.ask("GET", "/v1/orders/O1", role="store").json()
    clock.advance(minutes=5)
    done = handed_over(bench, "O1").json()
    after = bench.ask("GET", "/v1/orders/O1", role="store").json()

    assert sorted([*first, last]) == jobs
    assert [order["id"] for order in waiting["orders"]] == ["O1"]
    assert (waiting["waiting"], waiting["orders"][0]["gathered"]) == (1, 0)
    assert (one["what"], one["order"]["shelf"], one["order"]["gathered"]) == ("gathered", "P1", 1)
    assert (two["order"]["shelf"], two["order"]["is_complete"]) == ("P1", False)
    (to_come,) = [unit for unit in two["order"]["units"] if "gathered_at" not in unit]
    assert (to_come["job"], to_come["state"]) == (last, "ready")
    assert (early.status_code, early.json()["code"], early.json()["missing"]) == (
        409,
        "boxes_missing",
        [last],
    )
    assert three["order"]["is_complete"] is True
    assert (before["state"], after["state"]) == ("released", "handed_over")
    assert after["handed_over_at"] == done["handed_over_at"] == clock().isoformat()
    assert done["handed_over_by"] == "bench-1"
    assert [event["to"] for event in after["history"]][-2:] == ["on_shelf", "handed_over"]
    assert bench.moves("job", last)[-2:] == ["released", "gathered"]
    assert told(bench) == [("order.handed_over", "O1")]
    assert bench.ask("GET", "/v1/packing").json()["orders"] == []


def test_it_is_said_in_which_load_what_is_missing_is(bench: Bench) -> None:
    here, *others = bench.order(quantity=3)
    boxed(bench, here)
    load = bench.claimed()
    assert sorted(jobs_of(load)) == others

    order = scanned(bench, here).json()["order"]

    elsewhere = [unit for unit in order["units"] if unit["job"] in others]
    assert {unit["load"] for unit in elsewhere} == {load["id"]}
    assert {(unit["load_state"], unit["station"]) for unit in elsewhere} == {("claimed", "s1")}
    assert "load" not in order["units"][0] and "gathered_at" in order["units"][0]


def test_a_box_scanned_twice_changes_nothing(bench: Bench) -> None:
    job, other = bench.order(quantity=2)
    boxed(bench, job, other)
    once = scanned(bench, job).json()
    rows = bench.rows(History)

    again = scanned(bench, job.lower()).json()

    assert (once["what"], again["what"]) == ("gathered", "gathered_before")
    assert again["order"] == once["order"]
    assert len(bench.rows(History)) == len(rows)


def test_an_order_that_was_handed_over_is_not_handed_over_again(bench: Bench, clock: SetClock) -> None:
    (job,) = bench.order()
    boxed(bench, job)
    assert "shelf" not in scanned(bench, job).json()["order"]  # one unit alone needs none
    first = handed_over(bench, "O1").json()
    clock.advance(minutes=1)

    second = handed_over(bench, "O1").json()

    assert second == first
    assert told(bench) == [("order.handed_over", "O1")]


#: What is scanned, the order that is open on the tablet, and what is said of it.
WRONG = (
    ("J1", "O3", "is for order"),
    ("J2", None, "has been handed over"),
    ("J3", None, "is not released yet; it belongs to L1 at s1"),
    ("J5", None, "is not released yet; take it to the bench"),
    ("J6", None, "was cancelled"),
    ("J99", None, "there is no unit J99"),
    ("O2", "O1", "is the packing list of order"),
    ("O99", None, "there is no order O99"),
    ("BIN.A1", None, "belongs elsewhere"),
    ("L1", None, "belongs elsewhere"),
    ("4006381333931", None, "is not a box, a shelf or a packing list"),
    (" ", None, "nothing was read"),
    ("SHELF.P9", "O1", "there is no shelf P9"),
    ("SHELF.P1", None, "scan a box first"),
    ("SHELF.P1", "O2", "has been handed over"),
)


def test_what_does_not_belong_is_refused_and_nothing_changes(bench: Bench) -> None:
    for _ in range(6):  # J1 released, J2 handed over, J3 and J4 in a load, J5 waits, J6 cancelled
        bench.order()
    bench.ask("POST", "/v1/orders/O6/cancel", {}, role="desk", If_Match="*")
    boxed(bench, "J1", "J2")
    scanned(bench, "J2")
    assert handed_over(bench, "O2").status_code == 200
    assert sorted(jobs_of(bench.claimed())) == ["J3", "J4"]
    before = all_rows(bench.database)

    refused = [scanned(bench, code, is_open) for code, is_open, _ in WRONG]

    assert {answer.status_code for answer in refused} == {409}
    assert {answer.json()["code"] for answer in refused} == {"wrong_box", "wrong_shelf"}
    said = [answer.json()["detail"] for answer in refused]
    assert [(what, wrong[0]) for what, wrong in zip(said, WRONG, strict=True) if wrong[2] not in what] == []
    assert all_rows(bench.database) == before


def test_a_shelf_is_one_order_s_until_it_is_handed_over(bench: Bench) -> None:
    boxes = [bench.order(quantity=2) for _ in range(3)]
    boxed(bench, *(job for jobs in boxes for job in jobs))
    given = [scanned(bench, jobs[0]).json()["order"] for jobs in boxes]
    taken = scanned(bench, "SHELF.P1", "O2")
    rack = bench.ask("GET", "/v1/packing").json()["shelves"]
    scanned(bench, boxes[0][1])
    handed_over(bench, "O1")
    then = scanned(bench, boxes[2][1]).json()["order"]
    moved = scanned(bench, "shelf.p1", "O2")

    assert [order.get("shelf") for order in given] == ["P1", "P2", None]
    assert (taken.status_code, taken.json()["code"]) == (409, "wrong_shelf")
    assert rack == [{"shelf": "P1", "order": "O1"}, {"shelf": "P2", "order": "O2"}]
    assert then["shelf"] == "P1"
    assert moved.status_code == 409


def test_an_order_may_stand_on_another_free_shelf(bench: Bench) -> None:
    job, _ = bench.order(quantity=2)
    boxed(bench, job)
    scanned(bench, job)

    moved = scanned(bench, "SHELF.P2", "O1").json()
    again = scanned(bench, "SHELF.P2", "O1").json()

    assert (moved["what"], moved["order"]["shelf"]) == ("shelf", "P2")
    assert again == moved
    shelved = bench.rows(History, History.subject == "order", History.move_to == "on_shelf")
    assert [move.why for move in shelved] == ["P1", "P2"]


def test_only_packers_scan_and_only_the_house_looks(bench: Bench) -> None:
    refused = [scanned(bench, "J1", role=role).status_code for role in ("store", "desk")]
    looked = [bench.ask("GET", "/v1/packing", role=role).status_code for role in ("desk", "bench", "store")]

    assert refused == [403, 403]
    assert looked == [200, 200, 403]


def test_what_leaves_first_stands_first_with_its_cut_off(bench: Bench, clock: SetClock) -> None:
    boxed(bench, *bench.order(due_days=3), *bench.order(due_days=1))

    packing = bench.ask("GET", "/v1/packing").json()

    assert [order["id"] for order in packing["orders"]] == ["O2", "O1"]
    assert packing["next_cutoff"] is not None


def test_a_cut_off_is_a_moment_of_the_shop_s_own_clock() -> None:
    """Europe/Berlin is one hour ahead of UTC in November (IANA tz database): 16:00 there is 15:00 UTC."""
    monday = datetime(2026, 11, 30, 9, 0, tzinfo=UTC)
    shop = replace(a_bench_shop(), policy=Policy(pickups=_PICKUPS, time_zone="Europe/Berlin"))

    pick_ups = PickUps.of(shop, now=monday)

    assert pick_ups.next_after(monday) == datetime(2026, 11, 30, 15, 0, tzinfo=UTC)
    assert pick_ups.next_after(monday.replace(hour=15, minute=1)) == datetime(2026, 12, 1, 15, 0, tzinfo=UTC)
    assert pick_ups.last_before(monday.replace(day=30, hour=14)) == datetime(2026, 11, 24, 15, 0, tzinfo=UTC)
    assert PickUps.of(a_bench_shop(), now=monday).last_before(monday) is None


def test_two_tablets_at_once_gather_a_box_once_and_give_no_shelf_twice(bench: Bench) -> None:
    boxes = [bench.order(quantity=2), bench.order(quantity=2)]
    boxed(bench, *boxes[0], *boxes[1])
    by = By(OPERATOR, bench.clock())
    codes = [boxes[0][0], boxes[0][0], boxes[1][0], boxes[1][0], boxes[0][1], boxes[1][1]]

    def scan(code: str) -> str:
        work = partial(scans.scan, typed=code, is_open=None, shop=bench.shop, by=by)
        return str(bench.database.write(work).what)

    def end(order: str) -> bool:
        return bench.database.write(lambda session: hand_over(session, order, by=by))[1]

    with ThreadPoolExecutor(6) as tablets:
        said = sorted(tablets.map(scan, codes))
        shelves = {order.shelf for order in bench.rows(Order)}
        ended = sorted(tablets.map(end, ["O1", "O1", "O2", "O2"]))

    assert said == ["gathered"] * 4 + ["gathered_before"] * 2
    assert shelves == {"P1", "P2"}
    assert ended == [False, False, True, True]
    assert len(told(bench)) == 2


def test_the_packing_list_shows_each_mark_the_gift_note_and_what_goes_in(bench: Bench) -> None:
    bench.order(quantity=2, faces=("mark_side", "pile_side"))

    def note(session: Session, *, gift: str) -> None:
        order = session.get_one(Order, 1)
        order.gift_note, order.buyer = gift, "Nan Alder"

    bench.database.write(partial(note, gift="Happy birthday, Nan!\nFrom all of us"))

    paper = bench.ask("GET", "/v1/orders/O1/packing-list.pdf").content
    again = bench.ask("GET", "/v1/orders/O1/packing-list.pdf").content
    bench.database.write(partial(note, gift="\u0645\u0628\u0627\u0631\u0643"))
    other = bench.ask("GET", "/v1/orders/O1/packing-list.pdf").content

    (words,) = pdf.words_of(paper)
    for said in ("O1", "Nan Alder", "Happy birthday, Nan!", "From all of us", "Care card", "J1", "J2"):
        assert said in words
    assert again == paper
    assert "read it on the packing page" in pdf.words_of(other)[0]
    squares = [path.box for path in pdf.paths_of(paper)[0] if path.fill == (0, 0, 0)]
    marks = [box for box in squares if box[2] - box[0] == pytest.approx(4 * pdf.MM, abs=0.05)]
    assert len(marks) == 2  # the frozen square of 2 mm at twice its size, once a face


def test_shelves_have_labels_to_scan(bench: Bench) -> None:
    labels = pdf.words_of(bench.ask("GET", "/v1/packing/labels.pdf").content)

    assert ["SHELF.P1" in words for words in labels] == [True, False]
    assert "SHELF.P2" in labels[1]


def test_an_erased_order_can_still_be_handed_over_and_its_list_says_nothing_of_people(bench: Bench) -> None:
    (job,) = bench.order()
    boxed(bench, job)

    def note(session: Session) -> None:
        order = session.get_one(Order, 1)
        order.gift_note, order.buyer = "Happy birthday, Nan!", "Nan Alder"

    bench.database.write(note)
    scanned(bench, job)
    erased = bench.ask("POST", "/v1/orders/O1/erase", {"reason": "asked for"}, role="desk")

    (words,) = pdf.words_of(bench.ask("GET", "/v1/orders/O1/packing-list.pdf").content)
    ended = handed_over(bench, "O1").json()

    assert erased.status_code == 200, erased.text
    assert "Nan" not in words and "were erased" in words and job in words
    assert (ended["state"], ended["has_gift_note"]) == ("handed_over", False)


# --- a hand-over that was a mistake ---


def taken_back(bench: Bench, order: str = "O1", *, role: str = "bench") -> Response:
    return bench.ask("DELETE", f"/v1/orders/{order}/hand-over", role=role)


def gathered_and_handed_over(bench: Bench, *, quantity: int = 2) -> list[str]:
    jobs = bench.order(quantity=quantity)
    boxed(bench, *jobs)
    for job in jobs:
        scanned(bench, job)
    assert handed_over(bench, "O1").status_code == 200
    return jobs


def test_a_hand_over_is_taken_back_until_the_carrier_has_been_here(bench: Bench, clock: SetClock) -> None:
    """Tuesday, 9 o'clock in Berlin; the carrier comes at 16."""
    gathered_and_handed_over(bench)
    clock.advance(hours=6)
    first, second = taken_back(bench, role="desk"), taken_back(bench)
    again = handed_over(bench, "O1")
    clock.advance(hours=2)
    too_late = taken_back(bench)

    assert first.status_code == second.status_code == 200
    body = first.json()
    assert (body["state"], body["shelf"], body["is_complete"]) == ("released", "P1", True)
    assert "handed_over_at" not in body
    assert again.json()["state"] == "handed_over"
    assert (too_late.status_code, too_late.json()["code"]) == (409, "move_not_allowed")
    assert bench.moves("order", "1")[-4:] == [
        "handed_over",
        "hand_over_taken_back",
        "on_shelf",
        "handed_over",
    ]
    events = [event.type for event in bench.rows(Event) if event.type.startswith("order.hand")]
    assert events == ["order.handed_over", "order.hand_over_taken_back", "order.handed_over"]


def test_its_shelf_may_be_taken_meanwhile(bench: Bench) -> None:
    gathered_and_handed_over(bench)
    others = bench.order(quantity=2)
    boxed(bench, *others)
    assert scanned(bench, others[0]).json()["order"]["shelf"] == "P1"

    assert taken_back(bench).json()["shelf"] == "P2"


def test_what_was_not_handed_over_or_is_made_again_is_not_taken_back(bench: Bench) -> None:
    bench.order()
    never = taken_back(bench)
    boxed(bench, "J1")
    scanned(bench, "J1")
    handed_over(bench, "O1")
    wish = {"line_ref": "1", "reason": "damaged", "pays": "carrier", "ship_by": "2030-01-31T16:00:00Z"}
    made = bench.ask("POST", "/v1/orders/O1/remakes", wish, role="desk", Idempotency_Key="once-more")
    remade = taken_back(bench)

    assert made.status_code == 201
    assert [answer.status_code for answer in (never, remade)] == [409, 409]
    assert "is made once more" in remade.json()["detail"]
    assert taken_back(bench, role="store").status_code == 403
    assert taken_back(bench, "O99").status_code == 404


def test_without_a_carrier_it_is_taken_back_on_the_same_day(bench: Bench, clock: SetClock) -> None:
    shop = replace(bench.shop, policy=replace(bench.shop.policy, pickups=None))
    bench.tools.catalogue.put(shop)  # type: ignore[attr-defined]
    gathered_and_handed_over(bench)
    clock.advance(hours=14)
    same_day = taken_back(bench).status_code
    handed_over(bench, "O1")
    clock.advance(hours=2)

    assert (same_day, taken_back(bench).status_code) == (200, 409)
