"""Photographs of pages in a real browser, on a made-up day at Alder & Quay. Times and keys in them are those
of the run, so they are looked at by people and not compared."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Callable
from pathlib import Path

from playwright.sync_api import Browser, Page, sync_playwright

from demo.store.server import OpenStore
from service.plan.promises import keep_promises
from tests.pages.shop import ServedShop, a_store, make_first_start
from tests.pages.test_bench_story import finish, mount, pull_all, seat_all, start, take

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
_TABLET, _SCREEN = (820, 1080), (1280, 800)
#: What is photographed.
TAKEN = (
    "desk-check.png",
    "desk-orders.png",
    "desk-held.png",
    "board.png",
    "bench-queue.png",
    "bench-fetch.png",
    "bench-seat.png",
    "bench-start.png",
    "bench-inspect.png",
    "store-page.png",
    "owner-zone.png",
    "owner-product.png",
)
_WORDS = {"zone": "heel", "text": "For Nan", "font": "lato-bold", "height_mm": 5}


def taken() -> dict[str, bytes]:
    """PNG files by their names."""
    with tempfile.TemporaryDirectory() as folder:
        shop = ServedShop(Path(folder) / "data", make_first_start(Path(folder) / "first"))
        shop.start()
        try:
            with sync_playwright() as playwright:
                browser = playwright.chromium.launch(
                    executable_path=CHROMIUM, args=["--no-sandbox", "--disable-gpu"]
                )
                return _a_day(shop, browser)
        finally:
            shop.stop()


def _a_day(shop: ServedShop, browser: Browser) -> dict[str, bytes]:
    """The desk's morning, then a load at the bench."""
    made: dict[str, bytes] = {}

    def photograph(page: Page, name: str) -> None:
        page.wait_for_load_state("networkidle")
        made[name] = page.screenshot(animations="disabled")

    held = shop.order("AQ-1004", {"inscriptions": [{**_WORDS, "text": "Zo\u00eb \u2665 Bo"}]})["id"]
    for number, (words, quantity) in enumerate(
        [("Marta\nand Jonas", 3), ("Ada", 4), ("For Nan", 2), ("Quay Lane 7", 6)], start=1001
    ):
        line = {"quantity": quantity, "inscriptions": [{**_WORDS, "text": words}]}
        shop.order(f"AQ-{number + (number > 1003)}", line, buyer={"name": "Marta Alder"})
    keep_promises(shop.tools)
    desk = _signed_in(shop, browser, "desk", "Dora", _SCREEN)
    desk.goto("/desk/check")
    _check(desk)
    photograph(desk, "desk-check.png")
    desk.goto("/desk")
    photograph(desk, "desk-orders.png")
    desk.goto(f"/desk/orders/{held}")
    photograph(desk, "desk-held.png")
    _a_load(_signed_in(shop, browser, "bench", "Ines", _TABLET), photograph)
    desk.goto("/board")
    photograph(desk, "board.png")
    describe(_signed_in(shop, browser, "owner", "Olga", _TABLET), photograph)
    with a_store(shop) as store:
        made["store-page.png"] = product_page(store, browser)
    return made


def describe(page: Page, photograph: Callable[[Page, str], None]) -> None:
    """The owner at the shop's description: a zone dragged onto the bevel, and the form of a product."""
    page.goto("/owner/shop/face?file=blades/chef-20.toml&face=0")
    page.locator("#handles .shape.polygon.of-zone").first.focus()
    for key in ("Enter", *["Shift+ArrowDown"] * 6):
        page.keyboard.press(key)
    page.locator("#stage[aria-busy=true]").wait_for(state="detached", timeout=60_000)
    photograph(page, "owner-zone.png")
    page.goto("/owner/shop/table?file=products/products.toml&at=product[8]")
    photograph(page, "owner-product.png")


def product_page(store: OpenStore, browser: Browser) -> bytes:
    """The web store's page with words on a knife, from its heading to its button."""
    page = browser.new_page(viewport={"width": 1000, "height": 800}, base_url=store.address)
    page.goto("/?sku=AQ-HORI-18")
    page.get_by_label("Your words").fill("For Nan")
    page.locator("figure img").wait_for(timeout=60_000)
    page.get_by_label("Your words").blur()
    return page.screenshot(animations="disabled")


def _check(page: Page) -> None:
    page.get_by_label("Words").first.fill("In memory of a long summer by the sea")
    page.wait_for_timeout(500)
    page.locator("#proof[aria-busy=true]").wait_for(state="detached", timeout=60_000)


def _a_load(page: Page, photograph: Callable[[Page, str], None]) -> None:
    photograph(page, "bench-queue.png")
    take(page)
    photograph(page, "bench-fetch.png")
    pull_all(page)
    mount(page)
    photograph(page, "bench-seat.png")
    seat_all(page)
    photograph(page, "bench-start.png")
    start(page)
    finish(page)
    photograph(page, "bench-inspect.png")


def _signed_in(shop: ServedShop, browser: Browser, role: str, name: str, size: tuple[int, int]) -> Page:
    width, height = size
    page = browser.new_context(viewport={"width": width, "height": height}, base_url=shop.address).new_page()
    page.set_default_timeout(60_000)
    answer = page.context.request.post("/sign-in", form={"name": name, "key": shop.keys[role]})
    assert answer.ok, answer.text()
    page.goto("/" + role)
    return page
