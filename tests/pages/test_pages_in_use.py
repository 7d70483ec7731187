"""Pages as people use them: two taps for one, the way back, a reload, panels open, a code typed blind."""

from __future__ import annotations

import re

import pytest
from playwright.sync_api import Page, Route, expect

from tests.pages.conftest import SignIn
from tests.pages.shop import ServedShop
from tests.pages.test_bench_story import mount, pull_all, scan
from tests.pages.test_desk_story import CANNOT

pytestmark = pytest.mark.page


def top_of(page: Page, what: str) -> float:
    """How far down the page something begins, in pixels."""
    box = page.locator(what).first.bounding_box()
    assert box is not None
    return box["y"] + float(page.evaluate("scrollY"))


def test_the_start_page_opens_at_its_top_and_a_code_waits_there(shop: ServedShop, sign_in: SignIn) -> None:
    """Slots to clear, plate, focus, file, cautions, and only then the start."""
    shop.order("AQ-1")
    cancelled = shop.order("AQ-2")["id"]
    page = sign_in("bench", "Ines")
    page.get_by_role("button", name="Take the next load").first.dblclick()
    page.wait_for_url(re.compile(r"/bench/loads/L1$"))
    pull_all(page)
    mount(page)
    with shop.api("desk") as http:
        etag = http.get(f"/v1/orders/{cancelled}").headers["ETag"]
        http.post(f"/v1/orders/{cancelled}/cancel", json={"reason": "rang"}, headers={"If-Match": etag})
    expect(page.get_by_role("alert")).to_contain_text("Clear these slots")
    seated = page.get_by_role("button", name=re.compile("seated as shown"))
    seated.scroll_into_view_if_needed()
    seated.dblclick()
    expect(page.locator("#code")).to_be_visible()

    order = [
        top_of(page, what)
        for what in ("[role=alert]:visible", ".plate-picture", ".figure", "p.file", ".cautions", "#code")
    ]
    page.keyboard.type("k7m")

    assert order == sorted(order)
    assert page.evaluate("scrollY") == 0
    assert page.locator("#scan").input_value() == "k7m"
    assert page.get_by_role("alert").filter(visible=True).count() == 1  # no refusal: two taps were one
    with shop.api("bench") as http:
        assert http.get("/v1/loads/L2").status_code == 404


def test_two_tabs_a_reload_and_the_way_back_show_what_is_so(shop: ServedShop, sign_in: SignIn) -> None:
    shop.order("AQ-1", {"quantity": 2})
    page = sign_in("bench", "Ines")
    page.get_by_role("button", name="Take the next load").first.click()
    page.wait_for_url(re.compile(r"/bench/loads/L1$"))
    pull_all(page)
    tab = page.context.new_page()
    tab.goto("/bench/loads/L1")

    mount(tab)
    tab.get_by_role("button", name="✓ Seated").first.click()
    expect(tab.get_by_role("button", name="1 seated as shown")).to_be_visible()
    expect(page.get_by_role("button", name="1 seated as shown")).to_be_visible()
    tab.reload()
    tab.get_by_role("button", name="1 seated as shown").click()
    expect(tab.locator("#code")).to_be_visible()
    expect(page.locator("#code")).to_be_visible()

    # The button of a page that others have left behind does nothing twice.
    page.go_back()
    expect(page.get_by_role("link", name="Go on with your load L1")).to_be_visible()
    page.go_forward()
    expect(page.locator("#code")).to_be_visible()
    scan(page, page.locator("p.file").first.inner_text())
    expect(page.get_by_text("Burning. Stay with the machine.")).to_be_visible()
    page.reload()
    expect(page.get_by_text("Burning. Stay with the machine.")).to_be_visible()
    expect(tab.get_by_text("Burning. Stay with the machine.")).to_be_visible()
    with shop.api("bench") as http:
        history = http.get("/v1/jobs/J1").json()["history"]
    assert [move["to"] for move in history].count("found") == 1


def test_what_is_typed_and_opened_survives_somebody_else_s_change(shop: ServedShop, sign_in: SignIn) -> None:
    shop.order("AQ-1", {"quantity": 3})
    page = sign_in("bench", "Ines")
    page.get_by_role("button", name="Take the next load").first.click()
    page.wait_for_url(re.compile(r"/bench/loads/L1$"))
    pull_all(page)
    mount(page)
    with shop.api("bench") as http:
        load = http.get("/v1/loads/L1").json()
        last = load["turns"][0]["slots"][-1]
        panel = page.locator(f"#slot-{last['slot']} details", has_text="Does not fit")
        panel.locator("summary").click()
        page.locator("#scan").fill("half a co")
        page.locator("h1").click()
        http.post(
            "/v1/loads/L1/seated",
            json={"turn": 1, "slots": {load["turns"][0]["slots"][0]["slot"]: "seated"}},
            headers={"If-Match": load["etag"]},
        ).raise_for_status()

    expect(page.get_by_role("button", name="All 2 seated as shown")).to_be_visible()
    expect(panel).to_have_attribute("open", "")
    assert page.locator("#scan").input_value() == "half a co"


def test_a_page_that_was_made_while_more_changed_is_asked_for_again(
    shop: ServedShop, sign_in: SignIn
) -> None:
    """What it shows was read before the second change, and what it knows of after it: the stream of changes
    has nothing new to say of that."""
    page = sign_in("desk", "Dora", width=1280, height=800)
    told = re.compile(r'data-seen="\w+"')
    made: list[str] = []

    def made_between(route: Route) -> None:
        answer = route.fetch()
        text = answer.text()
        if not made:
            shop.order("AQ-8", CANNOT)
            (seen,) = told.findall(route.fetch().text())
            text = told.sub(seen, text)
        made.append(text)
        route.fulfill(response=answer, body=text)

    page.route(page.url, made_between)

    shop.order("AQ-7", CANNOT)

    expect(page.get_by_role("link", name="Decide AQ-8")).to_be_visible()
    assert "AQ-7" in made[0] and "AQ-8" not in made[0]
