"""Packing in a real browser: an order of three units over two loads, gathered by scanner and by finger on two
tablets, with everything that can be scanned wrongly."""

from __future__ import annotations

import re
from typing import Any

import httpx
import pytest
from playwright.sync_api import Page, expect

from tests.pages.conftest import SignIn
from tests.pages.operators import follow
from tests.pages.shop import ServedShop
from tests.pages.test_access import GLOVE_PX, must_be_usable, must_have_targets

pytestmark = pytest.mark.page

_HORI = {
    "sku": "AQ-HORI-18",
    "inscriptions": [{"zone": "ricasso", "text": "For Nan", "font": "lato-bold", "height_mm": 6.0}],
}


def scan(page: Page, code: str) -> None:
    """As a scanner does it: typed into no field, then Enter."""
    page.evaluate("document.activeElement.blur()")
    page.keyboard.type(code)
    page.keyboard.press("Enter")


def answers_come_late(page: Page) -> None:
    """What the page asks for takes half a second longer, as where the wireless is bad."""
    page.evaluate(
        """() => {
            const really = window.fetch;
            window.fetch = async (...asked) => {
                await new Promise((go) => setTimeout(go, 500));
                return really(...asked);
            };
        }"""
    )


def took(http: httpx.Client) -> dict[str, Any]:
    """The next load of the north station."""
    answer = http.post("/v1/loads/next", json={"station": "north", "operator": "Ines"})
    assert answer.status_code == 201, answer.text
    load: dict[str, Any] = answer.json()
    return load


def released(http: httpx.Client, load: dict[str, Any]) -> None:
    """A load burned, passed and released, as a station's own program would do it."""

    def do(what: str, body: dict[str, Any]) -> None:
        nonlocal load
        at = f"/v1/loads/{load['id']}/{what}"
        answer = http.post(at, json=body, headers={"If-Match": load["etag"]})
        assert answer.status_code == 200, answer.text
        load = answer.json()

    do("mounted", {"turn": 1, "copy": load["copy"], "how": "scanned"})
    do("pulled", {"jobs": {one["job"]: "found" for one in load["jobs"]}})
    do("seated", {"turn": 1, "slots": {slot["slot"]: "seated" for slot in load["turns"][0]["slots"]}})
    do("start", {"turn": 1, "file_sha256": load["turns"][0]["file_sha256"]})
    do("finish", {"turn": 1})
    do("inspect", {"jobs": {one["job"]: {"result": "pass"} for one in load["jobs"]}})
    do("release", {})


def test_an_order_over_two_loads_is_gathered_on_two_tablets_and_leaves(
    shop: ServedShop, sign_in: SignIn
) -> None:
    shop.order("AQ-1", {"quantity": 2}, _HORI, notes={"gift": "Happy birthday, Nan!"})
    shop.order("AQ-2")
    with shop.api("bench") as http:
        knives = took(http)
        assert sorted(one["job"] for one in knives["jobs"]) == ["J1", "J2", "J4"]
        released(http, knives)
        last = took(http)
    ada, ben = sign_in("bench", "Ada", width=1280, height=900), sign_in("bench", "Ben", width=390, height=844)
    alert = ada.get_by_role("alert").filter(visible=True)
    follow(ada, ada.get_by_role("link", name="Packing"))

    # Sorting: each box to its shelf; a single unit needs none.
    scan(ada, "J1")
    expect(ada.get_by_text("✓ J1: order AQ-1")).to_be_visible()
    said = ada.get_by_role("status").filter(has_text="J1")
    expect(said).to_contain_text("Shelf P1")
    expect(said).to_contain_text("1 of 3 here")
    expect(said).to_contain_text(f"J3 in {last['id']} at north: being pulled")
    scan(ada, "J1")
    expect(ada.get_by_text("J1 was scanned before; nothing has changed")).to_be_visible()
    scan(ada, "J3")
    expect(alert).to_contain_text(f"is not released yet; it belongs to {last['id']} at north")
    scan(ada, "J4")
    expect(ada.get_by_role("link", name="Complete: pack AQ-2 now")).to_be_visible()
    ben.goto("/packing")
    for page in (ada, ben):
        must_be_usable(page)
        must_have_targets(page, GLOVE_PX)

    # Two boxes scanned before anything is answered: the second one's page still says what was wrong.
    answers_come_late(ada)
    scan(ada, "J99")
    scan(ada, "J1")
    expect(ada.get_by_text("J1 was scanned before; nothing has changed")).to_be_visible()
    expect(alert).to_contain_text("there is no unit J99")

    # One order open: only its own things are taken; another tablet adds to it by finger.
    ada.goto("/packing/O1")
    ben.goto("/packing/O1")
    expect(ada.get_by_text("Happy birthday, Nan!")).to_be_visible()
    scan(ada, "J4")
    expect(alert).to_contain_text("wrong box: J4 is for order AQ-2; order AQ-1 is open here")
    ben.get_by_role("button", name="✓ J2 is here").click()
    expect(ben.get_by_text("2 of 3 here")).to_be_visible()
    expect(ada.get_by_text("2 of 3 here")).to_be_visible()
    expect(alert).to_contain_text("wrong box: J4")  # somebody else's box does not take a refusal away
    scan(ada, "SHELF.P3")
    expect(ada.get_by_text("It stands on shelf P3")).to_be_visible()
    scan(ada, "O1")
    expect(alert).to_contain_text("order AQ-1 is not complete; still missing: J3")
    expect(ben.get_by_role("button", name="Packed and handed over")).to_have_count(0)

    # The second load comes; the list ends the order, once, however many say so.
    with shop.api("bench") as http:
        released(http, last)
    scan(ben, "J3")
    expect(ben.get_by_text("3 of 3 here")).to_be_visible()
    expect(ada.get_by_role("button", name="Packed and handed over")).to_be_visible()
    for page in (ada, ben):
        must_be_usable(page)
        must_have_targets(page, GLOVE_PX)
    cay = sign_in("bench", "Cay", javascript=False)  # whose page does not hear that somebody was faster
    cay.goto("/packing/O1")
    ben.get_by_role("button", name="Packed and handed over").click()
    expect(ben.get_by_text("✓ AQ-1 is handed over")).to_be_visible()
    cay.get_by_role("button", name="Packed and handed over").click()
    expect(cay.get_by_role("status").filter(has_text="✓ AQ-1 is handed over")).to_contain_text("by Ben")
    expect(ada.get_by_text("✓ Handed over")).to_be_visible()
    follow(ada, ada.get_by_role("link", name="On to the next box"))
    scan(ada, "J2")
    expect(alert).to_contain_text("wrong box: order AQ-1 of J2 has been handed over")

    # By its list, without a touch, faster than the answers come: the second scan is the opened order's.
    answers_come_late(ben)
    scan(ben, "O2")
    ben.keyboard.type("o")
    ben.wait_for_url(re.compile(r"/packing/O2$"))
    ben.keyboard.type("2")
    ben.keyboard.press("Enter")
    expect(ben.get_by_text("✓ AQ-2 is handed over")).to_be_visible()
    with shop.api("desk") as http:
        order = http.get("/v1/orders/O1").json()
        packing = http.get("/v1/packing").json()
    assert order["state"] == "handed_over"
    assert [event["to"] for event in order["history"]].count("handed_over") == 1
    assert (packing["orders"], packing["waiting"]) == ([], 0)
    assert {shelf["order"] for shelf in packing["shelves"]} == {None}
