"""The store room in a browser: bins counted by scanner and by finger, boxes moved, what changed there."""

from __future__ import annotations

import pytest
from playwright.sync_api import Page, expect

from tests.pages.conftest import SignIn
from tests.pages.operators import follow
from tests.pages.shop import ServedShop
from tests.pages.test_access import GLOVE_PX, must_be_usable, must_have_targets
from tests.pages.test_packing_story import scan, took

pytestmark = pytest.mark.page

_CHEF = "2700010000103"


def record(shop: ServedShop) -> dict[tuple[str, str], int]:
    with shop.api("desk") as http:
        stock = http.get("/v1/stock").json()["stock"]
    return {(row["bin"], row["sku"]): row["boxed"] for row in stock}


def counted(page: Page, units: int) -> None:
    expect(page.get_by_role("status").filter(has_text=f"{units} × Harbour chef")).to_be_visible()


def test_a_bin_is_counted_and_what_jumps_is_asked_about(shop: ServedShop, sign_in: SignIn) -> None:
    before = record(shop)
    assert before["A1", "AQ-CHEF-20"] == 14
    ada, ben = sign_in("bench", "Ada", width=820, height=1180), sign_in("desk", "Ben", width=390, height=844)
    alert = ada.get_by_role("alert").filter(visible=True)
    follow(ada, ada.get_by_role("link", name="Stock"))
    must_be_usable(ada)
    scan(ada, "BIN.A1")
    expect(ada.get_by_role("heading", name="Bin A1")).to_be_visible()
    must_be_usable(ada)
    must_have_targets(ada, GLOVE_PX)
    ada.get_by_role("button", name="Count this bin").click()
    expect(ada.get_by_role("heading", name="Counting bin A1")).to_be_visible()

    # By scanner: each box once; what is no box is refused aloud, and counts nothing.
    for units in (1, 2, 3):
        scan(ada, _CHEF)
        counted(ada, units)
    scan(ada, "BIN.A2")
    expect(alert).to_contain_text("bin A1 is being counted; take or drop that count first")
    scan(ada, _CHEF)
    counted(ada, 4)
    must_be_usable(ada)
    must_have_targets(ada, GLOVE_PX)

    # Another tablet goes on with it, by finger: typed, one more, and a slip that jumps.
    ben.goto("/stock")
    ben.get_by_role("link", name="Go on counting A1").click()
    ben.get_by_role("spinbutton", name="There are AQ-CHEF-20").fill("29")
    ben.get_by_role("button", name="Set AQ-CHEF-20").click()
    expect(ben.get_by_text("+15")).to_be_visible()
    ben.get_by_role("button", name="+1 AQ-CHEF-20").click()
    expect(ben.get_by_text("+16")).to_be_visible()
    must_be_usable(ben)
    must_have_targets(ben, GLOVE_PX)
    assert record(shop) == before  # nothing is taken yet
    scan(ada, _CHEF)  # her page is older than what he has counted
    expect(alert).to_contain_text("Something here changed")
    expect(ada.get_by_text("+16")).to_be_visible()

    # Not without a second look.
    ben.get_by_role("button", name="Take the count").click()
    assert record(shop) == before
    ben.get_by_role("checkbox", name="I looked again").check()
    ben.get_by_role("button", name="Take the count").dblclick()
    expect(ben.get_by_text("The count is taken")).to_be_visible()
    expect(ben.get_by_role("row", name="counted +16")).to_have_count(1)
    must_be_usable(ben)
    assert record(shop) == {**before, ("A1", "AQ-CHEF-20"): 30}


def test_a_bin_that_changes_meanwhile_is_looked_at_again(shop: ServedShop, sign_in: SignIn) -> None:
    shop.order("AQ-1")
    page = sign_in("bench", "Ada", width=820, height=1180)
    page.goto("/stock/bin?bin=A1")
    page.get_by_role("button", name="Count this bin").click()
    page.get_by_role("spinbutton", name="There are AQ-CHEF-20").fill("14")
    page.get_by_role("button", name="Set AQ-CHEF-20").click()
    expect(page.get_by_text("as on record")).to_be_visible()
    with shop.api("bench") as http:
        load = took(http)
        for what, body in (
            ("mounted", {"turn": 1, "copy": load["copy"], "how": "scanned"}),
            ("pulled", {"jobs": {"J1": "found"}}),
        ):
            answer = http.post(
                f"/v1/loads/{load['id']}/{what}", json=body, headers={"If-Match": load["etag"]}
            )
            assert answer.status_code == 200, answer.text
            load = answer.json()

    expect(page.get_by_text("This bin changed while it was counted")).to_be_visible()
    expect(page.get_by_role("row", name="fetched · J1")).to_be_visible()
    expect(page.get_by_text("+1", exact=True).first).to_be_visible()
    must_be_usable(page)
    page.goto("/stock")
    expect(page.get_by_text("J1 Harbour chef's knife, 20 cm, satin")).to_be_visible()  # in hand


def test_boxes_are_moved_by_scanner_and_by_finger(shop: ServedShop, sign_in: SignIn) -> None:
    before = record(shop)
    page = sign_in("bench", "Ada", width=820, height=1180)
    alert = page.get_by_role("alert").filter(visible=True)
    page.goto("/stock/bin?bin=A1")
    for units in (1, 2):
        scan(page, _CHEF)
        expect(page.get_by_role("status").filter(has_text=f"{units} × Harbour chef")).to_be_visible()
    must_be_usable(page)
    must_have_targets(page, GLOVE_PX)
    scan(page, "2700010000301")
    expect(alert).to_contain_text("one product at a time")
    scan(page, "BIN.B1")
    expect(page.get_by_text("✓ Moved here")).to_be_visible()
    expect(page.get_by_role("heading", name="Bin B1")).to_be_visible()
    expect(page.get_by_role("row", name="moved here · A1")).to_be_visible()
    page.goto("/stock/bin?bin=A1")
    page.get_by_role("button", name="Move some AQ-CHEF-20").click()
    page.get_by_role("spinbutton", name="How many").fill("13")
    page.get_by_label("Into bin").select_option("B1")
    page.get_by_role("button", name="Move them").click()
    expect(alert).to_contain_text("bin A1 holds 12 of AQ-CHEF-20, not 13")
    page.get_by_role("spinbutton", name="How many").fill("12")
    page.get_by_label("Into bin").select_option("B1")
    page.get_by_role("button", name="Move them").dblclick()
    expect(page.get_by_text("✓ Moved here")).to_be_visible()

    after = record(shop)
    assert after.pop(("B1", "AQ-CHEF-20")) == before.get(("B1", "AQ-CHEF-20"), 0) + 14
    assert after["A1", "AQ-CHEF-20"] == 0


def test_a_box_says_where_its_product_stands(shop: ServedShop, sign_in: SignIn) -> None:
    page = sign_in("bench", "Ada", javascript=False, width=390, height=844)
    page.goto("/stock")
    page.get_by_label("Scan").fill(_CHEF)
    page.get_by_role("button", name="Read").click()

    said = page.get_by_role("status")
    expect(said).to_contain_text("Harbour chef's knife, 20 cm, satin")
    expect(said).to_contain_text("14 boxed")
