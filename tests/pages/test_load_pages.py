"""A load's pages as they are sent, step by step: what an operator reads, and what pressing twice does."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from httpx import Response
from jinja2 import Environment

from service.pages import live, render
from service.records.db import Database
from service.records.ids import JOB, number
from service.records.tables import BurnStart, History, Stock
from tests.benches import Bench, a_bench_shop, turning_plate
from tests.clocks import SetClock
from tests.pages.test_board_pages import text_of

BOXES = {"PARER": "2700099000011", "CHEF": "2700099000028"}


@pytest.fixture
def bench(sqlite_database: Database, clock: SetClock, tmp_path: Path) -> Bench:
    """A shop whose boxes bear barcodes and whose slots are named like its bins."""
    plate = turning_plate()
    names = ("A1", "A2", "A3", "B1", "B2", "B3")
    slots = tuple(replace(slot, slot=name) for slot, name in zip(plate.slots, names, strict=True))
    shop = a_bench_shop(replace(plate, slots=slots))
    products = {
        sku: replace(one, barcodes=(BOXES[sku],) if sku in BOXES else ())
        for sku, one in shop.products.items()
    }
    return Bench(sqlite_database, clock, tmp_path, replace(shop, products=products))


class Tablet:
    """A page of the bench without its script: forms are posted as the page gave them."""

    def __init__(self, bench: Bench) -> None:
        self.bench = bench
        bench.client.post("/sign-in", data={"key": bench.keys["bench"], "name": "Operator One"})

    def see(self, address: str) -> str:
        answer = self.bench.client.get(address)
        assert answer.status_code == 200, answer.text
        return answer.text

    def post(self, address: str, **fields: Any) -> Response:
        token = re.search(r'name="form-token" content="([^"]+)"', self.see("/bench"))
        assert token
        return self.bench.client.post(
            address, data={"token": token[1], **fields}, headers={"Origin": "http://testserver"}
        )

    def scan(self, load: dict[str, Any], code: str, **fields: Any) -> Response:
        at = f"/bench/loads/{load['id']}"
        return self.post(f"{at}/scan", etag=self.bench.see(load)["etag"], code=code, **fields)


@pytest.fixture
def tablet(bench: Bench) -> Tablet:
    return Tablet(bench)


def cards(page: str) -> dict[str, str]:
    """The cards of units, by unit."""
    found = re.findall(r'<li class="card \w*" id="(J\d+)".*?</li>', page, re.DOTALL)
    return {
        unit: text_of(re.search(rf'<li class="card \w*" id="{unit}".*?</li>', page, re.DOTALL)[0])  # type: ignore[index]
        for unit in found
    }


def refused(answer: Response) -> str:
    """What a page says loudly; empty where it refuses nothing."""
    said = re.search(r'role="alert" data-sound="refuse">(.*?)</div>', answer.text, re.DOTALL)
    return text_of(said[1]) if said else ""


# --- boxing ---


def test_a_unit_stays_on_the_page_with_mark_product_and_order_until_its_label_is_on(
    bench: Bench, tablet: Tablet
) -> None:
    first, second = bench.order(quantity=2)
    load = bench.burned()
    bench.do(load, "inspect", {"jobs": {first: {"result": "pass"}, second: {"result": "pass"}}})
    at = f"/bench/loads/{load['id']}"

    before = tablet.see(at)
    tablet.scan(load, first)
    tablet.scan(load, BOXES["PARER"], before=first)
    after = tablet.see(at)

    order = bench.see(load)["turns"][0]["slots"][0]["order_ref"]
    assert before.count('class="mark-picture"') == 2
    assert all(f"{order}" in card and "Invented parer" in card for card in cards(before).values())
    assert "In its box, label on" in cards(before)[first]
    assert "in its box" in cards(after)[first]
    assert "In its box, label on" in cards(after)[second]
    assert f"Box not scanned yet: {second}." in text_of(after)


@pytest.mark.parametrize("is_box_first", [False, True])
def test_a_box_of_another_product_is_refused_whichever_is_scanned_first(
    bench: Bench, tablet: Tablet, is_box_first: bool
) -> None:
    (parer,) = bench.order()
    (chef,) = bench.order(sku="CHEF")
    load = bench.burned()
    bench.do(load, "inspect", {"jobs": {parer: {"result": "pass"}, chef: {"result": "pass"}}})
    first, second = (BOXES["CHEF"], parer) if is_box_first else (parer, BOXES["CHEF"])

    answer = tablet.scan(load, second, before=first)

    assert "wrong box: this one is for Invented chef&#39;s knife; " in refused(answer)
    assert f'name="before" value="{first}"' in answer.text
    assert [move.move_to for move in bench.rows(History) if move.move_to == "boxed"] == []


def test_boxed_twice_is_noted_once_and_what_was_not_looked_at_goes_into_no_box(
    bench: Bench, tablet: Tablet
) -> None:
    first, second = bench.order(quantity=2)
    load = bench.burned()
    load = bench.do(load, "inspect", {"jobs": {first: {"result": "pass"}}})
    at = f"/bench/loads/{load['id']}/boxed"

    for _ in range(2):
        tablet.post(at, etag=load["etag"], job=first)
    answer = tablet.post(at, etag=load["etag"], job=second)

    assert "has not passed inspection" in refused(answer)
    noted = [move.subject_id for move in bench.rows(History) if move.move_to == "boxed"]
    assert noted == [number(JOB, first)]


def test_the_other_tablet_is_told_of_a_unit_that_went_into_its_box(bench: Bench, tablet: Tablet) -> None:
    (job,) = bench.order()
    load = bench.burned()
    load = bench.do(load, "inspect", {"jobs": {job: {"result": "pass"}}})
    at = f"/bench/loads/{load['id']}"
    seen = re.search(r'data-seen="(\w+)"', tablet.see(at))

    tablet.post(f"{at}/boxed", etag=load["etag"], job=job)

    now = re.search(r'data-seen="(\w+)"', tablet.see(at))
    assert seen and now and seen[1] != now[1]


@pytest.mark.parametrize("page", ["bench", "packing", "stock", "load"])
def test_what_changes_while_a_page_is_drawn_has_it_drawn_anew(
    bench: Bench, tablet: Tablet, monkeypatch: pytest.MonkeyPatch, page: str
) -> None:
    """The stream then says something else than what the page knows of."""
    bench.order()
    load = bench.claimed()
    address, about = (f"/bench/loads/{load['id']}", load["id"]) if page == "load" else (f"/{page}", "all")
    pages_in = render._environment

    def drawn_slowly(language: str) -> Environment:
        bench.pulled(load)
        return pages_in(language)

    def knows_of() -> str:
        found = re.search(r'data-seen="(\w+)"', tablet.see(address))
        assert found
        return found[1]

    assert knows_of() == live.signature_of(bench.tools, about)
    monkeypatch.setattr(render, "_environment", drawn_slowly)
    assert knows_of() != live.signature_of(bench.tools, about)


# --- what is to be cleared, and what was burning ---


def test_a_slot_that_was_cleared_before_the_start_is_not_called_out_again(
    bench: Bench, tablet: Tablet
) -> None:
    kept, _ = bench.order()[0], bench.order()[0]
    load = bench.seated(bench.pulled(bench.claimed()))
    order = bench.ask("GET", f"/v1/jobs/{kept}", role="desk").json()["order"]
    bench.ask("POST", f"/v1/orders/{order}/cancel", {"reason": "rang"}, role="desk", If_Match="*")
    at = f"/bench/loads/{load['id']}"

    before = text_of(tablet.see(at))
    bench.ask("GET", f"/v1/loads/{load['id']}/turns/1/burn.svg")  # the file without the cancelled unit
    bench.started(bench.see(load))
    burning, stopped = text_of(tablet.see(at)), text_of(tablet.see(f"{at}/interrupted"))

    assert "Clear these slots Slot A1 J1: cancelled; back into bin A1" in before
    assert "Clear these slots" not in burning + stopped


def test_a_unit_that_came_out_clean_is_to_be_taken_out(bench: Bench, tablet: Tablet) -> None:
    clean, partial = bench.order(quantity=2)
    load = bench.burning()

    bench.do(load, "resolve", {"jobs": {clean: {"mark_side": "clean"}, partial: {"mark_side": "partial"}}})

    said = text_of(tablet.see(f"/bench/loads/{load['id']}"))
    assert f"Clear these slots Slot A1 {clean}: came out clean" in said


def test_a_partial_mark_of_the_second_turn_is_named_by_the_face_and_slot_that_were_burning(
    bench: Bench, tablet: Tablet
) -> None:
    (job,) = bench.order(faces=("mark_side", "pile_side"))
    load = bench.burned()
    load = bench.started(bench.seated(load, turn=2), turn=2)
    slot = load["turns"][1]["slots"][0]["slot"]

    bench.do(load, "resolve", {"jobs": {job: {"pile_side": "partial"}}})

    said = text_of(tablet.see(f"/bench/loads/{load['id']}").split("Partial marks")[1])
    assert f"Slot {slot} {job} · Invented parer pile side" in said


# --- turning over, and cautions where the hands are ---


def test_marks_are_looked_at_before_anything_is_lifted_then_each_unit_is_told_where_to_go(
    bench: Bench, tablet: Tablet
) -> None:
    (both,) = bench.order(faces=("mark_side", "pile_side"))
    (single,) = bench.order()
    load = bench.burned()
    at = f"/bench/loads/{load['id']}"

    look, turn = text_of(tablet.see(at)), text_of(tablet.see(f"{at}/turn-over"))

    assert "Look first: marks of turn 1" in look
    assert f"{single} mark side · then finished here" in look
    assert f"{both} mark side · then turned over" in look
    assert "Seat the units" not in look
    assert re.search(rf"put them on the tray for inspection Slot \w\d {single}", turn)
    assert f"{both} · Invented parer pile side up" in turn


def test_cautions_stand_where_the_hands_are(bench: Bench, tablet: Tablet, monkeypatch: Any) -> None:
    monkeypatch.setattr(
        "service.pages.steps._hazards", lambda layout: frozenset({"burns", "mirror", "stainless"})
    )
    (job,) = bench.order(faces=("mark_side", "pile_side"))
    pages: dict[str, str] = {}
    load = bench.claimed()
    at = f"/bench/loads/{load['id']}"

    def see(step: str, address: str = at) -> None:
        pages[step] = text_of(tablet.see(address))

    see("fetching")
    load = bench.pulled(load)
    see("seating")
    load = bench.seated(load)
    see("start")
    load = bench.started(load)
    see("burning")
    see("interrupted", f"{at}/interrupted")
    load = bench.do(load, "finish", {"turn": 1})
    see("looking")
    see("turning", f"{at}/turn-over")
    load = bench.do(bench.started(bench.seated(load, turn=2), turn=2), "finish", {"turn": 2})
    see("inspection")
    bench.do(load, "inspect", {"jobs": {job: {"result": "pass"}}})
    see("boxing")

    wanted = {
        "fetching": ["edges away from you", "gloves on"],
        "seating": ["Gloves on, edge away from you"],
        "start": [
            "class 4 laser",
            "Fume extraction on",
            "it can catch fire. Watch it the whole time",
            "it throws the beam back",
            "chromium and nickel",
            "laser safety officer come before",
        ],
        "burning": ["Stay with the machine", "emergency stop", "The head jams", "laser safety officer"],
        "interrupted": ["Beam off, shutter closed, wait until it is cool"],
        "looking": ["Beam off, metal cool"],
        "turning": ["Beam off, metal cool, gloves on", "Keep edges away from you"],
        "inspection": ["Beam off and blocked before you reach in", "gloves on, edge away"],
        "boxing": ["away from the laser and from anything hot, with fresh air", "Edge guard on", "gloves on"],
    }
    lacking = {step: [words for words in said if words not in pages[step]] for step, said in wanted.items()}
    assert not any(lacking.values()), lacking


# --- slots and bins of the same name ---


def test_slots_and_bins_of_the_same_name_are_told_apart_wherever_they_stand(
    bench: Bench, tablet: Tablet
) -> None:
    for _ in range(2):
        bench.order(quantity=2)
    pages = [tablet.see("/bench")]
    load = bench.claimed()
    at = f"/bench/loads/{load['id']}"
    pages.append(tablet.see(at))
    load = bench.pulled(load)
    job = load["turns"][0]["slots"][0]["job"]
    answer = tablet.post(f"{at}/blemished", etag=load["etag"], job=job)
    pages += [answer.text, tablet.see(at)]

    for page in pages:
        shown = text_of(re.sub(r"<svg.*?</svg>|<title>.*?</title>", "", page, flags=re.DOTALL))
        bare = [
            shown[max(0, found.start() - 25) : found.end()]
            for found in re.finditer(r"\b[AB][1-3]\b", shown)
            if not re.search(r"(?i)(slot|bin) (\S+ )?$", shown[: found.start()])
        ]
        assert bare == []


# --- pressed twice, from two tabs, after the way back ---


def test_pressing_found_twice_takes_the_units_once(bench: Bench, tablet: Tablet) -> None:
    bench.order(quantity=2)
    load = bench.claimed()
    wanted = {"etag": load["etag"], "bin": "A1", "sku": "PARER", "count": "2", "round": "0", "what": "found"}

    answers = [tablet.post(f"/bench/loads/{load['id']}/fetched", **wanted) for _ in range(2)]

    assert "waits for 0 of PARER from bin A1" in refused(answers[1])
    with bench.database.reading() as session:
        assert session.get_one(Stock, ("A1", "PARER")).boxed == 48


def test_an_old_tab_changes_nothing_and_says_why(bench: Bench, tablet: Tablet) -> None:
    bench.order()
    seen = bench.seated(bench.pulled(bench.claimed()))
    at, code = f"/bench/loads/{seen['id']}", seen["turns"][0]["short_code"]

    answers = [tablet.post(f"{at}/start", etag=seen["etag"], turn="1", code=code) for _ in range(2)]
    late = tablet.post(f"{at}/seated", etag=seen["etag"], turn="1", slot="A1", what="seated")

    assert refused(answers[0]) == ""
    assert refused(answers[1]) and refused(late)
    assert len(bench.rows(BurnStart)) == 1
    assert "Burning. Stay with the machine." in text_of(late.text)


def test_the_next_load_asked_for_twice_is_the_same_load(bench: Bench, tablet: Tablet) -> None:
    bench.order(quantity=12)

    answers = [tablet.post("/bench/next", station="s1") for _ in range(2)]

    assert [answer.url.path for answer in answers] == ["/bench/loads/L1", "/bench/loads/L1"]


def test_released_twice_is_released_once(bench: Bench, tablet: Tablet) -> None:
    (job,) = bench.order()
    load = bench.burned()
    load = bench.do(load, "inspect", {"jobs": {job: {"result": "pass"}}})
    at = f"/bench/loads/{load['id']}/release"

    answers = [tablet.post(at, etag=load["etag"]) for _ in range(2)]

    assert "Released" in text_of(answers[0].text)
    assert refused(answers[1]) != ""
    assert [move.move_to for move in bench.rows(History)].count("released") == 1


def test_release_and_take_next_are_one_press(bench: Bench, tablet: Tablet) -> None:
    (job,) = bench.order()
    load = bench.do(bench.burned(), "inspect", {"jobs": {job: {"result": "pass"}}})
    bench.order()

    answer = tablet.post(f"/bench/loads/{load['id']}/release", etag=load["etag"], then="next")

    assert answer.url.path == "/bench/loads/L2"
    assert bench.job(job).state == "released" and bench.job("J2").state == "loaded"


# --- a quiet end ---


def test_who_finds_nothing_is_told_what_waits_for_the_other_station(
    sqlite_database: Database, clock: SetClock, tmp_path: Path
) -> None:
    shop = a_bench_shop(stations=2)
    only = replace(shop.stations["s2"], plates={})
    bench = Bench(sqlite_database, clock, tmp_path, replace(shop, stations={**shop.stations, "s2": only}))
    tablet = Tablet(bench)
    bench.order(quantity=3)
    bench.in_background()

    said = text_of(tablet.post("/bench/next", station="s2").text)

    assert "Nothing to take now" in said
    assert "3 units wait for another station" in said
