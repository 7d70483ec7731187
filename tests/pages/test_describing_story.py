"""An owner sets up an invented shop on pages alone (a knife, its zone, plate, process, hours); then an order
and its burn file."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest
import shapely
from playwright.sync_api import Locator, Page, expect
from shapely import affinity

import service.shop.starter
from tests.pages.conftest import SignIn
from tests.pages.shop import ServedShop, make_first_start
from tests.pages.test_access import must_be_usable
from tests.references.readers import svg_paths

pytestmark = pytest.mark.page

#: A field knife, drawn by hand for this test: 120 mm from heel to tip.
OUTLINE = "M 0 14 L 0 -14 L 84 -13 C 100 -11 112 -4 120 6 C 104 11 90 14 70 14 Z"


@pytest.fixture
def shop(tmp_path: Path) -> Iterator[ServedShop]:
    """The shop that `ricasso init` makes, served."""
    starter = Path(service.shop.starter.__file__).parent
    first = make_first_start(tmp_path / "first", starter)
    served = ServedShop(tmp_path / "data", first)
    served.start()
    yield served
    served.stop()


def save(page: Page) -> None:
    page.get_by_role("button", name="Save in the draft").last.click()
    expect(page.get_by_text("Saved in the draft")).to_be_visible()


def fill(page: Page, **values: str) -> None:
    """Fields by key, `__` for a step inside."""
    for key, value in values.items():
        field = page.locator(f'[name="v.{key.replace("__", ".")}"]')
        if field.evaluate("one => one.tagName") == "SELECT":
            field.select_option(value)
        else:
            field.fill(value)


def fill_numbers(page: Page, key: str, *values: float) -> None:
    for index, value in enumerate(values):
        page.locator(f'[name="v.{key}[{index}]"]').fill(str(value))


def add(page: Page, kind: str, name: str) -> None:
    page.goto("/owner/shop")
    section = page.locator(f"#{kind}")
    section.get_by_text("Add", exact=True).first.click()
    section.get_by_label("Name").fill(name)
    section.get_by_role("button", name="Add").last.click()
    page.wait_for_url("**/owner/shop/table**")


def middle(one: Locator) -> tuple[float, float]:
    box = one.bounding_box()
    assert box is not None
    return box["x"] + box["width"] / 2, box["y"] + box["height"] / 2


def pull(page: Page, one: Locator, *, right: float, down: float) -> None:
    """Drag something by so many pixels."""
    x, y = middle(one)
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x + right, y + down, steps=4)
    page.mouse.up()


def zone_numbers(page: Page) -> list[float]:
    return [float(page.input_value(f'[name="zone0.polygon.rect[{n}]"]')) for n in range(4)]


def capitals(page: Page) -> float:
    expect(page.locator("#stage[aria-busy=true]")).to_have_count(0)
    found = re.search(r"up to ([0-9.]+) mm", page.locator("#said").inner_text())
    assert found is not None, page.locator("#said").inner_text()
    return float(found[1])


def make_blade(page: Page) -> None:
    add(page, "blades", "field knife")
    page.get_by_role("button", name="Save, and add one").click()
    page.wait_for_url("**at=face**")
    fill(page, face="mark_side", handle_deg="180")
    page.locator('[name="v.silhouette~way"][value=path]').check()
    page.locator('[name="v.silhouette.path"]').fill(OUTLINE)
    save(page)
    page.get_by_role("link", name="Draw zones and keep-outs").click()
    page.get_by_role("button", name="Save, and add a zone").click()
    expect(page.locator("#handles .shape.polygon")).to_have_count(1)


def draw_zone(page: Page) -> None:
    """The zone is dragged by its corners: what fits grows; where it leaves the blade, that is said."""
    page.locator("#words").fill("Ada")
    small = capitals(page)
    start = zone_numbers(page)
    page.locator("#handles .shape.polygon .hit").click()
    handles = page.locator("#handles .handle")
    expect(handles).to_have_count(4)
    pull(page, handles.nth(2).locator(".hit"), right=60, down=-40)
    assert capitals(page) > small
    wide = zone_numbers(page)
    assert wide[2] > start[2] and wide[3] > start[3]
    assert wide[:2] == start[:2]

    pull(page, handles.nth(2).locator(".hit"), right=0, down=-200)
    expect(page.locator("#said")).to_contain_text("reaches beyond the blade")
    page.get_by_role("button", name="Undo").click()
    expect(page.locator("#said")).not_to_contain_text("reaches beyond the blade")
    assert zone_numbers(page) == wide

    page.locator("#handles .shape.polygon").focus()
    page.keyboard.press("Shift+ArrowLeft")
    assert zone_numbers(page) == [wide[0] - 1, wide[1], wide[2] - 1, wide[3]]
    page.get_by_role("button", name="Save in the draft").last.click()
    expect(page.get_by_text("Saved in the draft")).to_be_visible()
    assert zone_numbers(page)[0] == wide[0] - 1


def make_the_rest(page: Page) -> None:
    """Product, seat on the starter's plate, a card for its process, hours, a holiday."""
    add(page, "products", "FK-12")
    fill(page, name="Field knife, 12 cm", blade="field knife", material="carbon_c60", finish="ground")
    save(page)

    page.goto("/owner/shop/table?file=plates/heads.toml")
    page.get_by_role("button", name="Save, and add one").click()
    page.wait_for_url("**at=seat**")
    fill(page, blade="field knife", face="mark_side")
    fill(page, pose__x_mm="4", pose__y_mm="-4", pose__turn_deg="0", pose__height_mm="22")
    fill(page, play__shift_mm="0.1", play__tilt_deg="0.1")
    save(page)

    page.goto("/owner/shop/table?file=processes/bench.toml&at=process[0]")
    fill(page, test_card__date="2026-11-02", test_card__by="Olga", test_card__note="even, no rust")
    save(page)

    page.goto("/owner/shop/table?file=stations/bench.toml")
    page.locator('[name="v.hours{saturday}"]').fill("09:00-12:00")
    save(page)
    page.goto("/owner/shop/table?file=policy/policy.toml")
    page.locator('[name="v.days_off"]').fill("2027-01-01\n2027-12-27")
    save(page)


def put_in_force(page: Page) -> None:
    page.goto("/owner/shop")
    expect(page.get_by_text("Nothing is wrong with it")).to_be_visible()
    page.get_by_label("Why").fill("the first field knife")
    page.get_by_role("button", name="Put in force").click()
    expect(page.get_by_text("In force:")).to_be_visible()


def test_a_shop_is_set_up_on_pages_alone_and_burns_its_first_order(
    shop: ServedShop, sign_in: SignIn, tmp_path: Path
) -> None:
    page = sign_in("owner", "Olga", width=1100, height=1300)
    page.get_by_role("link", name="Change the shop").click()

    make_blade(page)
    draw_zone(page)
    make_the_rest(page)
    put_in_force(page)
    counts = tmp_path / "counts.csv"
    counts.write_text("bin,sku,boxed,walking_order\nA2,FK-12,3,20\n", encoding="utf-8")
    page.goto("/owner/stock")
    page.locator("input[type=file]").set_input_files(counts)
    page.get_by_role("button", name=re.compile("Set")).first.click()
    expect(page.locator("main")).to_contain_text("1 rows taken, 0 refused")

    words = {"zone": "zone-2", "text": "Ada", "font": "lato-bold"}
    ordered = shop.order("W-1", {"sku": "FK-12", "inscriptions": [words]})
    assert ordered["state"] == "ready"
    with shop.api("bench") as http:
        load = http.post("/v1/loads/next", json={"station": "bench", "operator": "Kit"}).json()
        burned = http.get(f"/v1/loads/{load['id']}/turns/1/burn.svg")
    assert burned.status_code == 200
    # All that is burned lies in the zone as it was dragged, in a slot of the plate, as an independent reader
    # sees the file.
    described = shop.tools.catalogue.current
    station, plate = described.stations["bench"], described.plates["heads"]
    lines = shapely.MultiLineString(svg_paths(burned.content, station.field_box_mm))
    zone = described.blades["field knife"].face("mark_side").zone("zone-2").polygon
    x, y, _ = station.plates["heads"]
    zones = []
    for slot in plate.slots:
        seat = slot.seat("field knife", "mark_side")
        assert seat is not None
        zones.append(affinity.translate(zone, x + seat.pose.x_mm, y + seat.pose.y_mm))
    assert lines.length > 20
    assert sum(one.covers(lines) for one in zones) == 1


@pytest.mark.parametrize("width", [390, pytest.param(1100, marks=pytest.mark.long)])
def test_the_pages_that_change_the_shop_can_be_used_by_everybody(
    shop: ServedShop, sign_in: SignIn, width: int
) -> None:
    page = sign_in("owner", "Olga", width=width, height=844)
    for address in (
        "/owner/shop",
        "/owner/shop/table?file=blades/hatchet.toml",
        "/owner/shop/table?file=blades/hatchet.toml&at=face[0].zone[0]",
        "/owner/shop/table?file=stations/bench.toml",
        "/owner/shop/table?file=plates/heads.toml",
        "/owner/shop/table?file=policy/policy.toml",
        "/owner/shop/text?file=fonts/fonts.toml",
        "/owner/shop/face?file=blades/hatchet.toml&face=0",
    ):
        page.goto(address)
        must_be_usable(page)
        assert page.evaluate("document.documentElement.scrollWidth") <= width, address


def test_a_finger_drags_a_zone_and_the_page_stays_where_it_is(shop: ServedShop, sign_in: SignIn) -> None:
    page = sign_in("owner", "Olga", width=390, height=844)
    page.goto("/owner/shop/face?file=blades/hatchet.toml&face=0")
    before = zone_numbers(page)
    x, y = middle(page.locator("#handles .shape.polygon.of-zone .hit"))
    touch = page.context.new_cdp_session(page)

    for kind, points in (
        ("touchStart", [(x, y)]),
        *(("touchMove", [(x + 4 * n, y + 2 * n)]) for n in range(1, 6)),
        ("touchEnd", []),
    ):
        touch.send(
            "Input.dispatchTouchEvent", {"type": kind, "touchPoints": [{"x": a, "y": b} for a, b in points]}
        )

    expect(page.locator("#undo")).to_be_enabled()
    after = zone_numbers(page)
    assert after[0] > before[0] and after[1] < before[1]
    assert after[2] - after[0] == pytest.approx(before[2] - before[0])
    assert page.evaluate("scrollY") == 0


def test_without_scripts_the_numbers_do_the_same(shop: ServedShop, sign_in: SignIn) -> None:
    page = sign_in("owner", "Olga", javascript=False, width=390)
    page.goto("/owner/shop/face?file=blades/hatchet.toml&face=0")
    page.locator("summary").first.click()
    page.locator('[name="zone0.polygon.rect[2]"]').fill("70")

    page.get_by_role("button", name="Show").click()
    narrow = page.locator("#said").inner_text()
    assert zone_numbers(page)[2] == 70
    page.get_by_role("button", name="Save in the draft").last.click()

    expect(page.get_by_text("Saved in the draft")).to_be_visible()
    assert "Capitals up to" in narrow
    assert zone_numbers(page)[2] == 70
