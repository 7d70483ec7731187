"""One load from "take" to "release" as a person does it, with every tap counted.

A scan is no tap, and typing the code that the laser's screen shows is counted in keystrokes. What must be
looked at stays: the plate is scanned, the cautions stand on the page, and the marks have a tap of their own.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from playwright.sync_api import Locator, Page, expect

#: Six units of one kind, which stand in one bin.
SIX = {"sku": "AQ-CHEF-20", "quantity": 6}


@dataclass
class Hand:
    """Counts what a person does on one page."""

    page: Page
    taps: int = 0
    keys: int = 0

    def tap(self, target: Locator) -> None:
        self.taps += 1
        target.click()

    def type(self, field: Locator, text: str) -> None:
        self.keys += len(text)
        field.fill(text)

    def scan(self, code: str) -> None:
        """As a scanner does it: typed into no field, then Enter."""
        self.page.keyboard.type(code)
        self.page.keyboard.press("Enter")

    def button(self, name: str) -> Locator:
        return self.page.get_by_role("button", name=re.compile(name))


def one_load(page: Page) -> Hand:
    """Take a load of one turn, pull, seat, burn, look, release. Gives what the hand had to do."""
    hand = Hand(page)
    hand.tap(hand.button("^Take the next load").first)
    page.wait_for_url(re.compile(r"/bench/loads/L\d+$"))
    while page.locator(".bin").count() and hand.button("^✓ (Found|All)").count():
        left = hand.button("^✓ (Found|All)").count()
        hand.tap(hand.button("^✓ (Found|All)").first)
        expect(hand.button("^✓ (Found|All \\d+ found)")).to_have_count(left - 1)
    expect(page.get_by_role("heading", name="Seat the units")).to_be_visible()
    copy = page.locator("h1").inner_text().split(" · ")[1]
    hand.scan(f"PLATE.{copy}")
    expect(page.get_by_text(f"Plate {copy} is mounted")).to_be_visible()
    hand.tap(hand.button("seated as shown"))
    expect(page.locator("#code")).to_be_visible()
    hand.tap(hand.button("^Send to the station's folder"))
    expect(page.get_by_text("Read back; its hash is right.")).to_be_visible()
    hand.type(
        page.locator("#code"), page.locator("p.file").first.inner_text().rsplit("-", 1)[1].split(".")[0]
    )
    hand.tap(hand.button("^The code is right: start"))
    expect(page.get_by_text("Burning. Stay with the machine.")).to_be_visible()
    hand.tap(hand.button("Burn finished"))
    marks = hand.button("^✓ (Pass|Checked: all)").first
    expect(marks).to_be_visible()
    hand.tap(marks)
    expect(page.get_by_role("heading", name="Then to packing")).to_be_visible()
    hand.tap(page.get_by_role("button", name="All done: release", exact=True))
    expect(page.get_by_text("The plate is free.")).to_be_visible()
    return hand
