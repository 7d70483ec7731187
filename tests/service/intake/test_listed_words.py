"""Words of the shop's lists: held or refused, never silently, with the reason at the desk, nowhere else."""

from __future__ import annotations

import html
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import select

from service.records.db import Database
from service.records.tables import Event, OrderLine
from tests.clocks import SetClock
from tests.counter import STORE_PAGES, Counter, a_line, an_inscription, an_open_counter, an_order

#: What the made-up shop's list says of these words (fixtures/words/en.toml).
LOOKED_AT, REFUSED = "Thistledown Forge", "Gadzooks"
SECRETS = ("names and marks", "has the buyer the right", "for_desk", "coarse", "Coarse")


@pytest.fixture
def counter(sqlite_database: Database, clock: SetClock, tmp_path: Path) -> Iterator[Counter]:
    with an_open_counter(sqlite_database, clock, tmp_path) as opened:
        yield opened


def posted(counter: Counter, words: str, **changes: Any) -> Any:
    body = an_order(lines=[a_line(inscriptions=[an_inscription(text=words, height_mm=2.0)])], **changes)
    return counter.post_order(body)


def line_of(counter: Counter, order: str, role: str) -> dict[str, Any]:
    line: dict[str, Any] = counter.ask(role, "GET", f"/v1/orders/{order}").json()["lines"][0]
    return line


def test_words_to_be_looked_at_hold_the_order_until_the_desk_has(counter: Counter) -> None:
    order = posted(counter, LOOKED_AT).json()

    assert order["lines"][0]["hold_reason"] == "review"
    approved = counter.ask(
        "desk", "POST", f"/v1/orders/{order['id']}/approve", {"lines": ["1"], "by": "desk"}, If_Match="*"
    )
    assert approved.status_code == 200, approved.text
    assert line_of(counter, order["id"], "desk")["state"] == "ready"


def test_the_desk_reads_why_and_the_store_does_not(counter: Counter) -> None:
    taken = posted(counter, LOOKED_AT)
    order = taken.json()["id"]

    for role in ("desk", "owner"):
        line = line_of(counter, order, role)
        why = [
            finding.get("for_desk") for finding in line["findings"] if finding["code"] == "words_to_review"
        ]
        assert why == [
            "“Thistledown Forge” (names and marks): "
            "Somebody else's name or mark: has the buyer the right to it?"
        ]
        assert line["holds"][0]["details"]["findings"][0]["for_desk"] == why[0]
    told = [taken.text, json.dumps(line_of(counter, order, "store"))]
    told.append(counter.ask("store", "GET", "/v1/orders").text)
    told.append(
        counter.ask(
            "store",
            "PATCH",
            f"/v1/orders/{order}/lines/1",
            {"inscriptions": [an_inscription(text="Thistledown Forge!", height_mm=2.0)]},
            If_Match="*",
        ).text
    )
    with counter.tools.database.reading() as session:
        told += [json.dumps(event.data) for event in session.scalars(select(Event))]
        assert any("for_desk" in finding for finding in session.scalars(select(OrderLine)).one().findings)
    assert all("words_to_review" in text for text in told[:3])
    assert not [(secret, text) for text in told for secret in SECRETS if secret in text]


def test_a_check_and_a_preview_tell_nobody_outside_which_word_it_was(counter: Counter) -> None:
    body = {"sku": "AQ-HORI-18", "inscriptions": [an_inscription(text=f"{REFUSED}, Ada", height_mm=2.0)]}

    store, desk = (counter.ask(role, "POST", "/v1/checks", body).json() for role in ("store", "desk"))
    preview = counter.ask("storefront", "POST", "/v1/previews", body, Origin=STORE_PAGES).json()

    assert store["verdict"] == desk["verdict"] == preview["verdict"] == "refuse"
    (finding,) = store["findings"]
    assert finding == {
        "code": "words_not_taken",
        "severity": "refuse",
        "inscription": 0,
        "message": "The shop does not engrave these words.",
        "suggestions": [],
    }
    assert desk["findings"][0]["for_desk"] == "“gadzooks” (coarse): Coarse: not engraved by this shop"
    assert [f["message"] for f in preview["findings"]] == [
        "We can't engrave these words. Please choose others."
    ]
    assert preview["suggestions"] == [] and not any(secret in json.dumps(preview) for secret in SECRETS)


def test_refused_words_are_never_dropped_and_can_be_refused_at_once(counter: Counter) -> None:
    held = posted(counter, REFUSED).json()
    refused = posted(counter, REFUSED, if_unengravable="refuse")

    assert held["lines"][0]["hold_reason"] == "findings"
    assert refused.json()["lines"][0]["findings"][0]["code"] == "words_not_taken"
    assert refused.status_code == 422 and not any(secret in refused.text for secret in SECRETS)


def test_the_desk_s_pages_say_why_and_the_buyer_s_does_not(counter: Counter) -> None:
    order = posted(counter, LOOKED_AT, proof="buyer").json()["id"]
    counter.client.post("/sign-in", data={"key": counter.keys["desk"], "name": "Dora"})

    for address in ("/desk", f"/desk/orders/{order}"):
        page = html.unescape(counter.client.get(address).text)
        assert "“Thistledown Forge” (names and marks)" in page, address
    tried = counter.ask("desk", "POST", f"/v1/orders/{order}/proof-link", {})
    link = tried.json()["url"]
    counter.client.cookies.clear()
    buyers = counter.client.get(link.removeprefix("http://testserver"))
    assert buyers.status_code == 200
    assert not any(secret in html.unescape(buyers.text) for secret in SECRETS)
