"""The page of figures: read by everybody, on any screen, with nothing drawn over anything else."""

from __future__ import annotations

import re

import pytest
from playwright.sync_api import Page, expect

from tests.pages.conftest import SignIn
from tests.pages.shop import ServedShop
from tests.pages.test_access import must_be_usable
from tests.pages.test_packing_story import released, took

pytestmark = pytest.mark.page

#: Words of one picture that lie over one another by more than a pixel.
_OVERLAPS = """charts => charts.flatMap(chart => {
    const all = [...chart.querySelectorAll("svg text")]
        .map(one => [one.textContent, one.getBoundingClientRect()]);
    return all.flatMap(([left, a], at) => all.slice(at + 1)
        .filter(([, b]) => Math.min(a.right, b.right) - Math.max(a.left, b.left) > 1
            && Math.min(a.bottom, b.bottom) - Math.max(a.top, b.top) > 1)
        .map(([right]) => [left, right]));
})"""
_BOTTOMS = "all => all.map(one => one.getBoundingClientRect().bottom)"


def must_be_legible(page: Page) -> None:
    must_be_usable(page)
    charts = page.locator(".chart")
    expect(charts).to_have_count(4)
    assert charts.evaluate_all(_OVERLAPS) == []


def test_the_day_in_figures_can_be_read_by_everybody(shop: ServedShop, sign_in: SignIn) -> None:
    page = sign_in("desk", "Dora", width=390, height=844)
    page.goto("/figures")
    expect(page.get_by_text("Nothing was released or scrapped on these days.")).to_be_visible()
    must_be_legible(page)

    shop.order("AQ-1")
    with shop.api("bench") as http:
        released(http, took(http))
    page.reload()
    expect(page.locator(".card").filter(has_text="units released").locator(".figure")).to_have_text("1")
    must_be_legible(page)
    for width in (820, 1280):
        page.set_viewport_size({"width": width, "height": 900})
        page.get_by_label("By", exact=True).select_option("week")
        page.get_by_role("button", name="Count").click()
        expect(page.get_by_label("By", exact=True)).to_have_value("week")
        expect(page).to_have_url(re.compile("by=week"))
        page.reload()  # what was asked for stands in the address
        expect(page.get_by_label("By", exact=True)).to_have_value("week")
        must_be_legible(page)
        bottoms = page.locator("form.find input, form.find select, form.find button").evaluate_all(_BOTTOMS)
        assert max(bottoms) - min(bottoms) < 2, "the form is one row"
    with page.expect_download() as download:
        page.get_by_role("link", name="Download as CSV").click()
    assert download.value.suggested_filename == "figures.csv"
    page.goto("/figures?from=2026-01-01&to=2020-01-01")
    expect(page.get_by_role("alert").filter(visible=True)).to_be_visible()
    must_be_usable(page)
