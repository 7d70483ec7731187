"""The build plan in a browser: what is short is wanted, a limit is tried, and it becomes a work order."""

from __future__ import annotations

import csv
import re
from pathlib import Path

import pytest
from playwright.sync_api import expect

from tests.pages.conftest import SignIn
from tests.pages.operators import follow
from tests.pages.shop import ServedShop
from tests.pages.test_access import must_be_usable

pytestmark = pytest.mark.page


def test_what_is_short_is_planned_and_becomes_a_work_order(shop: ServedShop, sign_in: SignIn) -> None:
    with shop.api("owner") as http:
        before = {one["sku"]: one for one in http.get("/v1/build-plan").json()["products"]}
    free = before["AQ-CHEF-20"]["free"]
    shop.order("AQ-1", {"quantity": free + 3})
    page = sign_in("owner", "Olga", width=820, height=1180)
    page.goto("/build-plan")

    wanted = page.locator(".card li").filter(has_text="Harbour chef's knife")
    expect(wanted.first).to_contain_text("3 ×")
    row = page.locator("tbody tr").filter(has=page.get_by_text("AQ-CHEF-20", exact=True))
    expect(row.locator(".bad")).to_have_text("! -3")
    must_be_usable(page)

    # With hands for one a week, the next week wants the second.
    page.get_by_label("Units a week").fill("1")
    page.get_by_role("button", name="Try").click()
    expect(page.get_by_role("link", name="As in the policy")).to_be_visible()
    expect(page.get_by_text("more is wanted").first).to_be_visible()
    with page.expect_download() as download:
        page.get_by_role("link", name="Download as CSV").click()
    rows = list(csv.DictReader(Path(download.value.path()).read_text("utf-8-sig").splitlines()))
    chef = next(one for one in rows if one["sku"] == "AQ-CHEF-20")
    assert [int(count) for name, count in chef.items() if name.startswith("build_by_")][1:3] == [1, 1]

    follow(page, page.get_by_role("link", name="As in the policy"))
    page.get_by_role("link", name=re.compile("^Have them built AQ-CHEF-20,")).first.click()
    expect(page.get_by_label("How many")).to_have_value("3")
    page.get_by_role("button", name="Have them built").dblclick()
    expect(page.get_by_role("heading", name="Work order W1")).to_be_visible()

    page.set_viewport_size({"width": 390, "height": 844})
    page.goto("/build-plan")
    expect(page.get_by_role("link", name=re.compile("^Have them built AQ-CHEF-20,"))).to_have_count(0)
    must_be_usable(page)
