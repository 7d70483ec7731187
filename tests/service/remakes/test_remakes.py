"""A released unit is made once more, first in the queue, from what was approved; the first one is accounted
for."""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from datetime import timedelta
from functools import partial
from pathlib import Path
from typing import Any

import pytest
from httpx import Response
from sqlalchemy import update
from sqlalchemy.orm import Session

from service.audit.look import one_moment
from service.audit.rules import RULES
from service.records.db import Database
from service.records.tables import Event, FrozenMark, Order, OrderLine, Remake, Stock
from service.records.who import SWEEP, By
from service.stock import reservations
from tests.benches import Bench, a_bench_shop, all_rows, flat_plate, jobs_of
from tests.clocks import SetClock
from tests.counter import Counter, a_key, a_line, an_inscription, an_open_counter, an_order


@pytest.fixture
def bench(database: Database, clock: SetClock, tmp_path: Path) -> Bench:
    return Bench(database, clock, tmp_path)


def released(bench: Bench, *, gathered: bool = False) -> list[str]:
    """The units of one more load, passed and released; `gathered`: their orders are handed over as well."""
    load = bench.passed(bench.burned())
    bench.do(load, "release")
    jobs = jobs_of(load)
    for job in jobs if gathered else ():
        assert bench.ask("POST", "/v1/packing/scan", {"code": job}).status_code == 200
    for order in sorted({bench.job(job).order_id for job in jobs} if gathered else ()):
        assert bench.ask("POST", f"/v1/orders/O{order}/hand-over").status_code == 200
    return jobs


def a_wish(bench: Bench | None = None, **changes: Any) -> dict[str, Any]:
    return {
        "line_ref": "1",
        "reason": "damaged",
        "pays": "carrier",
        "ship_by": "2030-01-31T16:00:00Z",
        **changes,
    }


def remade(
    bench: Bench, order: str = "O1", *, role: str = "desk", key: str | None = None, **changes: Any
) -> Response:
    path = f"/v1/orders/{order}/remakes"
    return bench.ask("POST", path, a_wish(**changes), role=role, Idempotency_Key=key or a_key())


def said(bench: Bench, remake: str, returned: str, bin_name: str | None = None) -> Response:
    body = {"returned": returned, "bin": bin_name} if bin_name else {"returned": returned}
    return bench.ask("POST", f"/v1/remakes/{remake}/returned", body)


def told(bench: Bench, *kinds: str) -> list[tuple[str, str]]:
    return [(event.type, event.data["order"]) for event in bench.rows(Event, Event.type.in_(kinds))]


def boxed(bench: Bench) -> int:
    with bench.database.reading() as session:
        return sum(row.boxed for row in session.query(Stock).where(Stock.sku == "PARER"))


def clean(bench: Bench) -> list[str]:
    """What the audit says of it, but for what the builders of benches leave out of an order."""
    left_out = {"version_missing", "not_told"}
    with one_moment(bench.database.engine) as session:
        return [
            rule.says.format(**found)
            for rule in RULES
            if rule.code not in left_out
            for found in rule.look(session)
        ]


# --- an order that has left ---


def test_what_was_handed_over_is_made_again_by_a_new_order_that_goes_first(
    bench: Bench, clock: SetClock
) -> None:
    (first,) = bench.order(outline=None)
    released(bench, gathered=True)
    bench.order(priority=100)
    clock.advance(minutes=5)

    answer = remade(bench, note="Tip bent in the post.")

    body = answer.json()
    made = bench.job(body["made"]["job"])
    with bench.database.reading() as session:
        marks = session.query(FrozenMark.outline, FrozenMark.digest, FrozenMark.face)
        before, after = (
            [tuple(row) for row in marks.where(FrozenMark.line_id == line)]
            for line in (bench.job(first).line_id, made.line_id)
        )
    order = bench.ask("GET", "/v1/orders/O1", role="store").json()
    assert answer.status_code == 201 and answer.headers["Location"] == "/v1/remakes/R1"
    assert (body["job"], body["returned"], body["note"]) == (first, "awaited", "Tip bent in the post.")
    assert body["made"]["order_ref"] == f"{order['order_ref']}-R1" and body["made"]["order"] != "O1"
    assert (made.state, made.priority, made.replaces, made.blade) == ("ready", 1000, 1, "parer")
    assert before == after and len(after) == 1
    assert order["state"] == "handed_over" and order["history"][-1]["to"] == "remade"
    assert told(bench, "order.remade") == [("order.remade", "O1")]
    assert jobs_of(bench.claimed())[0] == body["made"]["job"]


def test_the_remade_unit_is_packed_and_handed_over_like_any(bench: Bench) -> None:
    bench.order()
    released(bench, gathered=True)
    order = remade(bench).json()["made"]["order"]

    released(bench, gathered=True)

    assert bench.ask("GET", f"/v1/orders/{order}", role="desk").json()["state"] == "handed_over"
    assert told(bench, "order.handed_over") == [("order.handed_over", "O1"), ("order.handed_over", order)]
    assert clean(bench) == []


def test_a_unit_is_made_again_once(bench: Bench) -> None:
    bench.order()
    released(bench, gathered=True)
    key = a_key()
    first = remade(bench, key=key)
    rows = all_rows(bench.database)

    tapped, other = remade(bench, key=key), remade(bench)
    else_said = remade(bench, key=key, reason="lost")

    assert (tapped.status_code, tapped.text) == (201, first.text)
    assert (other.status_code, other.json()["code"], other.json()["remake"]) == (409, "remade_already", "R1")
    assert (else_said.status_code, else_said.json()["code"]) == (422, "idempotency_key_reused")
    assert {name: rows[name] for name in ("job", "orders", "remake", "stock")} == {
        name: all_rows(bench.database)[name] for name in ("job", "orders", "remake", "stock")
    }


def test_of_two_people_who_ask_at_once_one_is_told_that_it_is_done(bench: Bench) -> None:
    bench.order()
    released(bench, gathered=True)

    with ThreadPoolExecutor(2) as two:
        answers = list(two.map(lambda _: remade(bench), range(2)))

    assert sorted(answer.status_code for answer in answers) == [201, 409]
    assert len(bench.rows(Remake)) == 1 and clean(bench) == []


def test_what_was_called_off_may_be_asked_for_again(bench: Bench) -> None:
    bench.order()
    released(bench, gathered=True)
    order = remade(bench).json()["made"]["order"]
    etag = bench.ask("GET", f"/v1/orders/{order}", role="desk").headers["ETag"]
    bench.ask("POST", f"/v1/orders/{order}/cancel", {}, role="desk", If_Match=etag)

    second = remade(bench)

    assert second.status_code == 201 and second.json()["made"]["order_ref"].endswith("-R2")
    assert clean(bench) == []


def test_when_the_first_has_left_it_must_be_said_by_when_the_new_one_shall(bench: Bench) -> None:
    bench.order()
    released(bench, gathered=True)

    answer = remade(bench, ship_by=None)

    assert (answer.status_code, answer.json()["field"]) == (422, "ship_by")
    assert bench.rows(Remake) == []


def test_a_shop_that_can_no_longer_engrave_it_holds_it_and_says_so(bench: Bench) -> None:
    bench.order()
    released(bench, gathered=True)
    other = replace(a_bench_shop(flat_plate()), version="with another plate")
    bench.tools.catalogue.put(other)  # type: ignore[attr-defined]

    body = remade(bench).json()

    order = bench.ask("GET", f"/v1/orders/{body['made']['order']}", role="store").json()
    assert (body["made"]["state"], body["made"]["hold_reason"]) == ("held", "no_place_left")
    assert [finding["code"] for finding in order["lines"][0]["findings"]] == ["no_place_left"]
    assert told(bench, "order.held", "order.accepted") == [("order.held", body["made"]["order"])]
    assert bench.job(body["made"]["job"]).bin is None


# --- an order that has not left ---


def test_what_has_not_left_is_scrapped_and_its_order_waits_for_another(bench: Bench) -> None:
    first, second = bench.order(quantity=2)
    released(bench)
    bench.ask("POST", "/v1/packing/scan", {"code": first})

    body = remade(bench, unit=1, reason="faint_mark", pays="shop").json()
    order = bench.ask("GET", "/v1/orders/O1", role="desk").json()
    at_packing = bench.ask("POST", "/v1/packing/scan", {"code": first})
    early = bench.ask("POST", "/v1/orders/O1/hand-over")

    made = bench.job(body["made"]["job"])
    assert (bench.job(first).state, bench.job(first).gathered_at) == ("scrapped", None)
    assert (body["made"]["order"], made.take, made.replaces, made.state) == ("O1", 2, 1, "ready")
    assert order["state"] == "ready"
    assert (at_packing.status_code, at_packing.json()["code"]) == (409, "wrong_box")
    assert early.json()["code"] == "boxes_missing"
    released(bench, gathered=False)
    for job in (second, body["made"]["job"]):
        bench.ask("POST", "/v1/packing/scan", {"code": job})
    assert bench.ask("POST", "/v1/orders/O1/hand-over").status_code == 200
    assert told(bench, "job.scrapped", "order.remade") == [("job.scrapped", "O1"), ("order.remade", "O1")]
    assert clean(bench) == []


def test_a_unit_may_fail_twice(bench: Bench) -> None:
    bench.order()
    released(bench)
    remade(bench)
    early = remade(bench)
    (second,) = released(bench)

    third = remade(bench)

    assert early.json()["code"] == "remade_already"
    assert (third.status_code, third.json()["job"]) == (201, second)
    assert clean(bench) == []


def test_only_a_released_unit_is_made_again(bench: Bench) -> None:
    bench.order()

    waiting, unknown = remade(bench), remade(bench, unit=2)

    assert (waiting.status_code, waiting.json()["code"]) == (409, "move_not_allowed")
    assert (unknown.status_code, unknown.json()["code"]) == (404, "not_found")


# --- whose it is ---


def test_a_store_asks_for_its_own_alone(bench: Bench) -> None:
    bench.order(client="store-1")
    released(bench, gathered=True)
    bench.order(client="store-2")
    released(bench, gathered=True)

    own, others = remade(bench, "O1", role="store"), remade(bench, "O2", role="store")
    by_desk = remade(bench, "O2")
    seen = bench.ask("GET", "/v1/remakes", role="store").json()["remakes"]
    hidden = bench.ask("GET", "/v1/remakes/R2", role="store")

    assert (own.status_code, others.status_code, by_desk.status_code) == (201, 404, 201)
    assert [remake["id"] for remake in seen] == ["R1"]
    assert hidden.status_code == 404
    assert [order.client for order in bench.rows(Order)] == ["store-1", "store-2", "store-1", "store-2"]
    assert (
        bench.ask("POST", "/v1/remakes/R1/returned", {"returned": "scrapped"}, role="store").status_code
        == 403
    )


def test_a_list_of_remakes_comes_in_pages_and_by_order(bench: Bench) -> None:
    bench.order(quantity=3)
    released(bench, gathered=True)
    for unit in (1, 2, 3):
        remade(bench, unit=unit)

    page = bench.ask("GET", "/v1/remakes?limit=2", role="desk")
    rest = bench.ask("GET", page.headers["Link"].partition(">")[0][1:], role="desk").json()["remakes"]
    of_one = bench.ask("GET", "/v1/remakes?order=O3", role="desk").json()["remakes"]

    assert [remake["id"] for remake in page.json()["remakes"]] == ["R3", "R2"]
    assert [remake["id"] for remake in rest] == ["R1"]
    assert [remake["id"] for remake in of_one] == ["R2"]


# --- what becomes of the first ---


def test_an_engraved_unit_goes_back_to_stock_only_when_it_was_polished(bench: Bench, clock: SetClock) -> None:
    bench.order()
    released(bench, gathered=True)
    remake = remade(bench).json()["id"]
    before = boxed(bench)

    too_soon = said(bench, remake, "stocked")
    is_marked = bench.ask("GET", f"/v1/remakes/{remake}", role="desk").json()["must_be_polished"]
    polishing = said(bench, remake, "polishing").json()
    nowhere = said(bench, remake, "stocked", "Z9")
    done = said(bench, remake, "stocked", "B1")
    once_more = said(bench, remake, "stocked", "B1")
    elsewhere = said(bench, remake, "stocked", "A1")

    assert (too_soon.status_code, too_soon.json()["code"]) == (409, "move_not_allowed")
    assert (is_marked, polishing["must_be_polished"]) == (True, False)
    assert (nowhere.status_code, nowhere.json()["field"]) == (422, "bin")
    assert (done.json()["returned"], done.json()["bin"]) == ("stocked", "B1")
    assert once_more.json() == done.json()
    assert elsewhere.status_code == 409
    assert boxed(bench) == before + 1
    assert bench.moves("remake", "1") == ["awaited", "polishing", "stocked"]
    assert clean(bench) == []


def test_a_unit_that_is_back_in_stock_goes_to_whoever_waits_for_one(bench: Bench) -> None:
    bench.order()
    released(bench, gathered=True)
    bench.database.write(lambda session: session.execute(update(Stock).values(boxed=0)))
    made = remade(bench).json()["made"]
    said(bench, "R1", "polishing")

    said(bench, "R1", "stocked")

    assert made["state"] == "short"
    assert bench.job(made["job"]).state == "ready"


def test_scrap_and_what_does_not_come_back_move_no_stock(bench: Bench) -> None:
    bench.order(quantity=2)
    released(bench, gathered=True)
    for unit in (1, 2):
        remade(bench, unit=unit)
    before = boxed(bench)

    lost, scrap = said(bench, "R1", "not_returned"), said(bench, "R2", "scrapped")
    with_bin = said(bench, "R1", "scrapped", "A1")
    after_all = said(bench, "R1", "polishing")
    risen = said(bench, "R2", "polishing")

    assert [answer.json()["returned"] for answer in (lost, scrap, after_all)] == [
        "not_returned",
        "scrapped",
        "polishing",
    ]
    assert with_bin.status_code == 422 and risen.status_code == 409
    assert boxed(bench) == before


def test_two_people_put_a_returned_unit_into_a_bin_once(bench: Bench) -> None:
    bench.order()
    released(bench, gathered=True)
    remade(bench)
    said(bench, "R1", "polishing")
    before = boxed(bench)

    with ThreadPoolExecutor(2) as two:
        answers = list(two.map(partial(said, bench, "R1"), ["stocked"] * 2))

    assert [answer.status_code for answer in answers] == [200, 200]
    assert boxed(bench) == before + 1


# --- counted ---


def test_what_was_spoiled_is_counted_with_why(bench: Bench, clock: SetClock) -> None:
    bench.order(quantity=3)
    load = bench.burned()
    one, two, three = jobs_of(load)
    verdicts = {one: {"result": "scrap", "reason": "faint mark: at the tip"}, two: {"result": "pass"}}
    load = bench.do(load, "inspect", {"jobs": {**verdicts, three: {"result": "pass"}}})
    bench.do(load, "release")
    remade(bench, unit=2, reason="faint_mark")
    day = clock().date()

    answer = bench.ask("GET", f"/v1/spoiled?from={day}&to={day}", role="desk").json()
    file = bench.ask("GET", f"/v1/spoiled.csv?from={day}&to={day}", role="owner")
    known = bench.ask(
        "GET",
        f"/v1/spoiled.csv?from={day}&to={day}",
        role="owner",
        If_None_Match=file.headers["ETag"],
    )
    earlier = day - timedelta(days=2)
    nothing = bench.ask("GET", f"/v1/spoiled?from={earlier}&to={earlier}", role="desk").json()

    assert (answer["scrapped"], answer["remade"]) == (1, 1)
    assert (known.status_code, known.content) == (304, b"")
    assert [tuple(count.values()) for count in answer["counts"]] == [
        ("product", "PARER", "faint mark", 1, 0),
        ("product", "PARER", "faint_mark", 0, 1),
        ("font", "", "faint mark", 1, 0),
        ("font", "", "faint_mark", 0, 1),
        ("process", "satin-s1", "faint mark", 1, 0),
        ("process", "satin-s1", "faint_mark", 0, 1),
        ("station", "s1", "faint mark", 1, 0),
        ("station", "s1", "faint_mark", 0, 1),
        ("operator", "Operator One", "faint mark", 1, 0),
        ("operator", "Operator One", "faint_mark", 0, 1),
    ]
    assert file.text.splitlines()[:2] == [
        '"by","name","reason","scrapped","remade"',
        '"product","PARER","faint mark",1,0',
    ]
    assert (nothing["scrapped"], nothing["remade"], nothing["counts"]) == (0, 0, [])
    assert bench.ask("GET", f"/v1/spoiled?from={day}&to={earlier}", role="desk").status_code == 422


# --- with words ---


@pytest.fixture
def counter(database: Database, clock: SetClock, tmp_path: Path) -> Iterator[Counter]:
    with an_open_counter(database, clock, tmp_path) as counter:
        yield counter


def has_left(counter: Counter, order: str, *, gone: bool = True) -> None:
    """The order as its rows are when it has been engraved, without a bench."""
    number = int(order[1:])

    def work(session: Session) -> None:
        row = session.get_one(Order, number)
        for job in (job for line in row.lines for job in line.jobs):
            if job.bin is not None:
                reservations.take_out(session, [job], by=By(SWEEP, counter.tools.clock()))
            job.state, job.unit_in_hand, job.faces_done = "released", False, list(job.faces)
            if gone:
                job.gathered_at = counter.tools.clock()
        if gone:
            row.handed_over_at, row.handed_over_by = counter.tools.clock(), "packing"

    counter.tools.database.write(work)


def asked_again(counter: Counter, order: str, *, role: str = "desk", **changes: Any) -> Response:
    return counter.ask(
        role, "POST", f"/v1/orders/{order}/remakes", a_wish(**changes), Idempotency_Key=a_key()
    )


def test_other_words_are_checked_and_shown_to_the_buyer_first_where_the_order_asks_for_that(
    counter: Counter,
) -> None:
    order = counter.post_order(an_order(proof="buyer", buyer={"name": "Nan"})).json()["id"]
    has_left(counter, order)

    other = asked_again(counter, order, reason="buyers_words", inscriptions=[an_inscription(text="Plot 7")])
    made = counter.ask("desk", "GET", f"/v1/orders/{other.json()['made']['order']}").json()

    assert other.status_code == 201 and other.json()["is_reworded"] is True
    assert [hold["reason"] for hold in made["lines"][0]["holds"]] == ["buyer_approval"]
    assert made["lines"][0]["inscriptions"][0]["text"] == "Plot 7" and made["buyer"] == {"name": "Nan"}


def test_the_same_words_need_no_second_yes(counter: Counter) -> None:
    body = an_order(proof="buyer")
    order = counter.post_order(body).json()
    at = f"/v1/orders/{order['id']}"
    etag = counter.ask("desk", "GET", at).headers["ETag"]
    yes = {"by": "buyer", "said_by": "Nan, by telephone"}
    approved = counter.ask("desk", "POST", f"{at}/approve", yes, If_Match=etag)
    has_left(counter, order["id"])

    remake = asked_again(counter, order["id"]).json()

    made = counter.ask("desk", "GET", f"/v1/orders/{remake['made']['order']}").json()
    assert approved.json()["state"] == "ready"
    assert (made["state"], made["proof"], made["lines"][0]["holds"]) == ("ready", "buyer", [])
    assert made["lines"][0]["checked"] == order["lines"][0]["checked"]


def test_other_words_of_what_has_not_left_are_words_of_its_line(counter: Counter) -> None:
    alone = counter.post_order(an_order()).json()["id"]
    two = counter.post_order(an_order(lines=[a_line(quantity=2)])).json()["id"]
    for order in (alone, two):
        has_left(counter, order, gone=False)
    words = [an_inscription(text="Plot 7")]

    done = asked_again(counter, alone, inscriptions=words)
    refused = asked_again(counter, two, inscriptions=words)

    line = counter.ask("desk", "GET", f"/v1/orders/{alone}").json()["lines"][0]
    assert done.status_code == 201 and line["inscriptions"][0]["text"] == "Plot 7"
    assert [job["state"] for job in line["jobs"]] == ["scrapped", "ready"]
    assert (refused.status_code, refused.json()["code"]) == (409, "move_not_allowed")
    assert counter.ask("desk", "GET", f"/v1/orders/{two}").json()["state"] == "released"


def test_words_that_were_erased_are_not_engraved_again(counter: Counter) -> None:
    order = counter.post_order(an_order()).json()["id"]
    has_left(counter, order)
    counter.ask("desk", "POST", f"/v1/orders/{order}/erase", {"reason": "asked for"})

    remake = asked_again(counter, order)
    same = counter.post_order(an_order(lines=[same_line(order)]))

    for answer in (remake, same):
        assert (answer.status_code, answer.json()["code"]) == (409, "words_erased")


def test_a_note_and_the_kept_answer_of_a_remake_are_erased_with_its_order(counter: Counter) -> None:
    order = counter.post_order(an_order()).json()["id"]
    has_left(counter, order)
    asked_again(counter, order, note="Quillfeather rang")
    exported = counter.ask("desk", "GET", f"/v1/orders/{order}/export").text

    counter.ask("desk", "POST", f"/v1/orders/{order}/erase", {"reason": "asked for"})

    assert "Quillfeather" in exported
    assert "Quillfeather" not in str(all_rows(counter.tools.database))


# --- the same again, as a new order ---


def same_line(order: str, **changes: Any) -> dict[str, Any]:
    line = a_line(line_ref="9", same_as={"order": order, "line_ref": "1"}, **changes)
    del line["inscriptions"]
    return line


def outlines(counter: Counter, order: str) -> list[Any]:
    with counter.tools.database.reading() as session:
        lines = session.query(OrderLine.id).where(OrderLine.order_id == int(order[1:]))
        found = session.query(FrozenMark.outline, FrozenMark.digest).where(FrozenMark.line_id.in_(lines))
        return [tuple(row) for row in found]


def test_the_same_again_takes_the_outline_over(counter: Counter) -> None:
    first = counter.post_order(an_order()).json()
    key, body = a_key(), an_order(lines=[same_line(first["id"], quantity=2)])

    second = counter.post_order(body, key=key)
    again = counter.post_order(body, key=key)

    order = second.json()
    assert second.status_code == 201 and again.text == second.text
    assert outlines(counter, order["id"]) == outlines(counter, first["id"]) != []
    for name in ("inscriptions", "checked", "findings", "verdict", "burn_seconds"):
        assert order["lines"][0][name] == first["lines"][0][name]
    assert [job["state"] for job in order["lines"][0]["jobs"]] == ["ready", "ready"]
    assert order["promise"].keys() == first["promise"].keys()


def test_where_the_outline_can_no_longer_be_burned_the_words_are_checked_anew(counter: Counter) -> None:
    first = counter.post_order(an_order()).json()["id"]

    def nowhere(session: Session) -> None:
        session.execute(update(OrderLine).values(eligible=[]))

    counter.tools.database.write(nowhere)

    order = counter.post_order(an_order(lines=[same_line(first)])).json()

    line = order["lines"][0]
    assert (line["inscriptions"][0]["text"], line["state"]) == ("Allotment 7", "ready")
    with counter.tools.database.reading() as session:
        assert session.get_one(OrderLine, 2).eligible != []


def test_words_that_were_one_of_a_set_keep_their_height(counter: Counter) -> None:
    long = an_inscription(text="Allotment seventeen", height_mm=None)
    short = an_inscription(text="Ada", height_mm=None, same_size_as="1")
    lines = [a_line(inscriptions=[long]), a_line(line_ref="2", inscriptions=[short])]
    first = counter.post_order(an_order(lines=lines)).json()
    line = same_line(first["id"])
    line["same_as"]["line_ref"] = "2"

    order = counter.post_order(an_order(lines=[line])).json()

    before, after = first["lines"][1], order["lines"][0]
    assert after["checked"] == before["checked"]
    assert "same_size_as" not in after["inscriptions"][0]
    assert after["inscriptions"][0]["height_mm"] == before["checked"][0]["height_mm"]


@pytest.mark.parametrize(
    ("change", "field"),
    [
        ({"same_as": {"order": "O99", "line_ref": "1"}}, "lines.same_as"),
        ({"same_as": {"order": "O1", "line_ref": "nope"}}, "lines.same_as"),
        ({"sku": "AQ-PARE-9"}, "lines.same_as"),
    ],
)
def test_what_is_not_there_can_not_be_ordered_again(
    counter: Counter, change: dict[str, Any], field: str
) -> None:
    counter.post_order(an_order())

    answer = counter.post_order(an_order(lines=[same_line("O1") | change]))

    assert (answer.status_code, answer.json()["field"]) == (422, field)


def test_a_line_says_its_words_once(counter: Counter) -> None:
    both = a_line(same_as={"order": "O1", "line_ref": "1"})
    neither = a_line()
    del neither["inscriptions"]

    answers = [counter.post_order(an_order(lines=[line])) for line in (both, neither)]

    assert [answer.json()["code"] for answer in answers] == ["invalid_request"] * 2


def test_another_stores_words_can_not_be_ordered_again(counter: Counter) -> None:
    counter.post_order(an_order(), role="desk")

    answer = counter.post_order(an_order(lines=[same_line("O1")]), role="store")

    assert (answer.status_code, answer.json()["field"]) == (422, "lines.same_as")
