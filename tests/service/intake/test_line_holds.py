"""What lines wait for: each hold with its reason and ways out, and no act that ends what it may not."""

from __future__ import annotations

import base64
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from shapely.geometry import box
from sqlalchemy.orm import Session
from typer.testing import CliRunner

from layout.shop.blades import KeepOut
from layout.shop.outline import frozen
from layout.shop.shop import Shop
from service.cli import catalogue as catalogue_cli
from service.cli import saying
from service.intake import homeless, line_holds, proof_links
from service.records.db import Database
from service.records.errors import MoveNotAllowed, NotFound
from service.records.tables import Event, Job, Order, OrderLine
from service.records.who import SWEEP, By, Role, Who
from service.stock import holds as unit_holds
from service.stock import reservations as stock
from tests.benches import Bench, a_bench_shop, turning_plate
from tests.clocks import SetClock

SECRET = b"a test's secret"


@pytest.fixture
def bench(database: Database, clock: SetClock, tmp_path: Path) -> Bench:
    return Bench(database, clock, tmp_path)


def wait_for(bench: Bench, *, verdict: str = "accept", proof: str = "none") -> None:
    """An order as intake leaves it when its line waits for the desk, for the buyer, or for both."""
    bench.order()

    def hold(session: Session) -> None:
        order = session.get_one(Order, 1)
        order.proof, line = proof, order.lines[0]
        line.verdict = verdict
        found = {"code": "thin_stroke", "severity": verdict, "inscription": 0, "message": "thin"}
        line.findings = [found] if verdict != "accept" else []
        line.hold_reason = line_holds.reasons(order, line)[0]
        stock.unreserve(session, line.jobs[0])
        line.jobs[0].state, line.jobs[0].hold_reason = "held", line.hold_reason

    bench.database.write(hold)


def approve(bench: Bench, **body: Any) -> Any:
    return bench.ask("POST", "/v1/orders/O1/approve", body, role="desk", If_Match="*")


def desk(bench: Bench) -> By:
    return By(Who(role=Role.DESK, client="house", name="Dora"), bench.clock())


def ask_for_change(bench: Bench, said: str = "Nan, not Nann", *, token: str = "") -> None:
    def work(session: Session) -> None:
        given = (
            token or proof_links.make(session, session.get_one(Order, 1), secret=SECRET, by=desk(bench))[0]
        )
        proof_links.ask_for_change(session, given, said, secret=SECRET, now=bench.clock())

    bench.database.write(work)


def holds(bench: Bench) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = bench.ask("GET", "/v1/orders/O1", role="desk").json()["lines"][0]["holds"]
    return found


def reasons(bench: Bench) -> list[str]:
    return [hold["reason"] for hold in holds(bench)]


def told(bench: Bench) -> list[str]:
    return [event.type for event in bench.rows(Event)]


def test_a_line_says_everything_that_it_waits_for_since_when_and_how_each_ends(bench: Bench) -> None:
    wait_for(bench, verdict="review", proof="buyer")

    review, buyer = holds(bench)

    assert (review["reason"], buyer["reason"]) == ("review", "buyer_approval")
    assert review["details"]["findings"][0]["code"] == "thin_stroke"
    assert {way["act"]: way["by"] for way in review["ways_out"]} == {
        "approve": ["desk"],
        "amend": ["store", "desk"],
        "cancel": ["store", "desk"],
    }
    assert {way["act"]: way["by"] for way in buyer["ways_out"]}["agree"] == ["buyer", "desk"]
    assert review["since"] == buyer["since"] == bench.clock().isoformat()


def test_a_look_by_the_desk_does_not_stand_for_the_buyer(bench: Bench) -> None:
    wait_for(bench, proof="buyer")

    answer = approve(bench, by="desk")

    assert (answer.status_code, answer.json()["code"]) == (409, "move_not_allowed")
    assert bench.job("J1").state == "held"


def test_the_buyer_s_yes_does_not_stand_for_the_desk(bench: Bench) -> None:
    wait_for(bench, verdict="review", proof="buyer")

    approve(bench, by="buyer", said_by="Mrs Hale, by telephone")

    assert reasons(bench) == ["review"]
    assert approve(bench, by="desk").json()["state"] == "ready"


def test_a_yes_by_telephone_names_who_gave_it(bench: Bench) -> None:
    wait_for(bench, proof="buyer")

    unnamed = approve(bench, by="buyer")
    named = approve(bench, by="buyer", said_by="Mrs Hale, by telephone")

    assert (unnamed.status_code, unnamed.json()["field"]) == (422, "said_by")
    assert named.json()["state"] == "ready"
    last = bench.ask("GET", "/v1/orders/O1", role="desk").json()["history"][-1]
    assert (last["to"], last["why"]) == ("approved", "buyer: Mrs Hale, by telephone")
    assert last["who"].startswith("desk:")


def test_a_change_asked_for_holds_a_unit_that_was_ready_and_no_look_lets_it_go(bench: Bench) -> None:
    bench.order()
    ask_for_change(bench)

    answer = approve(bench, by="desk")

    assert answer.status_code == 409
    assert reasons(bench) == ["change_requested"]
    assert holds(bench)[0]["details"] == {"wish": "Nan, not Nann"}
    assert bench.next().status_code == 204
    assert approve(bench, by="buyer", said_by="Mrs Hale: leave it").json()["state"] == "ready"


def test_a_change_asked_for_waits_since_it_was_asked_for(bench: Bench) -> None:
    bench.order()
    bench.clock.advance(hours=5)
    ask_for_change(bench)
    asked_at = bench.clock().isoformat()
    bench.clock.advance(hours=1)

    assert [hold["since"] for hold in holds(bench)] == [asked_at]


def test_units_held_by_the_bench_are_one_hold_since_the_last_of_them(bench: Bench) -> None:
    bench.order(quantity=3)
    for job, hours in (("J1", 1), ("J3", 2)):
        bench.clock.advance(hours=hours)
        bench.database.write(
            lambda session, job=job: unit_holds.hold(
                session,
                session.get_one(Job, int(job[1:])),
                unit_holds.DOES_NOT_FIT,
                by=By(SWEEP, bench.clock()),
                why=f"{job} fits nowhere",
            )
        )
    last = bench.clock().isoformat()
    bench.clock.advance(hours=1)

    (hold,) = holds(bench)

    assert (hold["reason"], hold["since"]) == ("does_not_fit", last)
    assert hold["details"] == {"jobs": ["J1", "J3"], "said": ["J1 fits nowhere", "J3 fits nowhere"]}


def test_a_change_asked_for_takes_a_unit_out_of_a_load_that_has_not_started(bench: Bench) -> None:
    bench.order()
    load = bench.seated(bench.pulled(bench.claimed()))

    ask_for_change(bench)

    assert bench.job("J1").state == "held"
    assert bench.post(load, "start", {"turn": 1, "file_sha256": load["turns"][0]["file_sha256"]}).is_error


def test_a_change_asked_for_once_the_beam_is_on_is_refused(bench: Bench) -> None:
    bench.order()
    bench.burning()

    with pytest.raises(Exception, match="engraved already"):
        ask_for_change(bench)


def test_what_the_judge_refused_can_not_be_waved_through(bench: Bench) -> None:
    bench.order(outline=frozen([box(1, 1, 3, 3)]))  # beside its zone
    bench.next()

    answer = approve(bench, by="desk")

    assert answer.status_code == 409
    assert reasons(bench) == ["judge_refused"]
    assert "zone" in holds(bench)[0]["details"]["said"][0]
    assert told(bench).count("order.accepted") == 0


def test_words_of_a_unit_with_one_face_engraved_stay_as_they_are(bench: Bench) -> None:
    bench.order(faces=("mark_side", "pile_side"))
    load = bench.do(bench.burning(), "finish", {"turn": 1})
    bench.do(load, "inspect", {"jobs": {"J1": {"result": "pass"}}})  # the second turn waits for another load
    asked = [{"zone": "flat", "text": "Other", "font": "lato-bold"}]

    answer = bench.ask("PATCH", "/v1/orders/O1/lines/1", {"inscriptions": asked}, role="desk", If_Match="*")

    assert bench.job("J1").state == "ready"
    assert answer.is_error


# --- a shop whose description was edited ---


def edited(shop: Shop, *, version: str = "edited") -> Shop:
    """The same shop, but with a hole where the marks of its orders lie."""
    blade = shop.blades["parer"]
    face = blade.faces[0]
    holed = replace(face, keep_outs=(*face.keep_outs, KeepOut("new_hole", "hole", box(17, 8, 21, 12))))
    blades = {**shop.blades, "parer": replace(blade, faces=(holed, *blade.faces[1:]))}
    return replace(shop, version=version, blades=blades)


def test_accepted_units_that_no_longer_fit_are_held_once_with_the_reason(bench: Bench) -> None:
    bench.order(quantity=2)
    bench.tools.catalogue.put(edited(bench.shop))  # type: ignore[attr-defined]

    moved = [homeless.look(bench.tools) for _ in range(3)]

    (hold,) = holds(bench)
    assert moved == [2, 0, 0]
    assert (hold["reason"], hold["details"]["jobs"]) == ("no_longer_fits", ["J1", "J2"])
    assert told(bench) == ["order.held", "order.held"]
    order = bench.ask("GET", "/v1/orders/O1", role="desk").json()
    assert order["promise"] == {"engraved_by": None, "ready_by": None, "confidence": None, "reason": "held"}


def test_they_are_never_approved_in_circles(bench: Bench) -> None:
    bench.order()
    bench.tools.catalogue.put(edited(bench.shop))  # type: ignore[attr-defined]
    homeless.look(bench.tools)

    answers = [approve(bench, by="desk").status_code for _ in range(3)]
    bench.next()

    assert answers == [409, 409, 409]
    assert told(bench) == ["order.held"]


def test_they_go_on_when_the_description_is_put_right(bench: Bench) -> None:
    bench.order()
    bench.tools.catalogue.put(edited(bench.shop))  # type: ignore[attr-defined]
    homeless.look(bench.tools)
    bench.tools.catalogue.put(replace(bench.shop, version="right again"))  # type: ignore[attr-defined]

    moved = homeless.look(bench.tools)

    assert (moved, bench.job("J1").state) == (1, "ready")
    assert told(bench) == ["order.held", "order.accepted"]


def test_a_unit_that_one_place_still_takes_is_left_alone(
    database: Database, clock: SetClock, tmp_path: Path
) -> None:
    bench = Bench(database, clock, tmp_path, a_bench_shop(turning_plate(slots=3)))
    bench.order()
    fewer = turning_plate(slots=1)
    bench.tools.catalogue.put(replace(a_bench_shop(fewer), version="fewer slots"))  # type: ignore[attr-defined]

    assert homeless.look(bench.tools) == 0


def test_the_catalogue_check_names_them_before_the_edit_is_in_force(
    bench: Bench, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    bench.order()
    monkeypatch.setattr(saying, "tools_of", lambda data: bench.tools)
    monkeypatch.setattr("service.shop.catalogue.load", lambda folder: edited(bench.shop))
    ref = bench.rows(Order)[0].order_ref

    result = CliRunner().invoke(
        catalogue_cli.app, ["check", "--data", str(tmp_path), "--out", str(tmp_path / "p")]
    )

    assert result.exit_code == 1
    assert f"order {ref}: an accepted unit no longer fits: J1" in result.output
    assert bench.job("J1").state == "ready"


@pytest.mark.parametrize("address", ["/desk", "/owner"])
def test_desk_and_owner_see_them_listed(bench: Bench, address: str) -> None:
    bench.order()
    bench.tools.catalogue.put(edited(bench.shop))  # type: ignore[attr-defined]
    homeless.look(bench.tools)
    bench.client.post("/sign-in", data={"key": bench.keys["owner"], "name": "Olga"})

    page = bench.client.get(address).text

    assert "No longer fits: the shop" in page
    assert bench.rows(Order)[0].order_ref in page


def test_every_reason_to_hold_has_a_way_out_and_words(bench: Bench) -> None:
    from service.papers import words

    assert set(line_holds.WAYS_OUT) == set(words.WAYS_OUT)
    assert set(line_holds.WAYS_OUT) <= set(words.REASONS)
    assert all(line_holds.WAYS_OUT.values())


def link_of(bench: Bench) -> str:
    def work(session: Session) -> str:
        return proof_links.make(session, session.get_one(Order, 1), secret=SECRET, by=desk(bench))[0]

    return bench.database.write(work)


def test_more_wishes_leave_what_the_desk_has_open_valid_and_there_are_not_many(bench: Bench) -> None:
    wait_for(bench, proof="buyer")
    link = link_of(bench)
    ask_for_change(bench, "the first, for which the unit waits", token=link)
    etag = bench.ask("GET", "/v1/orders/O1", role="desk").headers["ETag"]

    for number in range(1, proof_links.MOST_WISHES):
        ask_for_change(bench, f"wish {number}", token=link)

    assert bench.ask("GET", "/v1/orders/O1", role="desk").headers["ETag"] == etag
    with pytest.raises(MoveNotAllowed, match="we have your requests"):
        ask_for_change(bench, "another", token=link)
    ask_for_change(bench, "by a new link", token=link_of(bench))


def test_what_was_asked_for_stands_with_its_answer(bench: Bench) -> None:
    wait_for(bench, proof="buyer")
    ask_for_change(bench, "a heart after it")

    def answer(session: Session) -> None:
        order = session.get_one(Order, 1)
        proof_links.answer_change(session, order, " No room for it,  sorry ", by=desk(bench))

    bench.database.write(answer)
    ask_for_change(bench, "Nan, then")

    with bench.database.reading() as session:
        asked = proof_links.asked_for(session, session.get_one(Order, 1))
    assert [(one.wish, one.answer, one.is_changed) for one in asked] == [
        ("a heart after it", "No room for it, sorry", False),
        ("Nan, then", "", False),
    ]


def test_nobody_answers_what_was_not_asked(bench: Bench) -> None:
    wait_for(bench, proof="buyer")

    def answer(session: Session) -> None:
        proof_links.answer_change(session, session.get_one(Order, 1), "yes", by=desk(bench))

    with pytest.raises(MoveNotAllowed, match="asked for no change"):
        bench.database.write(answer)


def test_links_that_were_withdrawn_are_over_and_new_ones_are_good(bench: Bench) -> None:
    wait_for(bench, proof="buyer")
    before = link_of(bench)

    other = bench.ask("DELETE", "/v1/orders/O1/proof-link", role="bench")
    withdrawn = bench.ask("DELETE", "/v1/orders/O1/proof-link", role="desk")
    after = link_of(bench)

    assert (other.status_code, withdrawn.status_code) == (403, 204)
    with bench.database.reading() as session:
        with pytest.raises(proof_links.LinkOver, match="withdrawn"):
            proof_links.open_link(session, before, secret=SECRET, now=bench.clock())
        assert proof_links.open_link(session, after, secret=SECRET, now=bench.clock()).order.id == 1


def test_a_link_ends_by_itself(bench: Bench) -> None:
    wait_for(bench, proof="buyer")
    link, made_at = link_of(bench), bench.clock()

    with bench.database.reading() as session:
        opened = proof_links.open_link(session, link, secret=SECRET, now=made_at)
        with pytest.raises(proof_links.LinkOver, match="run out"):
            proof_links.open_link(session, link, secret=SECRET, now=opened.until)

    assert timedelta(days=13) < opened.until - made_at <= proof_links.LASTS


#: Bodies on which a reader would stumble that took them before it had looked at their signature.
FORGED = {"endless": b"[1, [1], 1e999, 0, 0]", "deep": b"[" * 2_500, "bytes": b"\xff\xfe", "none": b""}


@pytest.mark.parametrize("body", FORGED.values(), ids=FORGED)
def test_a_link_that_nobody_signed_is_no_link(bench: Bench, body: bytes) -> None:
    wait_for(bench, proof="buyer")
    forged = f"{base64.urlsafe_b64encode(body).decode().rstrip('=')}.{'A' * 43}"

    with bench.database.reading() as session, pytest.raises(NotFound):
        proof_links.open_link(session, forged, secret=SECRET, now=bench.clock())


def test_a_line_that_waits_for_nothing_is_left_as_it_is_when_the_order_is_approved(bench: Bench) -> None:
    wait_for(bench, verdict="review")
    bench.order()

    def join(session: Session) -> None:
        line = session.get_one(OrderLine, 2)
        line.order, line.line_ref = session.get_one(Order, 1), "2"
        line.jobs[0].order_id = 1

    bench.database.write(join)

    approved = approve(bench, by="desk")

    assert approved.status_code == 200
    assert [line["state"] for line in approved.json()["lines"]] == ["ready", "ready"]
    assert bench.moves("job", "J2") == ["ready"]
