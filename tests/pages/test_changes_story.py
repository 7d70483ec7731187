"""The owner changes the shop: sees what it would do, puts it in force, brings the old description back."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Page, expect

from service.records.who import By, Role, Who
from service.running import tasks
from service.shop import catalogue, drafts
from tests.counter import a_key, an_order
from tests.pages.conftest import SignIn
from tests.pages.shop import ServedShop

HORI, POLICY = "blades/hori-18.toml", "policy/policy.toml"
ADA = Who(role=Role.OWNER, client="house", name="Ada")
_ZONE = '[[face.zone]]\nzone = "ricasso"'
_HOLE = '[[face.keep_out]]\nkeep_out = "new hole"\nreason = "hole"\nshape = { rect = [22, -4, 38, 4] }\n\n'


def shot(page: Page, name: str) -> None:
    """A picture for whoever looks at the pages, where one is asked for."""
    if folder := os.environ.get("RICASSO_TEST_SHOTS"):
        page.screenshot(path=str(Path(folder) / f"{name}.png"), full_page=True)


def edit(shop: ServedShop, name: str, was: str, becomes: str) -> None:
    """An edit of the draft, as the pages of the description make it."""
    by = By(ADA, shop.tools.clock())

    def work(session: Any) -> None:
        draft = drafts.opened(session, by=by)
        text = draft.content[name].replace(was, becomes, 1)
        drafts.write_file(session, draft, name, text, if_version=draft.version, by=by)

    shop.tools.database.write(work)


def post_order(shop: ServedShop, page: Page) -> dict[str, Any]:
    answer = page.context.request.post(
        f"{shop.address}/v1/orders",
        data=an_order(),
        headers={"Authorization": f"Bearer {shop.keys['store']}", "Idempotency-Key": a_key()},
    )
    assert answer.ok, answer.text()
    order: dict[str, Any] = answer.json()
    return order


@pytest.mark.parametrize("width", [390, pytest.param(1280, marks=pytest.mark.long)])
def test_an_owner_sees_what_a_change_would_do_then_puts_it_in_force_and_brings_the_old_one_back(
    shop: ServedShop, sign_in: SignIn, width: int
) -> None:
    page = sign_in("owner", "Ada", width=width)
    order = post_order(shop, page)
    edit(shop, HORI, _ZONE, _HOLE + _ZONE)
    edit(shop, POLICY, "review_height_mm = 2.0", "review_height_mm = 9.0")

    page.get_by_role("link", name="All descriptions").click()
    page.get_by_role("link", name="Look at the draft").click()
    expect(page.get_by_text("review_height_mm").first).to_be_visible()
    shot(page, f"draft-{width}")
    page.get_by_role("button", name="Look what it would do").click()
    lost = page.get_by_text("1 accepted unit could not be engraved any more")
    expect(lost).to_be_visible()
    expect(page.get_by_role("link", name=order["order_ref"])).to_be_visible()
    picture = page.get_by_alt_text("What was approved, on the blade as it would be")
    picture.scroll_into_view_if_needed()
    expect(picture).to_have_js_property("complete", True)
    assert picture.evaluate("image => image.naturalWidth") > 0
    shot(page, f"looked-{width}")
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")

    page.get_by_label("Why (it stands in the list)").fill("a hole for a thong")
    page.get_by_role("button", name="Put in force").dblclick()
    expect(page.get_by_role("heading", name="Description 2")).to_be_visible()
    assert shop.tools.catalogue.described.number == 2
    shot(page, f"version-{width}")

    page.get_by_role("link", name="All descriptions").click()
    expect(page.get_by_text("a hole for a thong")).to_be_visible()
    shot(page, f"versions-{width}")
    page.get_by_role("link", name="Number 1").click()
    page.get_by_role("button", name="Bring back number 1").click()
    expect(page.get_by_text("A draft that brings back number 1.")).to_be_visible()
    page.get_by_role("button", name="Put in force").click()
    expect(page.get_by_role("heading", name="Description 3")).to_be_visible()
    with shop.tools.database.reading() as session:
        assert drafts.find(session) is None
    assert shop.tools.catalogue.current.version == shop.tools.catalogue.described.shop.version


def test_a_draft_that_is_wrong_shows_every_trouble_and_can_be_dropped(
    shop: ServedShop, sign_in: SignIn
) -> None:
    page = sign_in("owner", "Ada", javascript=False)
    edit(shop, POLICY, "review_height_mm = 2.0", "review_height_mm = -1\nno_such_key = 1")

    page.goto("/owner/draft")
    expect(page.get_by_text("2 things are wrong: nothing can be put in force yet")).to_be_visible()
    expect(page.get_by_text("no_such_key: no such key")).to_be_visible()
    assert page.get_by_role("button", name="Put in force").count() == 0
    shot(page, "wrong")
    page.get_by_role("button", name="Drop this draft").click()

    expect(page.get_by_role("heading", name="Descriptions of the shop")).to_be_visible()
    page.goto("/owner/draft")
    expect(page.get_by_text("Nobody is at a change of the shop's description.")).to_be_visible()


def test_a_draft_that_somebody_has_changed_meanwhile_is_not_put_in_force_unseen(
    shop: ServedShop, sign_in: SignIn
) -> None:
    page = sign_in("owner", "Ben", javascript=False)
    edit(shop, POLICY, "review_height_mm = 2.0", "review_height_mm = 2.5")
    page.goto("/owner/draft")
    page.get_by_role("button", name="Look what it would do").click()
    tasks.run_periodic(shop.tools, lanes=(tasks.CHANGES,))
    page.goto("/owner/draft?now=yes")
    edit(shop, POLICY, "review_height_mm = 2.5", "review_height_mm = 3.0")

    page.get_by_role("button", name="Put in force").click()

    expect(page.get_by_text("Something here changed since this page was drawn.")).to_be_visible()
    assert shop.tools.catalogue.described.number == 1
    assert catalogue.read(catalogue.default_folder())[POLICY] in shop_content(shop).values()


def shop_content(shop: ServedShop) -> dict[str, str]:
    return catalogue.read(shop.tools.catalogue.described.source)
