"""The description of the HTTP surface in its viewer, for whoever has a key."""

from __future__ import annotations

from pathlib import Path

import pytest
from playwright.sync_api import Browser, expect

from service.app import description
from service.records.db import Database
from tests.clocks import SetClock
from tests.counter import an_open_counter
from tests.pages.shop import ServedShop


@pytest.mark.page
def test_a_store_s_key_opens_the_description_and_nothing_comes_from_elsewhere(
    shop: ServedShop, browser: Browser
) -> None:
    context = browser.new_context(base_url=shop.address, viewport={"width": 390, "height": 844})
    page = context.new_page()
    asked: list[str] = []
    broken: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    page.on("pageerror", lambda error: broken.append(str(error)))

    page.goto("/docs")
    page.get_by_label("Key", exact=True).fill("rcs_store_not_a_key")
    page.get_by_role("button", name="Show", exact=True).click()
    expect(page.get_by_text("The key was not taken.")).to_be_visible()
    page.get_by_label("Key", exact=True).fill(shop.keys["store"])
    page.get_by_role("button", name="Show", exact=True).click()
    expect(page.locator("#operations-orders-take_order")).to_be_visible()

    operations = [one for methods in description()["paths"].values() for one in methods.values()]
    hooks = description()["webhooks"]
    assert page.locator(".opblock").count() == len(operations) + len(hooks)
    assert page.get_by_label("Key", exact=True).is_hidden()
    assert [url for url in asked if not url.startswith((shop.address, "data:"))] == []
    assert page.locator(".try-out").count() == 0
    assert page.evaluate("document.documentElement.scrollWidth <= document.documentElement.clientWidth")
    assert broken == []
    context.close()


def test_a_shop_that_does_not_serve_the_description_has_no_viewer(
    sqlite_database: Database, clock: SetClock, tmp_path: Path
) -> None:
    with an_open_counter(sqlite_database, clock, tmp_path, docs=False) as counter:
        assert counter.client.get("/docs").status_code == 404
    with an_open_counter(sqlite_database, clock, tmp_path) as counter:
        assert counter.client.get("/docs").status_code == 200
        assert counter.client.get("/docs/favicon.png").status_code == 404
        styles = counter.client.get("/docs/swagger-ui.css")
    assert styles.headers["content-type"] == "text/css; charset=utf-8"
    assert b".opblock" in styles.content
