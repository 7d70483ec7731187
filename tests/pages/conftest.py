"""A real browser and a served shop. Without Chromium these tests are skipped, and say so."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, BrowserContext, Page, expect, sync_playwright

from tests.pages.shop import FirstStart, ServedShop, make_first_start

#: The first of these that is here. The headless shell draws nothing for a screen, and takes less than half of
#: the time for the same pages.
_BROWSERS = ("chromium-headless-shell", "chromium", "chromium-browser", "google-chrome")
_CHROMIUM = next(filter(None, map(shutil.which, _BROWSERS)), None)
_FLAGS = ["--no-sandbox", "--disable-gpu", "--disable-background-networking"]
SignIn = Callable[..., Page]
_LONGEST_MS = 60_000  # a step may build files first, and the machine may be busy
expect.set_options(timeout=_LONGEST_MS)


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    if _CHROMIUM is None:
        pytest.skip("NO BROWSER: chromium is not installed, so no page was tested")
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=_CHROMIUM, args=_FLAGS)
        yield browser
        browser.close()


@pytest.fixture(scope="session")
def first_start(tmp_path_factory: pytest.TempPathFactory) -> FirstStart:
    return make_first_start(tmp_path_factory.mktemp("first-start") / "data")


@pytest.fixture
def shop(tmp_path: Path, first_start: FirstStart) -> Iterator[ServedShop]:
    served = ServedShop(tmp_path / "data", first_start)
    served.start()
    yield served
    served.stop()


@pytest.fixture
def sign_in(browser: Browser, shop: ServedShop) -> Iterator[SignIn]:
    """Sign somebody in on a browser of their own; an error in a page's script fails the test. Only `typed`
    fills the form: drawing one page more for everybody takes a minute of all tests' time."""
    contexts: list[BrowserContext] = []
    broken: list[str] = []

    def enter(
        role: str,
        name: str,
        *,
        javascript: bool = True,
        width: int = 820,
        height: int = 1180,
        typed: bool = False,
    ) -> Page:
        context = browser.new_context(
            viewport={"width": width, "height": height}, java_script_enabled=javascript, base_url=shop.address
        )
        contexts.append(context)
        page = context.new_page()
        page.set_default_timeout(_LONGEST_MS)
        page.on("pageerror", lambda error: broken.append(str(error)))
        at_home = "/" + {"bench": "bench", "desk": "desk", "owner": "owner"}[role]
        if typed:
            page.goto("/sign-in")
            page.get_by_label("Your name").fill(name)
            page.get_by_label("Key", exact=True).fill(shop.keys[role])
            page.get_by_role("button", name="Sign in").click()
            page.wait_for_url(f"**{at_home}")
        else:
            signed_in = context.request.post("/sign-in", form={"name": name, "key": shop.keys[role]})
            assert signed_in.ok, signed_in.text()
            page.goto(at_home)
        return page

    yield enter
    for context in contexts:
        context.close()
    assert broken == []
