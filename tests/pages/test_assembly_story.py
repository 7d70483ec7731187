"""Assembly in a browser: a work order, units inspected, reworked, put into bins by scan and by finger."""

from __future__ import annotations

import re

import pytest
from playwright.sync_api import Page, expect

from tests.pages.conftest import SignIn
from tests.pages.operators import follow
from tests.pages.shop import ServedShop
from tests.pages.test_access import GLOVE_PX, must_be_usable, must_have_targets
from tests.pages.test_packing_story import scan

pytestmark = pytest.mark.page

_POINTS = ("Edge bites paper all along", "Handle without gaps", "No scratches")


def boxed(shop: ServedShop, bin_name: str, sku: str) -> int:
    with shop.api("desk") as http:
        stock = http.get("/v1/stock").json()["stock"]
    return sum(row["boxed"] for row in stock if (row["bin"], row["sku"]) == (bin_name, sku))


def work_order(shop: ServedShop) -> dict[str, object]:
    with shop.api("bench") as http:
        answer: dict[str, object] = http.get("/v1/work-orders/W1").json()
    return answer


def tick_all(page: Page) -> None:
    for point in _POINTS:
        page.get_by_role("checkbox", name=point).check()


def test_a_work_order_is_made_and_its_units_come_into_bins(shop: ServedShop, sign_in: SignIn) -> None:
    before = boxed(shop, "A1", "AQ-PARE-9")
    owner = sign_in("owner", "Olga", width=1280, height=900)
    owner.goto("/assembly/new?sku=AQ-PARE-9&quantity=3&due=2030-01-31")
    expect(owner.get_by_text("Paring blade, 9 cm, bare")).to_be_visible()
    owner.get_by_label("House mark on as many bare blades first").select_option(index=1)
    must_be_usable(owner)
    owner.get_by_role("button", name="Have them built").dblclick()
    expect(owner.get_by_role("heading", name="Work order W1")).to_be_visible()
    expect(owner.get_by_role("link", name="LOT1")).to_be_visible()
    must_be_usable(owner)
    owner.goto("/assembly/new?sku=AQ-PARE-9")
    expect(owner.get_by_text("3 are being built already")).to_be_visible()
    with shop.api("bench") as http:
        assert len(http.get("/v1/work-orders").json()["work_orders"]) == 1

    ada, ben = sign_in("bench", "Ada", width=820, height=1180), sign_in("bench", "Ben", width=390, height=844)
    alert = ada.get_by_role("alert").filter(visible=True)
    follow(ada, ada.get_by_role("link", name="Assembly"))
    must_be_usable(ada)

    # One unit by scanner: not boxed before every point was looked at; then its bin.
    scan(ada, "U1")
    expect(ada.get_by_role("heading", name="U1")).to_be_visible()
    must_be_usable(ada)
    must_have_targets(ada, GLOVE_PX)
    ada.get_by_role("button", name="All good: box it").click()
    expect(ada.get_by_role("checkbox", name=_POINTS[0])).to_be_visible()  # the browser asks for each
    assert work_order(shop)["to_build"] == 3
    tick_all(ada)
    ada.get_by_role("button", name="All good: box it").click()
    expect(ada.get_by_text("Passed: box it, and put it into a bin")).to_be_visible()
    must_have_targets(ada, GLOVE_PX)
    scan(ada, "BIN.Z9")
    expect(alert).to_contain_text("there is no bin Z9")
    scan(ada, "BIN.A1")
    expect(ada.get_by_text("✓ U1 is in bin A1")).to_be_visible()
    scan(ada, "U1")
    expect(ada.get_by_text("U1 was put into bin A1 before; nothing has changed")).to_be_visible()
    assert boxed(shop, "A1", "AQ-PARE-9") == before + 1

    # Another by finger: to rework, back by scan, passed, into a bin chosen there.
    ben.goto("/assembly?unit=U2")
    ben.get_by_text("Something is not good").click()
    ben.get_by_role("radio", name=_POINTS[1]).check()
    ben.get_by_label("What exactly").fill("at the bolster")
    must_be_usable(ben)
    must_have_targets(ben, GLOVE_PX)
    ben.get_by_role("button", name="To rework").dblclick()
    expect(ben.get_by_text("U2 goes to rework")).to_be_visible()
    scan(ada, "U2")
    expect(ada.get_by_text("Back from rework: inspect it again")).to_be_visible()
    ada.get_by_role("link", name="Close").click()
    ben.goto("/assembly?unit=U2")
    tick_all(ben)
    ben.get_by_role("button", name="All good: box it").click()
    ben.get_by_label("Into bin").select_option("A1")
    ben.get_by_role("button", name="Put in").dblclick()
    expect(ben.get_by_text("✓ U2 is in bin A1")).to_be_visible()
    assert boxed(shop, "A1", "AQ-PARE-9") == before + 2

    # Many into one bin; a unit that was not inspected does not go along.
    scan(ada, "BIN.A1")
    expect(ada.get_by_text("Units that you scan now go into bin A1")).to_be_visible()
    scan(ada, "U3")
    expect(alert).to_contain_text("U3 has not passed inspection; it does not go into a bin yet")
    with shop.api("bench") as http:
        bad = {"reason": "other", "note": "cracked"}
        assert http.post("/v1/built-units/U3/give-up", json=bad).status_code == 200
    scan(ada, "U3")
    expect(alert).to_contain_text("U3 was given up; put it aside")
    scan(ada, "W1")
    ada.wait_for_url(re.compile(r"/assembly/W1$"))
    expect(ada.get_by_text("all built").first).to_be_visible()
    must_be_usable(ada)
    ada.goto("/assembly/failures")
    expect(ada.get_by_role("row", name=re.compile(_POINTS[1]))).to_be_visible()
    must_be_usable(ada)
    done = work_order(shop)
    assert (done["state"], done["stocked"], done["given_up"]) == ("done", 2, 1)
