"""A photo of a mark in a real browser: a file given to the camera's input, seen at the bench and the desk,
shown to the buyer, and erased with the order."""

from __future__ import annotations

from typing import Any

import pytest
from playwright.sync_api import FilePayload, Page, expect

from service.photos.photos import outline_of
from service.records.tables import MarkPhoto
from tests.pages.conftest import SignIn
from tests.pages.shop import ServedShop
from tests.pages.test_access import GLOVE_PX, must_be_usable, must_have_targets
from tests.pages.test_packing_story import took
from tests.references.photos import photo_of

pytestmark = pytest.mark.page

SEED = 20
_IS_DRAWN = """image => new Promise(done => {
  const one = new Image();
  one.onload = () => done(one.width > 0);
  one.onerror = () => done(false);
  one.src = image.getAttribute("href");
})"""


def burned(shop: ServedShop) -> dict[str, Any]:
    """A load at inspection."""
    with shop.api("bench") as http:
        load = took(http)
        for what, body in (
            ("mounted", {"turn": 1, "copy": load["copy"], "how": "scanned"}),
            ("pulled", {"jobs": {one["job"]: "found" for one in load["jobs"]}}),
            ("seated", {"turn": 1, "slots": {slot["slot"]: "seated" for slot in load["turns"][0]["slots"]}}),
            ("start", {"turn": 1}),
            ("finish", {"turn": 1}),
        ):
            burning = {"file_sha256": load["turns"][0]["file_sha256"]} if what == "start" else {}
            answer = http.post(
                f"/v1/loads/{load['id']}/{what}", json={**body, **burning}, headers={"If-Match": load["etag"]}
            )
            assert answer.status_code == 200, answer.text
            load = answer.json()
    return load


def a_photo(shop: ServedShop, *, without: int | None = None) -> FilePayload:
    """What the tablet's camera sees of the mark of J1, perhaps without one of its letters."""
    with shop.tools.database.reading() as session:
        outline = outline_of(session, MarkPhoto(job_id=1, face="mark_side", zone="heel"))
    areas = [area for place, area in enumerate(outline.areas) if place != without]
    photo = photo_of(areas, outline.bounds_mm, seed=SEED)
    return {"name": "image.jpg", "mimeType": "image/jpeg", "buffer": photo.jpeg}


def camera(page: Page) -> Any:
    return page.locator("#J1 form.photo input[type=file]").first


def test_a_photo_is_taken_looked_at_shown_and_erased(shop: ServedShop, sign_in: SignIn) -> None:
    order = shop.order("AQ-1", proof="none")
    load = burned(shop)
    ines = sign_in("bench", "Ines")
    ines.goto(f"/bench/loads/{load['id']}")

    # At the bench: the tablet's own camera opens, and what it took is sent at once.
    assert camera(ines).get_attribute("capture") == "environment"
    must_be_usable(ines)
    camera(ines).set_input_files(a_photo(shop, without=0))
    expect(ines.locator("#PH1")).to_contain_text("Look here")
    expect(ines.locator("#PH1 ol.suspects")).to_contain_text("looks missing")
    expect(ines.locator("#PH1 svg ellipse")).to_have_count(2)
    expect(ines.locator("#J1").get_by_role("button", name="Pass")).to_be_visible()  # it decides nothing
    camera(ines).set_input_files(a_photo(shop))
    expect(ines.locator("#PH2")).to_contain_text("No difference found")
    must_be_usable(ines)
    must_have_targets(ines, GLOVE_PX)
    assert ines.locator("#PH2 svg image").evaluate(_IS_DRAWN)
    camera(ines).set_input_files(
        {"name": "notes.jpg", "mimeType": "image/jpeg", "buffer": b"no picture at all"}
    )
    expect(ines.get_by_role("alert").filter(visible=True)).to_contain_text("picture")
    ines.get_by_role("button", name="Delete this photo PH1").click()
    expect(ines.locator("#PH1")).to_have_count(0)
    ines.locator("#J1").get_by_role("button", name="Pass").click()
    ines.get_by_role("button", name="All done: release", exact=True).click()

    # At the desk, and, once it is shown, on the buyer's page.
    dora = sign_in("desk", "Dora", width=1024, height=768)
    dora.goto("/desk/orders/O1")
    expect(dora.locator("#PH2")).to_contain_text("Ines")
    must_be_usable(dora)
    with shop.api("desk") as http:
        link = http.post("/v1/orders/O1/proof-link").json()["url"]
    buyer = dora.context.browser.new_context(viewport={"width": 390, "height": 844}).new_page()  # type: ignore[union-attr]
    buyer.goto(link)
    expect(buyer.locator("figure.photo")).to_have_count(0)
    assert buyer.request.get(f"{link}/photos/PH2.jpg").status == 404
    dora.get_by_role("button", name="Show it to the buyer PH2").click()
    expect(dora.locator("main")).to_contain_text("The buyer can see this photo")
    buyer.reload()
    expect(buyer.locator("figure.photo img")).to_have_js_property("complete", True)
    assert buyer.locator("figure.photo img").evaluate("one => one.naturalWidth > 100")
    must_be_usable(buyer)

    # Erased with the order, for everybody.
    dora.get_by_text("Erase words and names").click()
    dora.locator("#erase-why").fill("the buyer asked for it")
    dora.get_by_role("button", name="Erase for good").click()
    expect(dora.locator("main")).to_contain_text("were erased")
    expect(dora.locator("figure.photo")).to_have_count(0)
    assert list((shop.data / "photos").rglob("*.jpg")) == []
    assert buyer.request.get(f"{link}/photos/PH2.jpg").status == 404
    assert order["id"] == "O1"


def test_without_the_script_a_photo_is_sent_by_its_button(shop: ServedShop, sign_in: SignIn) -> None:
    shop.order("AQ-1")
    load = burned(shop)
    ines = sign_in("bench", "Ines", javascript=False, width=390, height=844)
    ines.goto(f"/bench/loads/{load['id']}")

    camera(ines).set_input_files(a_photo(shop))
    ines.get_by_role("button", name="Send the photo").first.click()

    expect(ines.locator("#PH1")).to_contain_text("No difference found")
