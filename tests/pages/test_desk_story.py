"""The desk's stories, the board and the owner's pages, in a real browser."""

from __future__ import annotations

import pytest
from playwright.sync_api import expect

from tests.pages.conftest import SignIn
from tests.pages.shop import ServedShop

pytestmark = pytest.mark.page

CANNOT = {"inscriptions": [{"zone": "heel", "text": "Zo\u00eb \u2665 Bo", "font": "lato-bold"}]}


def test_the_proof_is_drawn_as_one_types_with_what_stands_in_the_way(
    shop: ServedShop, sign_in: SignIn
) -> None:
    page = sign_in("desk", "Dora", width=1280, height=800)
    page.get_by_role("link", name="Can we engrave this?").click()

    page.get_by_label("Words").press_sequentially("For Nan")
    expect(page.locator("#proof svg").first).to_be_visible()
    expect(page.locator("#proof")).to_contain_text("can be engraved")
    page.get_by_label("Words").fill("Zo\u00eb \u2665")

    expect(page.locator("#proof .say.stop")).to_contain_text("can't be engraved")
    assert page.url.endswith("/desk/check")  # words are in no address


def test_a_suggestion_is_one_tap(shop: ServedShop, sign_in: SignIn) -> None:
    page = sign_in("desk", "Dora", width=1280, height=800)
    page.goto("/desk/check")
    page.get_by_label("Words").fill("For Nan")
    page.get_by_label("Capital height, mm").fill("60")
    expect(page.locator("#proof .say.stop").first).to_be_visible()

    page.locator("#proof .actions button").first.click()

    expect(page.locator("#proof")).to_contain_text("can be engraved")
    assert page.locator("#proof .say.stop").count() == 0


def test_fonts_stand_side_by_side_and_those_that_fail_say_why(shop: ServedShop, sign_in: SignIn) -> None:
    page = sign_in("desk", "Dora", width=1280, height=800)
    page.goto("/desk/check")
    page.get_by_label("Words").fill("\u0395\u03bb\u03ad\u03bd\u03b7")

    page.get_by_role("button", name="Compare fonts").click()

    expect(page.get_by_role("heading", name="Fonts side by side")).to_be_visible()
    assert page.locator(".card:not(.cannot) .sample svg").count() > 0
    assert page.locator(".card.cannot").count() > 0
    assert all("✕" in text for text in page.locator(".card.cannot").all_inner_texts())


def test_a_held_order_is_put_right_and_goes_on(shop: ServedShop, sign_in: SignIn) -> None:
    held = shop.order("AQ-7", CANNOT)["id"]
    page = sign_in("desk", "Dora", width=1280, height=800)

    page.get_by_role("link", name="Decide AQ-7").click()
    expect(page.locator("#live .say.stop").first).to_be_visible()
    page.locator("textarea[name=words]").fill("Zo\u00eb & Bo")
    page.get_by_role("button", name="Check and keep these words").click()

    expect(page.locator("h1 ~ .state")).to_contain_text("ready")
    with shop.api("desk") as http:
        order = http.get(f"/v1/orders/{held}").json()
    assert order["state"] == "ready"
    assert {move["who"] for move in order["history"] if move["to"] == "amended"} == {"desk:Dora"}


def test_two_at_the_desk_do_not_overwrite_each_other(shop: ServedShop, sign_in: SignIn) -> None:
    held = shop.order("AQ-7", CANNOT)["id"]
    one = sign_in("desk", "Dora")
    one.route("**/live*", lambda route: route.abort())
    one.goto(f"/desk/orders/{held}")
    other = sign_in("desk", "Emil")
    other.goto(f"/desk/orders/{held}")
    other.locator("textarea[name=words]").fill("Bo")
    other.get_by_role("button", name="Check and keep these words").click()
    expect(other.locator("h1 ~ .state")).to_contain_text("ready")

    one.locator("textarea[name=words]").fill("Ann")
    one.get_by_role("button", name="Check and keep these words").click()

    expect(one.get_by_role("alert")).to_contain_text("changed since this page was drawn")
    with shop.api("desk") as http:
        assert http.get(f"/v1/orders/{held}").json()["lines"][0]["inscriptions"][0]["text"] == "Bo"


def test_the_board_counts_what_happens_while_it_is_open(shop: ServedShop, sign_in: SignIn) -> None:
    page = sign_in("desk", "Dora", width=1280, height=800)
    page.goto("/board")
    expect(page.locator(".card", has_text="held").locator(".figure")).to_have_text("0")

    shop.order("AQ-9", CANNOT)

    expect(page.locator(".card", has_text="held").locator(".figure")).to_have_text("1")


def test_stock_comes_from_a_file_row_by_row(shop: ServedShop, sign_in: SignIn) -> None:
    page = sign_in("owner", "Olga", width=1280, height=800)
    page.get_by_role("link", name="Owner").click()
    page.get_by_role("link", name="Import of counts").click()

    rows = b"bin,sku,boxed,walking_order\nZ9,AQ-CHEF-20,7,900\nZ9,NO-SUCH,1,\n"
    page.get_by_label("Counts as a CSV file").set_input_files(
        {"name": "counts.csv", "mimeType": "text/csv", "buffer": rows}
    )
    page.get_by_role("button", name="Set these counts").click()

    expect(page.get_by_role("heading", name="Import result")).to_be_visible()
    expect(page.locator("tr", has_text="NO-SUCH").first).to_contain_text("there is no product")
    with shop.api("owner") as http:
        assert any(row["bin"] == "Z9" and row["boxed"] == 7 for row in http.get("/v1/stock").json()["stock"])


def test_a_key_that_is_revoked_ends_the_sessions_made_from_it(shop: ServedShop, sign_in: SignIn) -> None:
    bench = sign_in("bench", "Ines")
    owner = sign_in("owner", "Olga")
    owner.goto("/owner/keys")
    key_id = shop.keys["bench"].split("_")[2]

    owner.get_by_role("button", name=f"Revoke {key_id}").click()
    expect(owner.locator("tr", has_text=key_id)).to_contain_text("revoked")
    bench.goto("/bench")

    assert "/sign-in" in bench.url


def test_measured_marks_become_the_calibration_in_force(shop: ServedShop, sign_in: SignIn) -> None:
    page = sign_in("owner", "Olga", width=1280, height=800)
    page.goto("/calibration?station=north&copy=long-1")
    for field in page.locator("input[name^=x-], input[name^=y-]").all():
        expected = float(field.get_attribute("placeholder") or "0")
        field.fill(f"{expected + 0.25:.2f}")  # the plate lies a quarter of a millimetre off, both ways

    page.get_by_role("button", name="Put on record").click()

    expect(page.get_by_text("On record", exact=False).first).to_be_visible()
    expect(page.locator("table").last).to_contain_text("in force")
