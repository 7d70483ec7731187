"""A station stops for a check that is due: done with a finger at the bench; what runs low is refilled."""

from __future__ import annotations

from dataclasses import replace

import pytest
from playwright.sync_api import expect

from layout.shop.upkeep import Routine
from tests.pages.conftest import SignIn
from tests.pages.shop import ServedShop
from tests.pages.test_access import GLOVE_PX, must_be_usable, must_have_targets
from tests.pages.test_packing_story import released, took

pytestmark = pytest.mark.page

_STOPS = Routine(
    "window", "Look at the window", "Laser off.", "day", stops=True, if_not_ok="Put the spare one in."
)


@pytest.fixture
def stopping(shop: ServedShop, monkeypatch: pytest.MonkeyPatch) -> ServedShop:
    """A shop whose north station stops for a look at the window, once a day."""
    shelf = shop.tools.catalogue
    north = replace(shelf.current.stations["north"], routines=(_STOPS,))
    stopping = replace(shelf.current, stations={**shelf.current.stations, "north": north})
    monkeypatch.setattr(shelf, "follow", lambda *_: False)  # it was put in force nowhere
    monkeypatch.setattr(shelf, "_described", replace(shelf.described, shop=stopping))
    return shop


def test_a_station_goes_on_when_its_check_was_done(stopping: ServedShop, sign_in: SignIn) -> None:
    stopping.order("AQ-1")
    ada, ben = sign_in("bench", "Ada", width=820), sign_in("bench", "Ben", width=390, height=844)
    ben.goto("/bench")
    ada.goto("/bench")
    must_be_usable(ada)
    must_have_targets(ben, GLOVE_PX)
    must_be_usable(ben)

    ada.get_by_role("button", name="Take the next load").first.click()
    expect(ada.get_by_role("alert").filter(visible=True)).to_contain_text("Look at the window")
    ada.get_by_text("Not ok, or with a note").first.click()
    ada.get_by_label("Notes (optional)").first.fill("A crack, top left")
    ada.get_by_role("button", name="✕ Not ok").first.click()
    expect(ada.get_by_text("Put the spare one in.").first).to_be_visible()
    expect(ben.get_by_text("A crack, top left")).to_be_visible()  # told without a reload
    ben.get_by_role("button", name="Done, all ok Look").first.dblclick()  # a finger that taps twice
    expect(ben.get_by_text("Look at the window")).to_have_count(0)

    ada.goto("/bench")
    ada.get_by_role("button", name="Take the next load").first.click()
    expect(ada.locator("h1")).to_contain_text("L1")
    ada.goto("/routines")
    must_be_usable(ada)
    expect(ada.locator("table").last.locator("tbody tr")).to_have_count(2)
    expect(ada.get_by_text("Beam off, laser off, key out")).to_be_visible()


def test_what_runs_low_is_said_and_refilled(shop: ServedShop, sign_in: SignIn) -> None:
    ada = sign_in("bench", "Ada", width=820)
    ada.goto("/routines")
    must_be_usable(ada)
    bags = ada.locator("li.card").filter(has_text="Bags")
    bags.get_by_label("How many are there").fill("90")
    bags.get_by_role("button", name="Set this count").click()
    expect(bags).to_contain_text("running low")
    ada.goto("/bench")
    expect(ada.get_by_text("Running low")).to_be_visible()
    ada.goto("/routines")
    bags.get_by_role("button", name="+ 500").dblclick()
    expect(bags.locator(".figure")).to_have_text("590")
    ada.reload()
    expect(bags.locator(".figure")).to_have_text("590")


def test_a_hand_over_by_mistake_is_taken_back(shop: ServedShop, sign_in: SignIn) -> None:
    shop.order("AQ-1")
    with shop.api("bench") as http:
        released(http, took(http))
        for at, body in (("packing/scan", {"code": "J1"}), ("orders/O1/hand-over", {})):
            assert http.post(f"/v1/{at}", json=body).status_code == 200
    ada = sign_in("bench", "Ada", width=390, height=844)
    ada.goto("/packing/O1")
    ada.get_by_text("That was a mistake").click()
    must_be_usable(ada)
    ada.get_by_role("button", name="Take the hand-over back").dblclick()
    expect(ada.get_by_role("button", name="Packed and handed over")).to_be_visible()
