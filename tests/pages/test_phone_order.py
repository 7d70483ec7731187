"""An order taken on the telephone, as its page is sent: what is posted, what a second press does, the same
again."""

from __future__ import annotations

import html
import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from httpx import Response
from sqlalchemy import select
from sqlalchemy.orm import Session

from service.pages import samples
from service.records.db import Database
from service.records.tables import OrderLine
from tests.clocks import SetClock
from tests.counter import Counter, a_line, an_inscription, an_open_counter, an_order

FORM = {
    "sku": "AQ-HORI-18",
    "zone": "ricasso",
    "words": "Allotment 7",
    "font": "lato-bold",
    "height": "3",
    "quantity": "2",
    "order_ref": "T-1",
    "ship_by": "2026-12-04",
    "buyer": "Nan Alder",
    "gift_note": "Happy birthday!",
    "key": "a-form-of-its-own",
}


@pytest.fixture
def counter(sqlite_database: Database, clock: SetClock, tmp_path: Path) -> Iterator[Counter]:
    with an_open_counter(sqlite_database, clock, tmp_path) as opened:
        opened.client.post("/sign-in", data={"key": opened.keys["desk"], "name": "Dora"})
        yield opened


def send(counter: Counter, **fields: str) -> Response:
    token = re.search(r'name="token" value="([^"]+)"', counter.client.get("/desk/phone").text)
    assert token
    form = {**FORM, **fields, "token": token[1]}
    return counter.client.post("/desk/phone", data=form, follow_redirects=False)


def filled_in(page: str) -> dict[str, str]:
    """What the fields of the form hold."""
    fields = re.findall(r'<input[^>]*name="(\w+)"[^>]*?value="([^"]*)"(?! class)[^>]*>', page)
    typed = {name: html.unescape(value) for name, value in fields if name not in {"font", "proof"}}
    chosen = re.findall(r'<select[^>]*name="(\w+)".*?</select>', page, re.DOTALL)
    for name in chosen:
        select = page.split(f'name="{name}"')[1].split("</select>", maxsplit=1)[0]
        picked = re.search(r'value="([^"]*)" selected', select)
        typed[name] = picked[1] if picked else ""
    font = re.search(r'value="([\w-]+)" checked', page)
    words = re.search(r'<textarea id="words"[^>]*>(.*?)</textarea>', page, re.DOTALL)
    assert font and words
    return typed | {"font": font[1], "words": html.unescape(words[1])}


def orders(counter: Counter) -> list[dict[str, Any]]:
    listed: list[dict[str, Any]] = counter.ask("desk", "GET", "/v1/orders").json()["orders"]
    return listed


def test_an_order_taken_on_the_page_is_an_order_like_any_other(counter: Counter) -> None:
    answer = send(counter, do="take")

    order = orders(counter)[0]
    assert (answer.status_code, answer.headers["Location"]) == (303, f"/desk/orders/{order['id']}")
    assert (order["client"], order["order_ref"], order["state"]) == ("desk-1", "T-1", "ready")
    assert order["ship_by"] == "2026-12-04T23:59:59+00:00"  # the end of that day on the shop's clock
    assert (order["buyer"], order["notes"]) == ({"name": "Nan Alder"}, {"gift": "Happy birthday!"})
    line = order["lines"][0]
    assert (line["quantity"], line["inscriptions"]) == (
        2,
        [{"zone": "ricasso", "kind": "text", "text": "Allotment 7", "font": "lato-bold", "height_mm": 3.0}],
    )


def test_a_finger_that_taps_twice_makes_one_order(counter: Counter) -> None:
    first, second = send(counter, do="take"), send(counter, do="take")

    assert first.headers["Location"] == second.headers["Location"]
    assert len(orders(counter)) == 1


def test_what_is_only_checked_is_not_taken(counter: Counter) -> None:
    page = send(counter).text

    assert "can be engraved" in page and "<svg" in page
    assert orders(counter) == []


def test_a_suggestion_and_further_places_change_the_form_and_nothing_else(counter: Counter) -> None:
    refused = send(counter, height="60").text
    offered = re.search(r'name="suggestion" value="([^"]+)"', refused)
    assert offered

    taken = filled_in(send(counter, height="60", suggestion=html.unescape(offered[1])).text)
    another = filled_in(send(counter, do="another").text)
    answer = send(counter, do="take", more=another["more"], zone="ricasso_back", words="1 May")

    assert taken["words"].split() == ["Allotment", "7"] and taken["height"] != "60"
    assert (taken["order_ref"], taken["buyer"], taken["key"]) == ("T-1", "Nan Alder", FORM["key"])
    assert another["words"] == ""
    assert answer.status_code == 303
    marks = orders(counter)[0]["lines"][0]["inscriptions"]
    assert [(mark["zone"], mark["text"]) for mark in marks] == [
        ("ricasso_back", "1 May"),
        ("ricasso", "Allotment 7"),
    ]


def test_what_can_not_be_engraved_is_taken_and_held(counter: Counter) -> None:
    send(counter, do="take", words="Zo\u00eb \u2665")

    assert orders(counter)[0]["state"] == "held"


@pytest.mark.parametrize(
    "wrong",
    [
        {"quantity": "100"},
        {"quantity": "two"},
        {"ship_by": "soon"},
        {"order_ref": " "},
        {"height": "tall"},
        {"more": "{}"},
        {"suggestion": "]"},
        {"key": "short"},
        {"buyer": "N" * 121},
        {"order_ref": "W-taken"},
    ],
)
def test_what_is_refused_is_said_and_what_was_typed_stays(counter: Counter, wrong: dict[str, str]) -> None:
    counter.post_order(an_order(order_ref="W-taken"), role="desk")

    answer = send(counter, do="take", **wrong)

    assert 400 <= answer.status_code < 500
    assert 'role="alert"' in answer.text
    assert filled_in(answer.text)["words"] == FORM["words"]
    assert len(orders(counter)) == 1


def test_the_same_again_is_filled_in_from_the_line_with_all_its_places(counter: Counter) -> None:
    line = a_line(
        line_ref="2",
        quantity=3,
        inscriptions=[
            an_inscription(zone="ricasso_back", text="1 May", align="start"),
            an_inscription(size="largest", height_mm=None),
        ],
    )
    order = counter.post_order(an_order(lines=[a_line(), line], buyer={"name": "Nan Alder"})).json()

    page = counter.client.get(f"/desk/phone?as={order['id']}&line=2").text

    given = filled_in(page)
    wanted = {"zone": "ricasso_back", "words": "1 May", "align": "start", "quantity": "3", "height": "3"}
    assert {name: given[name] for name in wanted} == wanted
    assert (given["sku"], given["buyer"]) == ("AQ-HORI-18", "Nan Alder")
    assert given["order_ref"] != order["order_ref"]
    again = {name: given[name] for name in ("sku", "zone", "words", "font", "height", "align", "more")}
    assert send(counter, do="take", **again).status_code == 303
    copied, copy_of = orders(counter)[0]["lines"][0], order["lines"][1]
    assert copied["inscriptions"] == copy_of["inscriptions"]


def test_the_same_again_is_engraved_as_approved_unless_something_is_changed(counter: Counter) -> None:
    """Where the first may be burned is told apart from where a new check would put it: one place only."""
    first = counter.post_order(an_order()).json()["id"]

    def eligible(session: Session) -> list[list[Any]]:
        return [line.eligible for line in session.scalars(select(OrderLine).order_by(OrderLine.id))]

    def only_one(session: Session) -> None:
        line = session.scalars(select(OrderLine)).one()
        line.eligible = line.eligible[:1]

    counter.tools.database.write(only_one)
    page = counter.client.get(f"/desk/phone?as={first}").text
    given = filled_in(page)
    again = {name: given[name] for name in ("sku", "zone", "words", "font", "height", "align", "more")}
    again |= {name: given[name] for name in ("as_order", "as_line")}
    put_aside = filled_in(send(counter, do="line", **again).text)
    rest = {"lines": put_aside["lines"], "as_order": put_aside["as_order"], "words": ""}
    for key, fields in (("a", again), ("b", again | {"words": "Allotment 8"}), ("c", again | rest)):
        sent = send(counter, do="take", key=f"same-again-{key}", order_ref=f"T-{key}", **fields)
        assert sent.status_code == 303

    assert "engraved as approved then" in page
    with counter.tools.database.reading() as session:
        before, same, changed, aside = eligible(session)
    assert before == same == aside != changed


@pytest.mark.parametrize("asked", ["as=O9", "as=O1&line=7", "as=L1"])
def test_a_line_that_is_not_there_is_not_the_same_again(counter: Counter, asked: str) -> None:
    counter.post_order(an_order())

    assert counter.client.get(f"/desk/phone?{asked}").status_code in {404, 422}


def test_a_font_is_shown_by_its_own_name(counter: Counter) -> None:
    picture = counter.client.get("/desk/fonts/lato-bold.svg")

    assert picture.headers["Content-Type"] == "image/svg+xml"
    assert picture.text.startswith("<svg") and "<path" in picture.text
    assert counter.client.get("/desk/fonts/none.svg").status_code == 404


def test_two_instances_of_a_font_file_have_two_pictures(counter: Counter) -> None:
    tools = counter.tools
    font = tools.catalogue.current.fonts["inter-semibold"]
    assert font.axes
    bold = replace(font, font="inter-black", name=font.name, axes=(("opsz", 14.0), ("wght", 900.0)))

    pictures = {samples.font_picture(tools, spec) for spec in (font, bold, font, replace(font, name="Other"))}

    assert len(pictures) == 3


def test_the_words_of_an_erased_order_can_not_be_had_again(counter: Counter) -> None:
    order = counter.post_order(an_order()).json()
    at = f"/v1/orders/{order['id']}"
    etag = counter.ask("desk", "GET", at).headers["ETag"]
    counter.ask("desk", "POST", f"{at}/cancel", {"reason": ""}, If_Match=etag)
    assert counter.ask("desk", "POST", f"{at}/erase", {}).status_code == 200

    answer = counter.client.get(f"/desk/phone?as={order['id']}&line=1")

    assert answer.status_code == 409
    assert "its words were erased" in html.unescape(answer.text)


def test_one_call_may_order_several_products(counter: Counter) -> None:
    aside = filled_in(send(counter, do="line").text)
    both = {**aside, "sku": "AQ-CHEF-20", "zone": "heel", "words": "Nan", "quantity": "1", "gift_note": ""}

    send(counter, **both, do="take")

    lines = orders(counter)[0]["lines"]
    assert [(line["line_ref"], line["sku"], line["quantity"]) for line in lines] == [
        ("1", FORM["sku"], 2),
        ("2", "AQ-CHEF-20", 1),
    ]
    assert [line["inscriptions"][0]["text"] for line in lines] == ["Allotment 7", "Nan"]


def test_a_line_that_was_put_aside_is_taken_alone_or_left_out_again(counter: Counter) -> None:
    aside = filled_in(send(counter, do="line").text)
    assert aside["words"] == ""

    left_out = filled_in(send(counter, **aside, drop_line="0").text)
    send(counter, **aside, do="take")

    assert left_out["lines"] == "[]"
    assert [line["quantity"] for line in orders(counter)[0]["lines"]] == [2]


def test_buyer_and_notes_are_changed_later(counter: Counter) -> None:
    page = counter.client.get(send(counter, do="take").headers["Location"])
    token, etag = (
        html.unescape(found[1])
        for name in ("token", "etag")
        if (found := re.search(f'name="{name}" value="([^"]+)"', page.text))
    )
    form = {"token": token, "etag": etag, "buyer": " Nann  Alder", "bench": "Handle is oiled."}

    done = counter.client.post(f"{page.url.path}/notes", data=form, follow_redirects=False)
    stale = counter.client.post(f"{page.url.path}/notes", data=form, follow_redirects=False)

    assert (done.status_code, stale.status_code) == (303, 412)
    order = counter.ask("desk", "GET", "/v1/orders?q=nann").json()["orders"][0]
    assert (order["buyer"], order["notes"]) == ({"name": "Nann Alder"}, {"bench": "Handle is oiled."})


def test_links_are_made_and_withdrawn_on_the_order_s_page(counter: Counter) -> None:
    page = counter.client.get(send(counter, do="take").headers["Location"])
    found = re.search('name="token" value="([^"]+)"', page.text)
    assert found and "withdraw-links" not in page.text  # there is none yet
    made = counter.client.post(f"{page.url.path}/proof-link", data={"token": found[1]})
    link = re.search('id="link" readonly value="([^"]+)"', made.text)
    assert link

    before = counter.client.get(link[1])
    counter.client.post(f"{page.url.path}/withdraw-links", data={"token": found[1]})
    after = counter.client.get(link[1])

    assert "withdraw-links" in made.text
    assert (before.status_code, after.status_code) == (200, 409)
    assert "this link was withdrawn" in after.text
    assert "Alder &amp; Quay" in before.text and "Alder &amp; Quay" in after.text
    assert "Ricasso" not in before.text + after.text  # both speak as the shop
