"""A release day in real browsers: sixty orders in two minutes while two people work, one of them interrupted.

Who works does what the page offers, one step at a time, turn about. Nothing may break, be burned twice or
be lost.
"""

from __future__ import annotations

import re
import threading
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta

import pytest
from playwright.sync_api import Page, expect

from tests.pages.conftest import SignIn
from tests.pages.shop import ServedShop
from tests.pages.taps import Hand
from tests.pages.test_bench_story import TWO_FACES

pytestmark = [pytest.mark.page, pytest.mark.long, pytest.mark.timeout(1_200)]

ORDERS, SECONDS = 60, 120
#: Loads that each of the two brings to packing.
LOADS_EACH = 2
_LONGEST_S = 900


def order(shop: ServedShop, number: int, problems: list[str]) -> None:
    lines = {"inscriptions": [{"zone": "heel", "text": f"Nan {number}", "font": "lato-bold", "height_mm": 5}]}
    try:
        shop.order(f"DAY-{number}", TWO_FACES if number % 6 == 5 else lines)
    except Exception as error:  # told to the test, which fails
        problems.append(f"order {number}: {error}")


def buy(shop: ServedShop, problems: list[str]) -> None:
    """The orders, evenly over their time."""
    begun = time.monotonic()
    for number in range(ORDERS):
        pause = begun + number * SECONDS / ORDERS - time.monotonic()
        threading.Event().wait(max(0.0, pause))
        order(shop, number, problems)


class Worker:
    """One person at one station, who takes what the page offers."""

    def __init__(self, page: Page, station: str, *, is_interrupted: bool) -> None:
        self.hand, self.station, self.is_interrupted = Hand(page), station, is_interrupted
        self.released = 0
        self.taps: list[int] = []

    def step(self) -> None:
        """The next thing to do."""
        for is_offered, act in self._acts():
            if is_offered:
                act()
                return

    def _acts(self) -> list[tuple[bool, Callable[[], None]]]:
        page, button = self.hand.page, self.hand.button

        def shown(name: str) -> bool:
            return button(name).first.is_visible()

        def press(name: str) -> Callable[[], None]:
            return lambda: self._tap(name)

        return [
            (page.get_by_text("The plate is free.").is_visible(), self._done),
            (not re.search(r"/bench/loads/", page.url), self._take),
            (shown("^✓ (Found|All \\d+ found)"), press("^✓ (Found|All \\d+ found)")),
            (page.get_by_role("heading", name="Which plate is in the machine?").is_visible(), self._mount),
            (page.get_by_role("link", name=re.compile("turn over$")).is_visible(), self._turn_over),
            (shown("seated as shown"), press("seated as shown")),
            (page.locator("#code").is_visible(), self._start),
            (shown("^Save what I found"), self._resolve),
            (page.get_by_label("None of them was lifted").is_visible(), self._burn_all_again),
            (self._has_partial(), self._again),
            (self.is_interrupted and shown("Burn finished"), self._stop_early),
            (shown("Burn finished"), press("Burn finished")),
            (shown("^✓ Checked: all"), press("^✓ Checked: all")),
            (shown("^✓ Pass"), press("^✓ Pass")),
            (shown("^All done: release$"), press("^All done: release$")),
        ]

    def _has_partial(self) -> bool:
        return self.hand.page.get_by_role("heading", name="Partial marks").is_visible()

    def _tap(self, name: str) -> None:
        before = self.hand.page.locator("#live").get_attribute("data-seen")
        self.hand.tap(self.hand.button(name).first)
        expect(self.hand.page.locator("form[aria-busy=true]")).to_have_count(0)
        if before:
            expect(self.hand.page.locator(f"#live[data-seen='{before}']")).to_have_count(0)

    def _take(self) -> None:
        self.hand.page.goto("/bench")
        self.hand.taps = 1
        self.hand.page.locator(f"form:has(input[value={self.station}]) button").click()
        expect(self.hand.page.locator("form[aria-busy=true]")).to_have_count(0)

    def _done(self) -> None:
        self.released += 1
        self.taps.append(self.hand.taps)
        self.hand.page.goto("/bench")

    def _mount(self) -> None:
        name = self.hand.page.locator("h1").inner_text().split(" · ")[1]
        self.hand.page.locator("#scan").fill(f"PLATE.{name}")
        self.hand.page.locator("#scan").press("Enter")
        expect(self.hand.page.get_by_text(f"Plate {name} is mounted")).to_be_visible()

    def _turn_over(self) -> None:
        self.hand.tap(self.hand.page.get_by_role("link", name=re.compile("turn over$")))
        expect(self.hand.page.get_by_text(re.compile(r"Turn over: turn \d"))).to_be_visible()

    def _start(self) -> None:
        name = self.hand.page.locator("p.file").first.inner_text()
        self.hand.page.locator("#code").fill(name.rsplit("-", 1)[1].split(".")[0])
        self.hand.tap(self.hand.button("^The code is right: start"))
        expect(self.hand.page.get_by_text("Burning. Stay with the machine.")).to_be_visible()

    def _stop_early(self) -> None:
        self.is_interrupted = False
        self.hand.tap(self.hand.page.get_by_role("link", name="Stopped early"))
        expect(self.hand.button("^Save what I found")).to_be_visible()

    def _resolve(self) -> None:
        page = self.hand.page
        for number, group in enumerate(page.locator("form[action$=resolve] fieldset").all()):
            group.locator("input[value=complete]" if number else "input[value=partial]").check()
        self._tap("^Save what I found")

    def _burn_all_again(self) -> None:
        self.hand.page.get_by_label("None of them was lifted").check()
        self._tap("^Burn all of them again")

    def _again(self) -> None:
        page = self.hand.page
        page.locator("summary", has_text="Burn again").first.click()
        page.get_by_label("It was not lifted").first.check()
        self._tap(r"^Burn J\d+ again")


def test_a_release_day_is_worked_off_by_two_with_nothing_broken(shop: ServedShop, sign_in: SignIn) -> None:
    problems: list[str] = []
    buyers = threading.Thread(target=buy, args=(shop, problems))
    workers = []
    for name, station in (("Ines", "north"), ("Ned", "south")):
        page = sign_in("bench", name)
        page.on("response", lambda answer: problems.append(answer.url) if answer.status >= 500 else None)
        workers.append(Worker(page, station, is_interrupted=name == "Ned"))

    buyers.start()
    end = datetime.now(UTC) + timedelta(seconds=_LONGEST_S)
    while any(worker.released < LOADS_EACH for worker in workers) and datetime.now(UTC) < end:
        for worker in workers:
            if worker.released < LOADS_EACH:
                worker.step()
    buyers.join()

    print("taps per load:", [worker.taps for worker in workers])
    assert problems == []
    assert [worker.released for worker in workers] == [LOADS_EACH, LOADS_EACH]
    assert not workers[1].is_interrupted  # the burn that was stopped was resolved and brought to its end
    with shop.api("owner") as http:
        jobs = http.get("/v1/jobs?limit=200").json()["jobs"]
        assert len(jobs) == ORDERS
        released = [job["id"] for job in jobs if job["state"] == "released"]
        assert released
        for job in released:
            moves = [move["to"] for move in http.get(f"/v1/jobs/{job}").json()["history"]]
            assert moves.count("released") == 1
            assert moves.count("passed") == 1
