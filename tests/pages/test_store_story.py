"""From a product page to a released order: the made-up web store, the component, the bench's own pages."""

from __future__ import annotations

import re
import time
from collections.abc import Iterator

import httpx
import pytest
from playwright.sync_api import Browser, Page, expect

from demo.store.server import OpenStore
from tests.pages.conftest import SignIn
from tests.pages.shop import ServedShop, a_store
from tests.pages.test_access import must_be_usable
from tests.pages.test_bench_story import finish, pull_all, release, seat_all, start, take

pytestmark = pytest.mark.page


@pytest.fixture
def store(shop: ServedShop) -> Iterator[OpenStore]:
    with a_store(shop) as opened:
        yield opened


@pytest.fixture
def buyer(browser: Browser, store: OpenStore) -> Iterator[Page]:
    """Somebody on a telephone."""
    context = browser.new_context(
        viewport={"width": 360, "height": 740}, has_touch=True, base_url=store.address
    )
    page = context.new_page()
    page.set_default_timeout(60_000)
    blocked: list[str] = []
    page.on("pageerror", lambda error: blocked.append(str(error)))
    page.on("console", lambda said: "Content Security" in said.text and blocked.append(said.text))
    yield page
    context.close()
    assert blocked == []


@pytest.mark.long
def test_words_typed_on_a_product_page_are_engraved_and_released(
    shop: ServedShop, sign_in: SignIn, buyer: Page
) -> None:
    buyer.goto("/")
    buyer.get_by_label("Your words").fill("Happy birthday, dearest grandmother Wilhelmina")
    expect(buyer.locator("#add")).to_be_disabled()
    expect(buyer.locator("[part~=verdict]")).to_have_class("verdict refuse")
    buyer.locator("[part=suggestion]").first.tap()
    expect(buyer.locator("[part~=verdict]")).to_have_class("verdict accept")
    expect(buyer.locator("figure img")).to_be_visible()
    must_be_usable(buyer)

    buyer.get_by_label("Your words").fill("For Nan")
    expect(buyer.get_by_role("img", name=re.compile("engraved: For Nan"))).to_be_visible()
    buyer.get_by_role("button", name="Add to basket").tap()
    expect(buyer.get_by_role("heading", name="Basket")).to_be_visible()
    must_be_usable(buyer)
    buyer.get_by_role("button", name="Order and pay").tap()
    expect(buyer.locator("#state")).to_have_text("We have your order.")
    expect(buyer.locator("#rest")).to_contain_text("taken")
    must_be_usable(buyer)
    ref = buyer.url.rsplit("/", 1)[1]

    bench = sign_in("bench", "Ines")
    take(bench)
    pull_all(bench)
    seat_all(bench)
    start(bench)
    finish(bench)
    bench.get_by_role("button", name="✓ Pass").click()
    release(bench)
    expect(buyer.locator("#state")).to_have_text("Your order is being packed.")
    buyer.get_by_role("button", name="See what will be engraved").tap()

    expect(buyer.get_by_role("heading", name=f"Your engraving Order {ref}")).to_be_visible()
    with shop.api("store") as http:
        [order] = http.get("/v1/orders", params={"order_ref": ref}).json()["orders"]
    assert (order["state"], order["lines"][0]["inscriptions"][0]["text"]) == ("released", "For Nan")


def test_an_order_is_cancelled_on_its_page_and_a_second_tap_orders_nothing_twice(
    shop: ServedShop, buyer: Page
) -> None:
    buyer.goto("/language/de")
    buyer.goto("/?sku=AQ-GRAFT-7")
    buyer.get_by_label("Ihr Text").fill("Bo")
    expect(buyer.get_by_role("img", name=re.compile("graviert: Bo"))).to_be_visible()
    buyer.get_by_role("button", name="In den Warenkorb").tap()
    buyer.get_by_role("button", name="Kostenpflichtig bestellen").dblclick()
    expect(buyer.locator("#state")).to_have_text("Wir haben Ihre Bestellung.")

    buyer.get_by_role("button", name="Bestellung stornieren").tap()
    expect(buyer.locator("#state")).to_have_text("Ihre Bestellung ist storniert.")

    with shop.api("store") as http:
        orders = http.get("/v1/orders").json()["orders"]
    assert [order["state"] for order in orders] == ["cancelled"]


def test_a_call_that_the_service_did_not_sign_changes_nothing(store: OpenStore) -> None:
    forged = {
        "webhook-id": "ev_1",
        "webhook-timestamp": str(int(time.time())),
        "webhook-signature": "v1,AAAA",
    }
    said = {"type": "order.released", "timestamp": "2026-12-01T09:00:00Z", "data": {"order_ref": "W-1"}}

    answer = httpx.post(f"{store.address}/told", json=said, headers=forged)

    assert answer.status_code == 401
    assert httpx.get(f"{store.address}/orders/W-1").status_code == 404
