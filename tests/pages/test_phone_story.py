"""One order from the buyer's call to its release, with a change by the buyer, in a real browser."""

from __future__ import annotations

import re

import pytest
from playwright.sync_api import Browser, Page, expect

from tests.pages.conftest import SignIn
from tests.pages.operators import Operator
from tests.pages.shop import ServedShop

pytestmark = pytest.mark.page


def test_a_phone_order_goes_from_the_call_to_its_release_with_a_change_by_the_buyer(
    shop: ServedShop, sign_in: SignIn, browser: Browser
) -> None:
    desk = sign_in("desk", "Dora", width=1280, height=900)

    an_order_is_taken(desk)
    the_buyer(browser, a_link(desk), wish="Nan is spelled Nann")
    the_words_are_changed(desk, "For Nann")
    the_buyer(browser, a_link(desk))
    identity = desk.url.rsplit("/", 1)[1]
    barcodes = {
        product.sku: product.barcodes[0] for product in shop.tools.catalogue.current.products.values()
    }
    operator = Operator(sign_in("bench", "Ines"), "north", barcodes)
    seen = steps_of(operator)

    with shop.api("desk") as http:
        order = http.get(f"/v1/orders/{identity}").json()
        assert len(http.get("/v1/orders").json()["orders"]) == 1  # the finger tapped twice
    assert order["state"] == "released"
    assert order["lines"][0]["inscriptions"][0]["text"] == "For Nann"
    assert order["buyer"] == {"name": "Nan Alder"}
    assert [move["to"] for move in order["history"]] == [
        "taken",
        "link_made",
        "change_asked",
        "change_answered",
        "amended",
        "link_made",
        "approved",
    ]
    assert operator.refusals == []
    assert all("Handle is oiled." in seen[state] for state in ("pulled", "burned"))


def an_order_is_taken(desk: Page) -> None:
    desk.get_by_role("link", name="Phone order").click()
    desk.get_by_label("Words", exact=True).fill("For Nan")
    expect(desk.locator("#proof svg").first).to_be_visible()
    expect(desk.locator("#proof")).to_contain_text("can be engraved")
    desk.get_by_label("Buyer", exact=True).fill("Nan Alder")
    desk.get_by_text("Notes", exact=True).click()
    desk.get_by_label("Note for the bench").fill("Handle is oiled.")
    desk.get_by_label("The buyer sees a proof first").check()
    desk.get_by_role("button", name="Take the order").dblclick()
    expect(desk.locator("h1 ~ .state")).to_contain_text("held")


def a_link(desk: Page) -> str:
    desk.get_by_role("button", name="Make a link for the buyer").click()
    return desk.locator("#link").input_value()


def the_buyer(browser: Browser, link: str, *, wish: str = "") -> None:
    """Asks for a change, or agrees."""
    context = browser.new_context(viewport={"width": 390, "height": 844})
    buyer = context.new_page()
    buyer.goto(link)
    expect(buyer.locator(".proof svg")).to_be_visible()
    if wish:
        buyer.get_by_label("What would you like changed?").fill(wish)
        buyer.get_by_role("button", name="Send to us").click()
        expect(buyer.get_by_text("We have your request")).to_be_visible()
        expect(buyer.get_by_role("blockquote")).to_have_text(wish)
    else:
        buyer.get_by_role("button", name=re.compile("Yes, engrave it exactly like this")).click()
        expect(buyer.get_by_text("We will engrave it exactly as shown.")).to_be_visible()
        expect(buyer.get_by_text("Two n at the end: gladly.")).to_be_visible()
        expect(buyer.get_by_text("Changed: the picture below")).to_be_visible()
    assert "Ricasso" not in buyer.content()  # the page speaks as the shop
    context.close()


def the_words_are_changed(desk: Page, words: str) -> None:
    desk.reload()
    expect(desk.get_by_text("Nan is spelled Nann").first).to_be_visible()
    desk.get_by_label("Answer the buyer").fill("Two n at the end: gladly.")
    desk.get_by_role("button", name="Send the answer").click()
    expect(desk.get_by_text("Your answer: Two n at the end: gladly.")).to_be_visible()
    desk.get_by_text("Change the words", exact=True).click()
    desk.locator("textarea[name=words]").fill(words)
    expect(desk.locator(".tried svg").first).to_be_visible()
    desk.get_by_role("button", name="Check and keep these words").click()
    expect(desk.locator(".words").first).to_have_text(words)


def steps_of(operator: Operator) -> dict[str, str]:
    """The load worked to its end; what its page said at each step."""
    seen: dict[str, str] = {}
    while operator.work():
        seen.setdefault(operator.state, operator.page.locator("#live").inner_text())
    return seen
