"""Taps from "take" to "release" for a load of six units of one kind from one bin, in a real browser."""

from __future__ import annotations

import shutil
import tempfile
from pathlib import Path

from playwright.sync_api import sync_playwright

from tests.bench.timing import figure, input_line
from tests.pages.shop import ServedShop, make_first_start
from tests.pages.taps import SIX, one_load


def main() -> None:
    found = shutil.which("chromium") or shutil.which("chromium-browser")
    if found is None:
        print("# taps_per_load: NOT MEASURED, there is no chromium here")
        return
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as playwright:
        shop = ServedShop(Path(folder) / "data", make_first_start(Path(folder) / "first"))
        shop.start()
        try:
            for station in ("north", "south"):
                (shop.data / "stations" / station).mkdir(parents=True)
            shop.order("AQ-1", SIX)
            browser = playwright.chromium.launch(
                executable_path=found, args=["--no-sandbox", "--disable-gpu"]
            )
            page = browser.new_context(base_url=shop.address).new_page()
            page.set_default_timeout(60_000)
            page.goto("/sign-in")
            page.get_by_label("Your name").fill("Ines")
            page.get_by_label("Key", exact=True).fill(shop.keys["bench"])
            page.get_by_role("button", name="Sign in").click()
            page.wait_for_url("**/bench")
            hand = one_load(page)
            browser.close()
        finally:
            shop.stop()
    said = f"{hand.taps} taps, {hand.keys} keys"
    input_line("taps_per_load", "6 x AQ-CHEF-20 from one bin, one load of one turn, aim 8", said)
    figure("taps_per_load", hand.taps)
    figure("keystrokes_per_load", hand.keys)


if __name__ == "__main__":
    main()
