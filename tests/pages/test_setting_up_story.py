"""An owner sets up letters, a frame, words and a recipe on pages, looks what that would do and puts it in
force: one story, each page looked at by axe."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Page, expect

from tests.pages.conftest import SignIn
from tests.pages.shop import ServedShop
from tests.pages.test_access import must_be_usable

pytestmark = pytest.mark.page

HOOP = (
    '<svg xmlns="http://www.w3.org/2000/svg" width="20mm" height="20mm" viewBox="0 0 20 20">'
    '<circle cx="10" cy="10" r="9.3" fill="none" stroke="black" stroke-width="0.9"/>'
    '<circle cx="10" cy="10" r="7.9" fill="none" stroke="black" stroke-width="0.5"/></svg>'
)


def looked_at(page: Page, name: str) -> None:
    """Usable by everybody; and a picture for whoever looks at the pages, where one is asked for."""
    must_be_usable(page, most_bytes=1_500_000)
    if folder := os.environ.get("RICASSO_TEST_SHOTS"):
        width = (page.viewport_size or {"width": 0})["width"]
        page.screenshot(path=str(Path(folder) / f"set-up-{width}-{name}.png"), full_page=True)


def a_font(page: Page) -> None:
    """A second name for a font file whose letters are measured: to measure one takes longer than all this."""
    page.goto("/owner/fonts")
    page.locator("summary", has_text="fontpkg_lato").click()
    page.get_by_role("link", name="Lato-Bold.ttf").click()
    expect(page.get_by_role("heading", name="How small it may be")).to_be_visible()
    expect(page.get_by_text("OFL-1.1").first).to_be_visible()
    looked_at(page, "font")
    page.get_by_label("Name").fill("Lato for labels")
    page.get_by_role("button", name="Write it into the draft").click()
    expect(page.get_by_role("status")).to_contain_text("Written into the draft")


def a_frame(page: Page, folder: Path) -> None:
    file = folder / "hoop.svg"
    file.write_text(HOOP)
    page.goto("/owner/artwork")
    page.set_input_files("#file", file)
    page.get_by_role("button", name="Read the drawing").click()
    expect(page.get_by_role("status")).to_contain_text("Thinnest stroke 0.50 mm")
    page.get_by_label("How it is used").select_option("frame")
    page.get_by_role("button", name="Look again").click()
    expect(page.get_by_role("heading", name="Where its initials go")).to_be_visible()
    looked_at(page, "frame")
    page.get_by_role("button", name="Write it into the draft").click()
    expect(page.get_by_role("status")).to_contain_text("Written into the draft")


def a_list_of_words(page: Page) -> None:
    page.goto("/owner/shop")
    section = page.locator("#words")
    section.get_by_text("Add", exact=True).first.click()
    section.get_by_label("Name").fill("fr")
    section.get_by_role("button", name="Add").last.click()
    page.wait_for_url("**/owner/shop/table**")
    page.locator('[name="v.language"]').fill("fr")
    page.get_by_role("button", name="Save, and add one").click()
    page.wait_for_url("**at=word_list**")
    for name, value in {
        "name": "names",
        "reason": "Somebody else's name?",
        "words": "Moutarde & Fils",
    }.items():
        page.locator(f'[name="v.{name}"]').fill(value)
    page.locator('[name="v.severity"]').select_option("review")
    looked_at(page, "words")
    page.get_by_role("button", name="Save in the draft").last.click()
    expect(page.get_by_text("Saved in the draft")).to_be_visible()


def a_recipe(page: Page) -> None:
    page.goto("/owner/matrix")
    page.get_by_label("Station").select_option("north")
    page.get_by_label("Material, as your products name it").fill("brass")
    page.get_by_label("Finish, as your products name it").fill("brushed")
    page.get_by_label("Powers in percent").fill("30, 60")
    page.get_by_label("Speeds, mm/s").fill("300, 600, 1200")
    page.get_by_role("button", name="Make the card").click()
    page.get_by_text("B2", exact=True).click()
    page.get_by_label("What the process shall be called").fill("brass-north")
    page.get_by_label("Width of the single line").fill("0.06")
    looked_at(page, "matrix")
    page.get_by_role("button", name="Write it into the draft").click()
    expect(page.get_by_role("status")).to_contain_text("Process brass-north is in the draft")


def check(shop: ServedShop, page: Page, **inscription: str) -> Any:
    answer = page.context.request.post(
        f"{shop.address}/v1/checks",
        data={"sku": "AQ-CHEF-20", "inscriptions": [{"zone": "heel", **inscription}]},
        headers={"Authorization": f"Bearer {shop.keys['desk']}"},
    )
    assert answer.ok, answer.text()
    return answer.json()


@pytest.mark.parametrize("width", [390, pytest.param(1280, marks=pytest.mark.long)])
def test_letters_a_frame_words_and_a_recipe_are_set_up_on_pages(
    shop: ServedShop, sign_in: SignIn, tmp_path: Path, width: int
) -> None:
    page = sign_in("owner", "Ona", width=width)
    a_font(page)
    a_frame(page, tmp_path)
    a_list_of_words(page)
    a_recipe(page)

    page.goto("/owner/draft")
    page.get_by_role("button", name="Look what it would do").click()
    expect(page.get_by_label("Why (it stands in the list)")).to_be_visible()
    for thing in ("lato-for-labels", "hoop", "brass-north", "words fr"):
        expect(page.locator("main")).to_contain_text(thing)
    looked_at(page, "draft")
    page.get_by_label("Why (it stands in the list)").fill("letters, a hoop, brass")
    page.get_by_role("button", name="Put in force").click()
    expect(page.get_by_role("heading", name="Description 2")).to_be_visible()

    page.goto("/owner/versions")
    expect(page.locator("main")).to_contain_text("letters, a hoop, brass")
    looked_at(page, "versions")
    monogram = check(shop, page, kind="monogram", initials="AB", font="lato-for-labels", frame="hoop")
    assert monogram["verdict"] != "refuse", monogram
    listed = check(shop, page, text="Moutarde & Fils", font="lato-bold")
    assert listed["findings"][0]["code"] == "words_to_review"
