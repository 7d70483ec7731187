"""A knife comes back: the desk has another made, and says what became of the first, in a real browser."""

from __future__ import annotations

import pytest
from playwright.sync_api import expect

from tests.pages.conftest import SignIn
from tests.pages.shop import ServedShop
from tests.pages.test_access import must_be_usable
from tests.pages.test_packing_story import released, took

pytestmark = pytest.mark.page


def test_what_came_back_is_made_again_and_polished_into_stock(shop: ServedShop, sign_in: SignIn) -> None:
    shop.order("AQ-1")
    with shop.api("bench") as http:
        released(http, took(http))
        for at, body in (("packing/scan", {"code": "J1"}), ("orders/O1/hand-over", {})):
            assert http.post(f"/v1/{at}", json=body).status_code == 200
    dora = sign_in("desk", "Dora", width=1024, height=768)

    dora.goto("/desk/orders/O1")
    dora.get_by_text("Make a unit once more").click()
    dora.get_by_label("Why").filter(visible=True).select_option(label="damaged")
    dora.get_by_label("Who pays").select_option(label="the carrier")
    dora.get_by_label("Notes (optional)").fill("Tip bent in the post.")
    must_be_usable(dora)
    dora.get_by_role("button", name="Make it once more").dblclick()  # a finger that taps twice
    expect(dora.locator("#R1")).to_contain_text("Tip bent in the post.")
    expect(dora.get_by_text("Make a unit once more")).to_have_count(0)

    dora.get_by_role("link", name="AQ-1-R1").click()
    expect(dora.locator("h1")).to_contain_text("AQ-1-R1")
    dora.goto("/desk/remakes")
    must_be_usable(dora)
    dora.get_by_text("What became of it?").click()
    expect(dora.get_by_role("button", name="Scrap it")).to_be_visible()
    expect(dora.get_by_role("button", name="Inspected and good")).to_have_count(0)  # it bears its mark
    dora.get_by_role("button", name="Polish its mark away").click()
    expect(dora.locator("#R1")).to_contain_text("being polished")
    dora.get_by_text("What became of it?").click()
    must_be_usable(dora)
    dora.get_by_role("button", name="Inspected and good").click()
    expect(dora.locator("#R1")).to_contain_text("back in stock")
    with shop.api("desk") as http:
        remakes = http.get("/v1/remakes").json()["remakes"]
    assert [(remake["id"], remake["returned"]) for remake in remakes] == [("R1", "stocked")]
