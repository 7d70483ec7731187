"""An operator who does what the page asks for, one step after another, and counts taps and keystrokes.

Nothing is known here of what comes next: each step is read off the page, as a person would. What goes wrong
on a day is given as incidents, each of which happens once, at the first step where it can.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from playwright.sync_api import Locator, Page, expect

Incident = Callable[["Operator"], None]
#: Two people, a desk and a store at once, in one process: an answer may take a while.
PATIENCE_MS = 300_000


def follow(page: Page, link: Locator) -> None:
    """Press a link and wait for its page: what is scanned or looked at before it is there meets neither."""
    with page.expect_navigation():
        link.click()


@dataclass
class Operator:
    """Somebody at a station, with a page of their own."""

    page: Page
    station: str
    barcodes: Mapping[str, str]
    #: What goes wrong, by the state of the load in which it does.
    incidents: dict[str, list[Incident]] = field(default_factory=dict)
    #: Taps by load.
    taps: dict[str, int] = field(default_factory=dict)
    keys: dict[str, int] = field(default_factory=dict)
    refusals: list[str] = field(default_factory=list)
    idle: str = ""

    @property
    def load(self) -> str:
        """The load on the page; empty on any other page."""
        return self._step[0] if len(self._step) > 1 else ""

    @property
    def state(self) -> str:
        return self._step[1] if len(self._step) > 1 else ""

    @property
    def _step(self) -> list[str]:
        return (self.page.locator("#live").get_attribute("data-step") or "").split()

    def button(self, name: str) -> Locator:
        return self.page.get_by_role("button", name=re.compile(name))

    def tap(self, target: Locator, *, is_work: bool = True) -> None:
        """Press something and wait for the page's answer. What goes wrong is no part of a load's taps."""
        load = self.load
        self._answered(target.click)
        self._count(load or self.load, is_work=is_work)

    def follow(self, link: Locator, *, is_work: bool = True) -> None:
        """Press something that leads to another page. Counted like a tap."""
        load = self.load
        follow(self.page, link)
        self._count(load, is_work=is_work)

    def _count(self, load: str, *, is_work: bool) -> None:
        if load and is_work:
            self.taps[load] = self.taps.get(load, 0) + 1

    def scan(self, code: str) -> None:
        """As a scanner does it: typed into no field, then Enter."""
        self.page.evaluate("document.activeElement.blur()")

        def read() -> None:
            self.page.keyboard.type(code)
            self.page.keyboard.press("Enter")

        self._answered(read)

    def _answered(self, act: Callable[[], object]) -> None:
        self.page.evaluate("document.getElementById('live').dataset.asked = 'yes'")
        act()
        # A live update just before the act takes the mark away: then the form alone shows that it waits.
        answered = "#live:not([data-asked]):not(:has([aria-busy=true]))"
        expect(self.page.locator(answered)).to_be_attached(timeout=PATIENCE_MS)
        refused = self.page.locator("#live > [data-sound=refuse]")
        if refused.count():
            self.refusals.append(refused.first.inner_text())

    def work(self) -> bool:
        """Do the next step; False when the page has nothing to do."""
        self.idle = ""
        if not self.state:
            return self._at_the_bench()
        if self.incidents.get(self.state):
            self.incidents[self.state].pop(0)(self)
            return True
        {
            "claimed": self._pull,
            "pulled": self._seat,
            "turning": self._seat,
            "seated": self._start,
            "burning": self._finish,
            "interrupted": self._complete,
            "burned": self._inspect,
            "closed": self._go_to_the_bench,
            "dropped": self._go_to_the_bench,
        }[self.state]()
        return True

    def _at_the_bench(self) -> bool:
        back = self.button("^✓ Back in bin")
        if back.count():
            self.tap(back.first)
            return True
        self.tap(self.page.locator(f"form:has(input[value={self.station}]) button"))
        if not self.state:
            self.idle = self.page.locator("#live > .say").first.inner_text()
        return bool(self.state)

    def _go_to_the_bench(self) -> None:
        self.page.goto("/bench")

    def _pull(self) -> None:
        found = self.button("^✓ (Found|All \\d+ found)")
        counted = self.button("Counted; go on to seating|Go on to seating")
        self.tap((found if found.count() else counted).first)

    def _seat(self) -> None:
        look = self.page.get_by_role("link", name=re.compile("Looked at .* turn over"))
        found = self.button("^✓ (Found|All \\d+ found)")
        if look.count():
            self.follow(look)
        elif found.count():
            self.tap(found.first)
        elif self.page.get_by_role("heading", name="Which plate is in the machine?").count():
            self.scan("PLATE." + self.page.locator("h1").inner_text().split(" · ")[1])
        else:
            self.tap(self.button("seated as shown"))

    def _start(self) -> None:
        load = self.load
        self.tap(self.button("^Send to the station's folder"))
        code = self.page.locator("p.file").first.inner_text().rsplit("-", 1)[1].split(".")[0]
        self.page.locator("#code").fill(code)
        self.keys[load] = self.keys.get(load, 0) + len(code)
        self.tap(self.button("^The code is right: start"))

    def _finish(self) -> None:
        self.tap(self.button("Burn finished"))

    def _complete(self) -> None:
        """After an interruption: what is partial is burned again in the same seating."""
        self.page.locator("details", has_text="Burn again").first.locator("summary").click()
        self.page.get_by_label("It was not lifted").first.check()
        self.tap(self.button(r"Burn J\d+ again").first, is_work=False)

    def _inspect(self) -> None:
        passing = self.button("^✓ (Pass|Checked: all)")
        blades = self.button("^Counted$")
        if passing.count():
            self.tap(passing.first)
        elif blades.count():
            self.tap(blades.first)
        elif self.button("^✓ In its box, label on").count():
            self._box(self.page.locator(".card.todo:has(.mark-on-card)").first.get_attribute("id") or "")
        elif self.button("^Free the plate").count():
            self.tap(self.button("^Free the plate"))
        else:
            self.tap(self.button("^All done: release, and take the next load"))

    def _box(self, unit: str) -> None:
        """The unit's label, then the barcode of a box of its product."""
        self.scan(unit)
        self.scan(self.barcodes[self.product_of(unit)])
        expect(self.page.get_by_text(f"{unit} and its box belong together")).to_be_visible()

    def product_of(self, unit: str) -> str:
        """The product of a unit of the load, as the service knows it."""
        load = self.page.request.get(f"/v1/loads/{self.load}").json()
        slots = (slot for turn in load["turns"] for slot in turn["slots"])
        return str(next(slot["sku"] for slot in slots if slot.get("job") == unit))
