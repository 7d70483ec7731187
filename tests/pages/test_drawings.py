"""The owner's drawings in a real browser: a file becomes a blade's file; a photo is traced by mouse, finger
and keys; what is sent to the service can't be more than a drawing."""

from __future__ import annotations

import base64
import json
import re
import zlib
from pathlib import Path

import cv2
import numpy as np
import pytest
from playwright.sync_api import Page, expect

from service.shop.catalogue import blade_in
from tests import drawings
from tests.drawings import BLADES
from tests.layout.drawing.test_photo import SHEET, camera
from tests.pages.conftest import SignIn
from tests.pages.operators import follow
from tests.pages.shop import ServedShop
from tests.pages.test_access import must_be_usable

pytestmark = pytest.mark.page

#: A blade on the sheet, mm.
OUTLINE = [(20.0, 120.0), (150.0, 112.0), (190.0, 138.0), (150.0, 165.0), (20.0, 158.0)]


def near(point: tuple[float, float]) -> tuple[float, float]:
    """Where the camera of the photo sees a point of the sheet, in the picture's dots."""
    ((x, y),) = camera([point], height=420.0)
    return x / 2, y / 2


@pytest.fixture(scope="module")
def photo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    picture = np.full((1500, 2000, 3), (70, 90, 110), np.uint8)
    for points, colour in ((SHEET, (235, 245, 245)), (OUTLINE, (90, 90, 95))):
        cv2.fillPoly(picture, [np.array([near(p) for p in points]).round().astype(np.int32)], colour)
    path = tmp_path_factory.mktemp("photo") / "blade.jpg"
    cv2.imwrite(str(path), picture)
    return path


def test_a_drawing_is_read_asked_about_once_and_downloaded(
    shop: ServedShop, sign_in: SignIn, tmp_path: Path
) -> None:
    file = tmp_path / "chef.dxf"
    file.write_bytes(drawings.dxf_of_entities(BLADES["chef"]))
    page = sign_in("owner", "Ona", javascript=False, width=390, height=844)
    follow(page, page.get_by_role("link", name="A blade from a drawing"))
    must_be_script_free(page)
    page.set_input_files("#file", file)
    page.get_by_role("button", name="Read the drawing").click()

    expect(page.get_by_role("status")).to_contain_text("The drawing can't say everything")
    page.get_by_label("Side drawn").select_option("mark_side")
    page.get_by_label("The handle is at the").select_option("left")
    page.get_by_label("Name in other files").fill("chef-21")
    page.get_by_role("button", name="Look again").click()

    expect(page.get_by_role("status")).to_contain_text("This is the blade")
    expect(page.get_by_role("status")).to_contain_text("201 mm long, 46.3 mm high")
    with page.expect_download() as download:
        page.get_by_role("button", name="Download the blade's file").click()
    assert download.value.suggested_filename == "chef-21.toml"
    blade = blade_in("blades/chef-21.toml", Path(download.value.path()).read_text(encoding="utf-8"))
    assert [zone.zone for zone in blade.faces[0].zones] == ["heel"]
    page.locator("summary", has_text="A product made with it").click()
    page.get_by_label("Sku").fill("AQ-CHEF-21")
    with page.expect_download() as product:
        page.get_by_role("button", name="Download the product's file").click()
    assert 'blade = "chef-21"' in Path(product.value.path()).read_text(encoding="utf-8")


def must_be_script_free(page: Page) -> None:
    assert page.locator("[onclick], [style]").count() == 0


def test_names_are_chosen_and_a_unit_is_asked_for(shop: ServedShop, sign_in: SignIn, tmp_path: Path) -> None:
    file = tmp_path / "axe.svg"
    file.write_text(
        "<svg xmlns='http://www.w3.org/2000/svg' viewBox='0 0 130 96'>"
        "<path id='p1' d='M 10 30 L 10 60 "
        "L 100 70 L 100 20 Z'/><path id='p2*' d='M 30 40 L 30 50 L 80 50 L 80 40 Z'/>"
        "<script>alert(1)</script></svg>"
    )
    page = sign_in("owner", "Ona")
    page.goto("/owner/drawings")
    page.set_input_files("#file", file)
    page.get_by_role("button", name="Read the drawing").click()

    expect(page.get_by_label("Unit of its numbers")).to_contain_text("mm: 90 x 50 mm")
    page.get_by_label("Unit of its numbers").select_option("mm")
    page.get_by_role("button", name="Look again").click()
    expect(page.get_by_role("alert").first).to_contain_text("which of the drawing's names is the outline?")
    page.get_by_label("p1 (").select_option("outline")
    page.get_by_label("p2* (").select_option("zone")
    page.get_by_label("Side drawn").select_option("mark_side")
    page.get_by_label("The handle is at the").select_option("left")
    page.get_by_label("The edge is at the").select_option("right")
    page.get_by_role("button", name="Look again").click()

    expect(page.get_by_role("status")).to_contain_text("90 mm long, 50 mm high")
    must_be_usable(page)


def test_an_outline_that_crosses_itself_is_drawn_with_the_place(
    shop: ServedShop, sign_in: SignIn, tmp_path: Path
) -> None:
    file = tmp_path / "knot.svg"
    file.write_text(
        "<svg xmlns='http://www.w3.org/2000/svg' width='90mm' height='60mm' viewBox='0 0 90 60'>"
        "<path id='outline' d='M 0 0 L 90 60 L 90 0 L 0 60 Z'/></svg>"
    )
    page = sign_in("owner", "Ona")
    page.goto("/owner/drawings")
    page.set_input_files("#file", file)
    page.get_by_role("button", name="Read the drawing").click()

    expect(page.get_by_role("alert").first).to_contain_text("crosses itself")
    picture = page.locator("img.drawn").get_attribute("src") or ""
    assert b"crosses itself" in base64.b64decode(picture.split(",")[1])


def test_what_is_no_drawing_or_too_much_is_refused(shop: ServedShop, sign_in: SignIn, tmp_path: Path) -> None:
    page = sign_in("owner", "Ona")
    page.goto("/owner/drawings")
    token = page.locator("meta[name=form-token]").get_attribute("content") or ""
    bomb = base64.b64encode(zlib.compress(b"<svg>" + b" " * 50_000_000)).decode()
    lots = b'<!DOCTYPE x [<!ENTITY a "aaaaaaaaaa">]><svg>&a;</svg>'
    for form, said in [
        ({"drawing": bomb}, "lost on the way"),
        ({"drawing": "%%%"}, "lost on the way"),
        ({}, "choose a drawing"),
        ({"trace": "{"}, "what was traced can't be used"),
        ({"drawing": base64.b64encode(zlib.compress(b"<svg/>")).decode(), "close": "wide"}, "a number from"),
        ({"drawing": base64.b64encode(zlib.compress(lots)).decode()}, ""),
    ]:
        answer = page.request.post("/owner/drawings", form={"token": token, **form})
        assert answer.status in (200, 422), (list(form), answer.status)
        assert said in answer.text().replace("&#39;", "'"), (said, list(form))
    assert sign_in("bench", "Ines").request.get("/owner/drawings").status == 403


def tap(page: Page, point: tuple[float, float], *, finger: bool) -> None:
    x, y = near(point)
    sheet = page.locator(".trace-sheet")
    # Into the middle of what is seen.
    page.locator(".trace-view").evaluate(
        """(view, [x, y]) => {
          const scale = view.firstElementChild.getBoundingClientRect().width / 2000;
          view.scrollTo(x * scale - view.clientWidth / 2, y * scale - view.clientHeight / 2);
        }""",
        [x, y],
    )
    box = sheet.bounding_box()
    assert box is not None
    scale = box["width"] / 2000
    at = (box["x"] + x * scale, box["y"] + y * scale)
    if finger:
        page.touchscreen.tap(*at)
    else:
        page.mouse.click(*at)


def chosen_tool(page: Page, name: str) -> None:
    page.get_by_role("group", name="What do you point at?").get_by_role(
        "button", name=name, exact=True
    ).click()
    page.locator(".trace-sheet").evaluate(
        "one => scrollTo(0, one.getBoundingClientRect().top + scrollY - 10)"
    )


def test_a_blade_is_traced_on_a_photo_and_its_error_is_said(
    shop: ServedShop, sign_in: SignIn, photo: Path
) -> None:
    page = sign_in("owner", "Ona", width=1280, height=900)
    page.goto("/owner/drawings/photo")
    page.set_input_files("#trace-photo", photo)
    page.locator(".trace-sheet image").wait_for()
    page.get_by_label("A curve through the points").uncheck()
    # A ruler alone first: what it can't know is said in millimetres.
    page.get_by_label("a ruler alone").check()
    page.get_by_label("How far apart are the two marks").fill("150")
    chosen_tool(page, "Ruler")
    for mark in [(30.0, 20.0), (180.0, 20.0)]:
        tap(page, mark, finger=False)
    chosen_tool(page, "Outline")
    for corner in OUTLINE:
        tap(page, corner, finger=False)
    expect(page.locator("#trace-said")).to_contain_text("Perspective is not put right")
    expect(page.locator("#trace-said")).to_contain_text(re.compile(r"by 5°: \d[\d.]* mm"))
    page.get_by_label("a rectangle of known size").check()
    chosen_tool(page, "Corner")
    for corner in SHEET:
        tap(page, corner, finger=False)
    expect(page.locator("#trace-said")).to_contain_text("Nothing checks this yet")
    chosen_tool(page, "Known distance")
    for end in [(30.0, 40.0), (130.0, 40.0)]:
        tap(page, end, finger=False)
    expect(page.locator("#trace-list")).to_contain_text("known 100 mm: off by")
    expect(page.locator("#trace-said")).not_to_contain_text("Nothing checks this yet")
    chosen_tool(page, "Outline")
    expect(page.locator("#trace-list")).to_contain_text("Outline · 5")

    # One point too many, taken back; the last one moved by keys there and back.
    tap(page, (60.0, 200.0), finger=False)
    expect(page.locator("#trace-list")).to_contain_text("Outline · 6")
    page.get_by_role("button", name="Undo").click()
    expect(page.locator("#trace-list")).to_contain_text("Outline · 5")
    page.locator(".trace-point.outline").nth(4).focus()
    for key in ("Shift+ArrowUp", "Shift+ArrowDown", "ArrowLeft", "ArrowRight"):
        page.keyboard.press(key)
    must_be_usable(page, most_bytes=3_000_000)
    page.get_by_role("button", name="Make a drawing of it").click()

    expect(page.get_by_text("Traced: about")).to_be_visible()
    page.get_by_label("Side drawn").select_option("mark_side")
    page.get_by_label("The handle is at the").select_option("left")
    page.get_by_label("The edge is at the").select_option("down")
    page.get_by_role("button", name="Look again").click()
    said = page.get_by_role("status").inner_text()
    length, height = map(float, re.search(r"([\d.]+) mm long, ([\d.]+) mm high", said).groups())  # type: ignore[union-attr]
    about = float(re.search(r"about ([\d.]+) mm", page.get_by_text("Traced: about").inner_text())[1])  # type: ignore[index]
    assert about < 6
    assert abs(length - 170) <= about
    assert abs(height - 53) <= about


@pytest.mark.long
def test_a_finger_traces_on_a_small_screen(
    shop: ServedShop, browser: object, sign_in: SignIn, photo: Path
) -> None:
    signed_in = sign_in("owner", "Ona")
    context = browser.new_context(  # type: ignore[attr-defined]
        viewport={"width": 390, "height": 844},
        has_touch=True,
        base_url=shop.address,
        storage_state=signed_in.context.storage_state(),
    )
    page = context.new_page()
    page.goto("/owner/drawings/photo")
    page.set_input_files("#trace-photo", photo)
    page.locator(".trace-sheet image").wait_for()
    for _ in range(3):
        page.get_by_role("button", name="Closer").tap()
    chosen_tool(page, "Corner")
    for corner in SHEET:
        tap(page, corner, finger=True)
    expect(page.locator("#trace-list")).to_contain_text("Corner · 4")
    tap(page, (100.0, 200.0), finger=True)  # a fifth corner is none
    expect(page.locator("#trace-list")).to_contain_text("Corner · 4")
    chosen_tool(page, "Outline")
    for corner in OUTLINE:
        tap(page, corner, finger=True)
    expect(page.locator("#trace-list")).to_contain_text("Outline · 5")
    must_be_usable(page, most_bytes=3_000_000)
    context.close()


def test_a_ruler_s_drawing_says_how_far_off_it_may_be(shop: ServedShop, sign_in: SignIn) -> None:
    """Over HTTP, as the page's script asks: 100 mm on 1000 dots, a blade of 200 by 50 mm."""
    page = sign_in("owner", "Ona")
    token = page.locator("meta[name=form-token]").get_attribute("content") or ""
    blade = [[200, 500], [2200, 500], [2200, 1000], [200, 1000]]
    trace: dict[str, object] = {
        "ruler": {"begin": [200, 200], "end": [1200, 200], "mm": 100},
        "picture": [2400, 1600],
        "shapes": [{"part": "outline", "points": blade}],
    }

    def posted(**more: object) -> object:
        form = {"token": token, "trace": json.dumps({**trace, **more})}
        return page.request.post("/owner/drawings/photo/scale", form=form)

    near, far = posted().json(), posted(camera_mm=1000).json()  # type: ignore[attr-defined]
    tilts = [one["tilt_deg"] for one in near["aslant"]]
    assert tilts == [1.0, 2.0, 5.0, 10.0]
    assert near["about_mm"] == pytest.approx(near["click_mm"] + near["aslant"][2]["off_mm"], abs=0.02)
    # A phone's lens sees this paper from 173 mm; from a metre it is far less off.
    assert far["aslant"][2]["off_mm"] < near["aslant"][2]["off_mm"] / 2
    assert posted(picture=None).status == 422  # type: ignore[attr-defined]
    assert posted(corners=blade).status == 422  # type: ignore[attr-defined]
    made = page.request.post("/owner/drawings", form={"token": token, "trace": json.dumps(trace)})
    assert f"Traced: about {near['about_mm']:.2f} mm off at worst" in made.text()


def test_corners_in_a_line_are_refused_in_words(shop: ServedShop, sign_in: SignIn) -> None:
    page = sign_in("owner", "Ona")
    token = page.locator("meta[name=form-token]").get_attribute("content") or ""
    trace = {"corners": [[0, 0], [1, 0], [2, 0], [3, 0]], "width_mm": 100, "height_mm": 50}
    answer = page.request.post(
        "/owner/drawings/photo/scale", form={"token": token, "trace": json.dumps(trace)}
    )

    assert answer.status == 422
    assert "one after the other" in answer.json()["refused"]
