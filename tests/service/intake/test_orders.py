"""Orders over HTTP: taken once, held instead of dropped, amended, approved, cancelled."""

from __future__ import annotations

import threading
from collections import Counter as Counts
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import event, func, select, update
from sqlalchemy.orm import Session

from layout.shop.outline import Outline
from service.intake.take_order import order_fingerprint
from service.records.db import Database
from service.records.moves import move_job
from service.records.states import JobState
from service.records.tables import FrozenMark, IdempotentRequest, Job, Order, Outbox, Stock
from service.records.who import SWEEP, By
from service.requests import idempotency, idempotency_rows
from service.requests.order_in import OrderIn
from tests.clocks import SetClock
from tests.counter import Counter, a_key, a_line, an_inscription, an_open_counter, an_order


@pytest.fixture
def counter(database: Database, clock: SetClock, tmp_path: Path) -> Iterator[Counter]:
    with an_open_counter(database, clock, tmp_path) as opened:
        yield opened


def _count(counter: Counter, model: type[Any]) -> int:
    with counter.tools.database.reading() as session:
        return session.scalar(select(func.count()).select_from(model)) or 0


def test_an_order_line_of_quantity_three_is_three_jobs_with_a_unit_reserved_each(counter: Counter) -> None:
    body = an_order(lines=[a_line(quantity=3)])

    answer = counter.post_order(body)

    assert answer.status_code == 201
    assert [job["state"] for job in answer.json()["lines"][0]["jobs"]] == ["ready"] * 3
    reserved = sum(row["reserved"] for row in counter.ask("desk", "GET", "/v1/stock").json()["stock"])
    assert reserved == 3


def test_an_order_of_ninety_units_asks_no_more_of_the_database_than_one_of_one(
    database: Database, clock: SetClock, tmp_path: Path
) -> None:
    """But for rows that are written: meanwhile others wait for the stock, on SQLite for everything."""
    asked: list[str] = []

    def note(_: Any, __: Any, statement: str, *___: Any) -> None:
        asked.append(statement)

    counts = []
    with an_open_counter(database, clock, tmp_path, boxed=200) as counter:
        event.listen(database.engine, "before_cursor_execute", note)
        try:
            for units in (1, 90):
                asked.clear()
                answer = counter.post_order(an_order(lines=[a_line(quantity=units)])).json()
                assert answer["state"] == "ready"
                counts.append(sum(not statement.startswith("INSERT") for statement in asked))
        finally:
            event.remove(database.engine, "before_cursor_execute", note)

    assert counts[1] <= counts[0] + 2


def test_the_same_key_and_body_get_the_same_bytes_and_no_second_order(counter: Counter) -> None:
    body, key = an_order(), a_key()
    first = counter.post_order(body, key=key)

    second = counter.post_order(body, key=f'"{key}"')

    assert second.content == first.content
    assert second.headers["Idempotency-Replayed"] == "true"
    assert _count(counter, Order) == 1


def test_the_same_key_with_another_body_is_refused(counter: Counter) -> None:
    key = a_key()
    counter.post_order(an_order(), key=key)

    answer = counter.post_order(an_order(), key=key)

    assert (answer.status_code, answer.json()["code"]) == (422, "idempotency_key_reused")


def test_the_same_key_of_another_store_is_another_order(counter: Counter) -> None:
    body, key = an_order(), a_key()
    counter.post_order(body, key=key)

    answer = counter.post_order(body, key=key, role="other_store")

    assert answer.status_code == 201
    assert _count(counter, Order) == 2


def _check_that_waits(counter: Counter) -> tuple[threading.Event, threading.Event]:
    """Checks that say when they have begun, and go on when they are told to."""
    inside, go_on = threading.Event(), threading.Event()
    check = counter.tools.geometry.check

    def slow_check(*given: Any, **named: Any) -> Any:
        inside.set()
        assert go_on.wait(20)
        return check(*given, **named)

    counter.tools.geometry.check = slow_check  # type: ignore[method-assign]
    return inside, go_on


def test_a_key_in_flight_is_a_conflict_that_says_when_to_ask_again(counter: Counter) -> None:
    inside, go_on = _check_that_waits(counter)
    body, key = an_order(), a_key()
    with ThreadPoolExecutor(1) as pool:
        first = pool.submit(counter.post_order, body, key=key)
        assert inside.wait(20)

        second = counter.post_order(body, key=key)
        go_on.set()

        assert (second.status_code, second.json()["code"]) == (409, "request_in_flight")
        assert second.headers["Retry-After"] == "6"
        assert first.result().status_code == 201


def test_a_claim_is_kept_while_its_owner_works_however_long(
    counter: Counter, clock: SetClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(idempotency, "_RENEW_SECONDS", 0.01)
    inside, go_on = _check_that_waits(counter)
    body, key = an_order(), a_key()
    with ThreadPoolExecutor(1) as pool:
        first = pool.submit(counter.post_order, body, key=key)
        assert inside.wait(20)
        meanwhile = []
        for _ in range(5):  # twenty seconds of work under a claim of six
            clock.advance(seconds=4)
            _until(lambda: _claimed_until(counter, key) == clock() + idempotency.CLAIM_LASTS)
            meanwhile.append(counter.post_order(body, key=key).status_code)
        go_on.set()

        assert first.result().status_code == 201
    assert meanwhile == [409] * 5
    assert _count(counter, Order) == 1
    assert counter.post_order(body, key=key).headers["Idempotency-Replayed"] == "true"


def _until(is_so: Callable[[], bool]) -> None:
    for _ in range(2_000):
        if is_so():
            return
        threading.Event().wait(0.005)
    raise AssertionError("it never came to that")


def _claimed_until(counter: Counter, key: str) -> datetime:
    with counter.tools.database.reading() as session:
        return session.scalars(
            select(IdempotentRequest.claimed_until).where(IdempotentRequest.key == key)
        ).one()


def _a_dead_claim(counter: Counter, body: dict[str, Any], key: str, *, now: datetime) -> None:
    """What an owner leaves that was killed in the middle of an order."""
    counter.tools.database.write(
        lambda session: idempotency_rows.insert(
            session,
            client="store-1",
            route="POST /v1/orders",
            key=key,
            now=now,
            claimed_until=now + idempotency.CLAIM_LASTS,
            fingerprint=order_fingerprint(OrderIn.model_validate(body)),
        )
    )


def test_a_claim_whose_owner_was_killed_is_taken_over_when_its_answer_says(
    counter: Counter, clock: SetClock
) -> None:
    body, key = an_order(), a_key()
    _a_dead_claim(counter, body, key, now=clock())
    clock.advance(seconds=2)

    told = counter.post_order(body, key=key)
    clock.advance(seconds=int(told.headers["Retry-After"]))
    answer = counter.post_order(body, key=key)

    assert (told.status_code, told.headers["Retry-After"]) == (409, "4")
    assert answer.status_code == 201


def test_an_owner_whose_claim_was_taken_over_while_he_stood_still_answers_nothing(
    counter: Counter, clock: SetClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    """His process slept past its claim, and so renewed nothing; both then work at the same order."""
    monkeypatch.setattr(idempotency._Kept, "renew", lambda _: None)
    check = counter.tools.geometry.check
    inside = [threading.Event(), threading.Event()]
    go_on = [threading.Event(), threading.Event()]
    arrivals = iter([0, 1])

    def slow_check(*given: Any, **named: Any) -> Any:
        number = next(arrivals)
        inside[number].set()
        assert go_on[number].wait(60)
        return check(*given, **named)

    counter.tools.geometry.check = slow_check  # type: ignore[method-assign]
    body, key = an_order(), a_key()
    with ThreadPoolExecutor(2) as pool:
        sleeper = pool.submit(counter.post_order, body, key=key)
        assert inside[0].wait(60)
        clock.advance(seconds=7)
        second = pool.submit(counter.post_order, body, key=key)
        assert inside[1].wait(60)
        go_on[0].set()
        late = sleeper.result()
        go_on[1].set()

        assert (late.status_code, late.json()["code"]) == (409, "request_in_flight")
        assert second.result().status_code == 201
    assert _count(counter, Order) == 1
    assert counter.post_order(body, key=key).content == second.result().content


def test_a_claim_made_before_the_clock_was_set_back_binds_nobody(counter: Counter, clock: SetClock) -> None:
    body, key = an_order(), a_key()
    _a_dead_claim(counter, body, key, now=clock() + timedelta(seconds=600))

    answer = counter.post_order(body, key=key)

    assert answer.status_code == 201


def test_an_order_ref_posted_again_under_another_key_names_the_order_that_exists(counter: Counter) -> None:
    body = an_order()
    first = counter.post_order(body).json()

    answer = counter.post_order(body)

    assert (answer.status_code, answer.json()["code"]) == (409, "order_ref_taken")
    assert answer.json()["order"] == first["id"]


def test_one_order_ref_under_many_keys_at_once_is_one_order(counter: Counter) -> None:
    body = an_order()

    with ThreadPoolExecutor(8) as pool:
        answers = list(pool.map(lambda _: counter.post_order(body), range(8)))

    assert sorted(answer.status_code for answer in answers) == [201] + [409] * 7
    assert {a.json()["code"] for a in answers if a.status_code == 409} == {"order_ref_taken"}
    assert _count(counter, Order) == 1


def test_an_answer_lost_between_commit_and_client_is_replayed(counter: Counter) -> None:
    body, key = an_order(), a_key()

    def losing_the_answer(write: Callable[[Any], Any]) -> Callable[[Any], Any]:
        def lose(work: Any) -> Any:
            result = write(work)
            if getattr(result, "status", None) == 201:
                raise ConnectionError("cut off after the commit")
            return result

        return lose

    with pytest.MonkeyPatch.context() as patch:
        for name in ("write", "write_singly"):
            cut_off = losing_the_answer(getattr(counter.tools.database, name))
            patch.setattr(counter.tools.database, name, cut_off)
        lost = counter.post_order(body, key=key)

    again = counter.post_order(body, key=key)

    assert lost.status_code == 500
    assert (again.status_code, again.headers["Idempotency-Replayed"]) == (201, "true")
    assert _count(counter, Order) == 1


def test_a_check_that_breaks_holds_the_order_instead_of_losing_it(counter: Counter) -> None:
    check = counter.tools.geometry.check

    def broken_check(*_: Any, **__: Any) -> Any:
        raise ArithmeticError("a fault of the geometry")

    counter.tools.geometry.check = broken_check  # type: ignore[method-assign]
    order = counter.post_order(an_order())
    counter.tools.geometry.check = check  # type: ignore[method-assign]

    assert order.status_code == 201
    assert order.json()["lines"][0]["findings"][0]["code"] == "not_checked"
    amended = counter.ask(
        "desk",
        "PATCH",
        f"{order.headers['Location']}/lines/1",
        {"inscriptions": [an_inscription()]},
        If_Match=order.headers["ETag"],
    )
    assert amended.json()["state"] == "ready"


def _into_a_load(counter: Counter, order: dict[str, Any]) -> None:
    """The move alone: what a load does besides is another test's business."""
    job_id = int(order["lines"][0]["jobs"][0]["id"][1:])

    def work(session: Any) -> None:
        job = session.get(Job, job_id)
        move_job(session, job, JobState.LOADED, by=By(SWEEP, counter.tools.clock()), why="test")

    counter.tools.database.write(work)


def test_approving_an_order_leaves_a_loaded_job_where_it_is(counter: Counter) -> None:
    order = counter.post_order(an_order())
    _into_a_load(counter, order.json())

    counter.ask("desk", "POST", f"{order.headers['Location']}/approve", {}, If_Match="*")

    assert counter.ask("desk", "GET", order.headers["Location"]).json()["state"] == "loaded"


def test_words_of_a_loaded_job_can_not_change(counter: Counter) -> None:
    order = counter.post_order(an_order())
    _into_a_load(counter, order.json())

    answer = counter.ask(
        "desk",
        "PATCH",
        f"{order.headers['Location']}/lines/1",
        {"inscriptions": [an_inscription()]},
        If_Match="*",
    )

    assert (answer.status_code, answer.json()["code"]) == (409, "move_not_allowed")


@pytest.mark.parametrize("what", ["amended", "cancelled"])
def test_a_half_engraved_unit_keeps_its_words_although_it_waits_in_the_queue(
    counter: Counter, what: str
) -> None:
    """Between two visits a unit is ready like any other, but one of its faces is on the metal."""
    order = counter.post_order(an_order(lines=[a_line(quantity=2)]))
    path, body = order.headers["Location"], {"inscriptions": [an_inscription(text="Plot 8")]}

    def engrave_a_face(session: Any) -> None:
        job = session.scalars(select(Job).order_by(Job.id)).first()
        job.faces_done = [job.faces[0]]

    counter.tools.database.write(engrave_a_face)
    if what == "amended":
        answer = counter.ask("desk", "PATCH", f"{path}/lines/1", body, If_Match="*")
    else:
        answer = counter.ask("desk", "POST", f"{path}/cancel", {}, If_Match="*")

    now = counter.ask("desk", "GET", path).json()
    assert (answer.status_code, answer.json()["code"]) == (409, "move_not_allowed")
    assert "half engraved" in answer.json()["detail"]
    assert now["lines"][0]["inscriptions"] == order.json()["lines"][0]["inscriptions"]
    assert [job["state"] for job in now["lines"][0]["jobs"]] == ["ready", "ready"]


def test_an_order_cancelled_once_can_not_be_cancelled_again(counter: Counter) -> None:
    path = counter.post_order(an_order()).headers["Location"]
    counter.ask("desk", "POST", f"{path}/cancel", {}, If_Match="*")

    again = counter.ask("desk", "POST", f"{path}/cancel", {}, If_Match="*")

    assert (again.status_code, again.json()["code"]) == (409, "move_not_allowed")


def test_a_count_by_somebody_who_saw_an_older_bin_is_stale(counter: Counter) -> None:
    row = counter.ask("desk", "GET", "/v1/stock").json()["stock"][0]
    count = {"bin": row["bin"], "sku": row["sku"], "boxed": 3, "version": row["version"]}
    counter.ask("desk", "PUT", "/v1/stock", {"counts": [count]})

    answer = counter.ask("desk", "PUT", "/v1/stock", {"counts": [count]})

    assert (answer.status_code, answer.json()["code"]) == (412, "stale_version")


def test_64_callers_with_20_keys_make_20_orders(counter: Counter) -> None:
    bodies = [(a_key(), an_order()) for _ in range(20)]

    def post(number: int) -> int:
        key, body = bodies[number % len(bodies)]
        return counter.post_order(body, key=key).status_code

    with ThreadPoolExecutor(64) as pool:
        statuses = list(pool.map(post, range(128)))

    assert set(statuses) <= {201, 409}
    assert _count(counter, Order) == len(bodies)


def test_what_can_not_be_engraved_is_held_with_its_findings(counter: Counter) -> None:
    lines = [a_line(), a_line(line_ref="2", inscriptions=[an_inscription(text="pear 梨")])]

    answer = counter.post_order(an_order(lines=lines)).json()

    assert answer["state"] == "held"
    assert [line["state"] for line in answer["lines"]] == ["ready", "held"]
    assert answer["lines"][1]["hold_reason"] == "findings"
    assert answer["lines"][1]["findings"][0]["code"] == "missing_glyph"


def test_a_store_may_ask_for_refusal_instead_of_hold_and_then_nothing_is_stored(counter: Counter) -> None:
    body = an_order(if_unengravable="refuse", lines=[a_line(sku="AQ-NO-SUCH")])

    answer = counter.post_order(body)

    assert (answer.status_code, answer.json()["code"]) == (422, "unengravable")
    assert answer.json()["lines"][0]["findings"][0]["code"] == "unknown_product"
    assert _count(counter, Order) == 0
    assert counter.post_order({**body, "lines": [a_line()]}).status_code == 201


@pytest.mark.parametrize(
    ("change", "code"),
    [
        ({"sku": "AQ-NO-SUCH"}, "unknown_product"),
        ({"inscriptions": [an_inscription(zone="nowhere")]}, "unknown_zone"),
        ({"inscriptions": [an_inscription(font="nofont")]}, "unknown_font"),
    ],
)
def test_unknown_names_are_held_not_refused(counter: Counter, change: dict[str, Any], code: str) -> None:
    answer = counter.post_order(an_order(lines=[a_line(**change)]))

    assert answer.status_code == 201
    assert code in {finding["code"] for finding in answer.json()["lines"][0]["findings"]}
    assert answer.json()["state"] == "held"


def test_a_ship_by_in_the_past_is_held_for_the_desk(counter: Counter) -> None:
    answer = counter.post_order(an_order(ship_by="2026-01-01T00:00:00Z")).json()

    assert answer["lines"][0]["hold_reason"] == "ship_by_past"


def test_a_buyer_s_approval_is_void_when_the_words_change(counter: Counter) -> None:
    order = counter.post_order(an_order(proof="buyer"))
    assert order.json()["lines"][0]["hold_reason"] == "buyer_approval"
    path = order.headers["Location"]
    said = {"by": "buyer", "said_by": "Mrs Hale, by telephone"}
    approved = counter.ask("desk", "POST", f"{path}/approve", said, If_Match=order.headers["ETag"])
    assert approved.json()["state"] == "ready"

    amended = counter.ask(
        "desk",
        "PATCH",
        f"{path}/lines/1",
        {"inscriptions": [an_inscription(text="Plot 8")]},
        If_Match=approved.headers["ETag"],
    )

    assert amended.json()["state"] == "held"
    assert amended.json()["lines"][0]["hold_reason"] == "buyer_approval"


def test_a_held_line_is_put_right_by_other_words(counter: Counter) -> None:
    order = counter.post_order(an_order(lines=[a_line(inscriptions=[an_inscription(text=" ")])]))
    path = order.headers["Location"]

    amended = counter.ask(
        "desk",
        "PATCH",
        f"{path}/lines/1",
        {"inscriptions": [an_inscription()]},
        If_Match=order.headers["ETag"],
    )

    assert amended.status_code == 200
    assert amended.json()["state"] == "ready"


def test_changes_need_the_version_that_the_caller_saw(counter: Counter) -> None:
    order = counter.post_order(an_order())
    path = order.headers["Location"]

    missing = counter.ask("desk", "POST", f"{path}/cancel", {})
    stale = counter.ask("desk", "POST", f"{path}/cancel", {}, If_Match='"0.0"')

    assert (missing.status_code, missing.json()["code"]) == (428, "if_match_missing")
    assert (stale.status_code, stale.json()["code"]) == (412, "stale_version")


def test_a_cancelled_order_gives_its_units_to_those_who_wait(counter: Counter) -> None:
    counter.ask("desk", "PUT", "/v1/stock", {"counts": _counts(counter, "AQ-HORI-18", 0)})
    counter.ask("desk", "PUT", "/v1/stock", {"counts": _counts(counter, "AQ-HORI-18", 1)[:1]})
    first, second = counter.post_order(an_order()), counter.post_order(an_order())
    assert [first.json()["state"], second.json()["state"]] == ["ready", "short"]

    counter.ask("desk", "POST", f"{first.headers['Location']}/cancel", {}, If_Match=first.headers["ETag"])

    assert counter.ask("store", "GET", second.headers["Location"]).json()["state"] == "ready"


def test_a_short_job_becomes_ready_when_stock_arrives(counter: Counter) -> None:
    counter.ask("desk", "PUT", "/v1/stock", {"counts": _counts(counter, "AQ-HORI-18", 0)})
    order = counter.post_order(an_order())
    assert order.json()["state"] == "short"

    counter.ask("desk", "PUT", "/v1/stock", {"counts": _counts(counter, "AQ-HORI-18", 2)})

    assert counter.ask("store", "GET", order.headers["Location"]).json()["state"] == "ready"


def test_fewer_units_counted_than_reserved_leaves_the_least_urgent_short(counter: Counter) -> None:
    counts = _counts(counter, "AQ-HORI-18", 0)
    counter.ask("desk", "PUT", "/v1/stock", {"counts": counts})
    counter.ask("desk", "PUT", "/v1/stock", {"counts": [{**counts[0], "boxed": 2}]})
    urgent = counter.post_order(an_order(ship_by="2026-11-26T12:00:00Z"))
    later = counter.post_order(an_order(ship_by="2026-12-20T12:00:00Z"))

    counter.ask("desk", "PUT", "/v1/stock", {"counts": [{**counts[0], "boxed": 1}]})

    assert counter.ask("store", "GET", urgent.headers["Location"]).json()["state"] == "ready"
    assert counter.ask("store", "GET", later.headers["Location"]).json()["state"] == "short"


def _counts(counter: Counter, sku: str, boxed: int) -> list[dict[str, Any]]:
    rows = counter.ask("desk", "GET", "/v1/stock").json()["stock"]
    return [{"bin": row["bin"], "sku": sku, "boxed": boxed} for row in rows if row["sku"] == sku]


def test_a_store_sees_its_own_orders_only(counter: Counter) -> None:
    order = counter.post_order(an_order())

    hidden = counter.ask("other_store", "GET", order.headers["Location"])
    listed = counter.ask("other_store", "GET", "/v1/orders")
    job = counter.ask("other_store", "GET", f"/v1/jobs/{order.json()['lines'][0]['jobs'][0]['id']}")

    assert (hidden.status_code, job.status_code) == (404, 404)
    assert listed.json()["orders"] == []


def test_pages_of_orders_skip_none_and_repeat_none(counter: Counter) -> None:
    posted = {counter.post_order(an_order()).json()["id"] for _ in range(5)}
    seen: list[str] = []
    path = "/v1/orders?limit=2"

    while path:
        answer = counter.ask("desk", "GET", path)
        seen += [order["id"] for order in answer.json()["orders"]]
        link = answer.headers.get("Link")
        path = link[1 : link.index(">")] if link else ""

    assert len(seen) == len(set(seen))
    assert set(seen) == posted


def test_the_proof_of_an_order_shows_the_frozen_outlines(counter: Counter) -> None:
    order = counter.post_order(an_order())

    svg = counter.ask("store", "GET", f"{order.headers['Location']}/proof.svg")
    png = counter.ask("store", "GET", f"{order.headers['Location']}/proof.png")

    assert svg.headers["Content-Type"].startswith("image/svg+xml")
    assert png.content.startswith(b"\x89PNG")


def test_every_job_has_its_history_from_the_first_moment(counter: Counter) -> None:
    order = counter.post_order(an_order())

    job = counter.ask("store", "GET", f"/v1/jobs/{order.json()['lines'][0]['jobs'][0]['id']}").json()

    assert [move["to"] for move in job["history"]] == ["ready"]


def test_nothing_is_published_inside_a_request(counter: Counter) -> None:
    counter.post_order(an_order())

    assert _count(counter, Job) == 1
    with counter.tools.database.reading() as session:
        assert all(row.sent_at is None for row in session.scalars(select(Outbox)))


def test_the_bench_reads_the_lines_that_were_frozen_however_the_form_sent_them(counter: Counter) -> None:
    typed = an_inscription(zone="ricasso", text="Happy 40th\r\n Beatriz ")
    line = counter.post_order(an_order(lines=[a_line(inscriptions=[typed])])).json()["lines"][0]

    load = counter.ask("bench", "POST", "/v1/loads/next", {"station": "north", "operator": "Ines"}).json()

    assert (line["verdict"], line["checked"][0]["lines"]) == ("accept", ["Happy 40th", "Beatriz"])
    assert [slot["texts"] for slot in load["turns"][0]["slots"]] == [["Happy 40th\nBeatriz"]]


def a_named_line(ref: str, name: str, like: str | None = None, **changes: Any) -> dict[str, Any]:
    asked = {"zone": "ricasso", "text": name, "font": "lato-bold", **changes}
    return a_line(line_ref=ref, inscriptions=[asked | ({"same_size_as": like} if like else {})])


def _heights(lines: list[dict[str, Any]]) -> list[float]:
    return [line["checked"][0]["height_mm"] for line in lines]


def test_lines_that_name_one_another_get_the_height_of_the_longest_name(counter: Counter) -> None:
    names = {"1": "Bo", "2": "Bartholomew Featherstonehaugh", "3": "Zoë"}
    likes = {"2": "1", "3": "2"}

    alone = counter.post_order(an_order(lines=[a_named_line(r, name) for r, name in names.items()])).json()
    of_a_set = counter.post_order(
        an_order(lines=[a_named_line(r, name, likes.get(r)) for r, name in names.items()])
    ).json()

    smallest = min(_heights(alone["lines"]))
    assert len(set(_heights(alone["lines"]))) > 1
    assert _heights(of_a_set["lines"]) == [smallest] * 3
    assert {line["verdict"] for line in of_a_set["lines"]} == {"accept"}
    assert "height_mm" not in of_a_set["lines"][0]["inscriptions"][0]  # nobody asked for it in mm


def test_a_line_of_a_set_keeps_its_height_when_its_words_change(counter: Counter) -> None:
    lines = [a_named_line("1", "Bartholomew Featherstonehaugh"), a_named_line("2", "Zoë", "1")]
    taken = counter.post_order(an_order(lines=lines))
    before = _heights(taken.json()["lines"])

    changed = counter.ask(
        "desk",
        "PATCH",
        f"/v1/orders/{taken.json()['id']}/lines/2",
        {"inscriptions": a_named_line("2", "Ida", "1")["inscriptions"]},
        If_Match=taken.headers["ETag"],
    ).json()

    assert _heights(changed["lines"]) == before and before[0] == before[1]


def test_a_line_of_a_set_that_has_to_be_smaller_now_is_smaller(counter: Counter) -> None:
    """It is never made taller than it can be for the others' sake."""
    taken = counter.post_order(an_order(lines=[a_named_line("1", "Bo"), a_named_line("2", "Zoë", "1")]))
    before = _heights(taken.json()["lines"])

    changed = counter.ask(
        "desk",
        "PATCH",
        f"/v1/orders/{taken.json()['id']}/lines/2",
        {"inscriptions": a_named_line("2", "Bartholomew Featherstonehaugh", "1")["inscriptions"]},
        If_Match=taken.headers["ETag"],
    ).json()

    after = _heights(changed["lines"])
    assert changed["lines"][1]["verdict"] == "accept"
    assert after[0] == before[0] > after[1]


def test_a_line_of_a_set_whose_new_words_have_no_size_is_held(counter: Counter) -> None:
    lines = [a_named_line("1", "Bo"), a_named_line("2", "Zoë", "1")]
    taken = counter.post_order(an_order(lines=lines))

    changed = counter.ask(
        "desk",
        "PATCH",
        f"/v1/orders/{taken.json()['id']}/lines/2",
        {"inscriptions": a_named_line("2", "Ida", "1", font="no-such-font")["inscriptions"]},
        If_Match=taken.headers["ETag"],
    )

    assert changed.status_code == 200
    assert changed.json()["lines"][1]["hold_reason"] == "findings"


@pytest.mark.parametrize("named", ["2", "1"])
def test_a_set_with_a_line_that_is_not_there_is_refused(counter: Counter, named: str) -> None:
    answer = counter.post_order(an_order(lines=[a_named_line("1", "Bo", named)]))

    assert (answer.status_code, answer.json()["code"]) == (422, "bad_request")


def test_a_size_and_a_height_contradict_each_other(counter: Counter) -> None:
    answer = counter.post_order(an_order(lines=[a_named_line("1", "Bo", size="largest", height_mm=3.0)]))

    assert answer.status_code == 422


def test_a_suggestion_with_letters_further_apart_is_ordered_as_it_is(counter: Counter) -> None:
    asked = {"zone": "heel", "text": "Beatriz", "font": "cinzel-semibold", "height_mm": 2.5}
    check = {"sku": "AQ-CHEF-20", "inscriptions": [asked]}
    (finding,) = counter.ask("store", "POST", "/v1/checks", check).json()["findings"]
    (suggested,) = finding["suggestions"]

    answers = [
        counter.post_order(an_order(lines=[a_line(sku="AQ-CHEF-20", inscriptions=[one])])).json()
        for one in (asked, suggested)
    ]

    assert finding["code"] == "letters_touch" and suggested == {
        **asked,
        "kind": "text",
        "letter_spacing": suggested["letter_spacing"],
    }
    assert [answer["lines"][0]["inscriptions"][0] for answer in answers] == [
        {**asked, "kind": "text"},
        suggested,
    ]
    with counter.tools.database.reading() as session:
        marks = session.scalars(select(FrozenMark).order_by(FrozenMark.id))
        near, apart = [Outline.from_record(mark.outline).bounds_mm for mark in marks]
    assert apart[2] - apart[0] > near[2] - near[0]


@pytest.mark.parametrize("spacing", [-0.1, 0.51, "0.1", None])
def test_letters_are_moved_apart_by_a_sensible_number_alone(counter: Counter, spacing: Any) -> None:
    inscriptions = [an_inscription(letter_spacing=spacing)]

    answer = counter.post_order(an_order(lines=[a_line(inscriptions=inscriptions)]))

    assert (answer.status_code, answer.json()["code"]) == (422, "invalid_request")


def test_an_order_that_moves_no_letters_is_the_one_that_could_not() -> None:
    body = an_order()
    moved = an_order(
        lines=[a_line(inscriptions=[an_inscription(letter_spacing=0.0)])], order_ref=body["order_ref"]
    )

    before, after = (order_fingerprint(OrderIn.model_validate(one)) for one in (body, moved))

    assert before == after
    assert "letter_spacing" not in str(OrderIn.model_validate(body).model_dump())


def test_the_desk_changes_a_priority_and_says_why(counter: Counter) -> None:
    first, second = (counter.post_order(an_order(priority=10)).json()["id"] for _ in range(2))
    seen = counter.ask("desk", "GET", f"/v1/orders/{second}").headers["ETag"]

    wanted = {"priority": 50, "reason": "the wedding is on Saturday"}
    changed = counter.ask("desk", "POST", f"/v1/orders/{second}/priority", wanted, If_Match=seen)

    assert (changed.status_code, changed.json()["priority"]) == (200, 50)
    order = counter.ask("desk", "GET", f"/v1/orders/{second}").json()
    assert [(move["to"], move["why"]) for move in order["history"]][-1] == (
        "priority_changed",
        "10 \u2192 50: the wedding is on Saturday",
    )
    queue = [pull["jobs"] for pull in counter.ask("bench", "GET", "/v1/pulls").json()["pulls"]]
    jobs = {
        identity: counter.ask("desk", "GET", f"/v1/orders/{identity}").json()["lines"][0]["jobs"][0]["id"]
        for identity in (first, second)
    }
    assert [job for pulled in queue for job in pulled] == [jobs[second], jobs[first]]
    stale = counter.ask("desk", "POST", f"/v1/orders/{second}/priority", wanted, If_Match=seen)
    assert stale.status_code == 412


@pytest.mark.parametrize(
    ("body", "status"),
    [
        ({"priority": 101, "reason": "rang"}, 422),
        ({"priority": 5}, 422),
        ({"priority": 5, "reason": " "}, 422),
        ({"priority": 5, "reason": "rang"}, 409),
    ],
)
def test_a_priority_without_a_reason_or_of_an_order_that_is_over_is_refused(
    counter: Counter, body: dict[str, Any], status: int
) -> None:
    order = counter.post_order(an_order()).json()["id"]
    counter.ask("desk", "POST", f"/v1/orders/{order}/cancel", {"reason": "rang"}, If_Match="*")

    answer = counter.ask("desk", "POST", f"/v1/orders/{order}/priority", body, If_Match="*")

    assert answer.status_code == status


@pytest.mark.postgres
def test_an_order_is_five_statements_of_which_one_writes_all_of_it(
    postgres_database: Database, clock: SetClock, tmp_path: Path
) -> None:
    """Who wants the same product waits for the row of stock as long as that one lasts."""
    asked: list[str] = []

    def note(_: Any, __: Any, statement: str, *___: Any) -> None:
        asked.append(" ".join(statement.split()))

    with an_open_counter(postgres_database, clock, tmp_path) as counter:
        counter.post_order(an_order())  # what is read once by a process is read
        event.listen(postgres_database.engine, "before_cursor_execute", note)
        answer = counter.post_order(an_order())
        event.remove(postgres_database.engine, "before_cursor_execute", note)

    assert answer.json()["state"] == "ready"
    assert sum("FROM api_key" in statement for statement in asked) == 1
    assert len(asked) == 5
    (written,) = (statement for statement in asked if "UPDATE stock" in statement)
    assert "INSERT INTO job" in written
    assert "UPDATE idempotent_request" in written


def _an_order_of_chefs_knives(quantity: int) -> dict[str, Any]:
    words = [an_inscription(zone="heel", text="Ada")]
    return an_order(lines=[a_line(sku="AQ-CHEF-20", quantity=quantity, inscriptions=words)])


def test_orders_at_the_same_time_get_no_more_units_than_stand_in_the_bins(counter: Counter) -> None:
    """14 in one bin, 4 in another: some orders need both, some get fewer than they want."""
    before = _reserved(counter)

    def post(_: int) -> list[str]:
        answer = counter.post_order(_an_order_of_chefs_knives(3)).json()
        return [job["state"] for job in answer["lines"][0]["jobs"]]

    with ThreadPoolExecutor(8) as pool:
        states = [state for order in pool.map(post, range(8)) for state in order]

    assert sorted(states) == ["ready"] * 18 + ["short"] * 6
    reserved = {bin_: units - before[bin_] for bin_, units in _reserved(counter).items()}
    with counter.tools.database.reading() as session:
        bins = Counts(session.scalars(select(Job.bin).where(Job.bin.is_not(None))))
    assert bins == Counts(reserved)
    assert sum(reserved.values()) == 18


def _reserved(counter: Counter) -> dict[str, int]:
    rows = counter.ask("desk", "GET", "/v1/stock").json()["stock"]
    return {row["bin"]: row["reserved"] for row in rows if row["sku"] == "AQ-CHEF-20"}


@pytest.mark.postgres
@pytest.mark.parametrize("lost", ["claim", "units"])
def test_an_order_whose_claim_or_units_are_gone_at_the_last_moment_leaves_nothing_behind(
    postgres_database: Database, clock: SetClock, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, lost: str
) -> None:
    put_where = idempotency_rows.put_where
    is_put: list[bool] = []

    def too_late(session: Session, rows: Any, *, change: Any, premises: Any) -> bool:
        is_claim = lost == "claim"
        table, gone = (
            (IdempotentRequest, {"claimed_until": clock() + timedelta(seconds=60)})
            if is_claim
            else (Stock, {"boxed": Stock.reserved})
        )
        postgres_database.write(lambda other: other.execute(update(table).values(**gone)))
        is_put.append(put_where(session, rows, change=change, premises=premises))
        return is_put[-1]

    with an_open_counter(postgres_database, clock, tmp_path) as counter:
        monkeypatch.setattr(idempotency_rows, "put_where", too_late)
        answer = counter.post_order(_an_order_of_chefs_knives(1))

        assert is_put == [False]
        assert set(_reserved(counter).values()) == {0}
        if lost == "claim":
            assert (answer.status_code, answer.json()["code"]) == (409, "request_in_flight")
            assert _count(counter, Order) == _count(counter, Job) == _count(counter, FrozenMark) == 0
        else:
            assert (answer.status_code, answer.json()["state"]) == (201, "short")
            assert _count(counter, Order) == _count(counter, Job) == 1
