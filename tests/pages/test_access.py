"""Every page by axe-core (Deque, https://github.com/dequelabs/axe-core, rules of WCAG 2.0 to 2.2, A and AA),
its size, its targets, its words in the second language."""

from __future__ import annotations

import re

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page, expect

from tests.pages.conftest import SignIn
from tests.pages.shop import ServedShop
from tests.pages.test_bench_story import TWO_FACES, finish, mount, pull_all, seat_all, start, take

pytestmark = pytest.mark.page

_AXE = Axe().axe_script
_RULES = {
    "runOnly": {"type": "tag", "values": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]},
    "resultTypes": ["violations"],
}
_MOST_BYTES = 150_000
#: 15 mm on a tablet of 132 px per inch.
GLOVE_PX = 15 / 25.4 * 132


def must_be_usable(page: Page, *, most_bytes: int = _MOST_BYTES) -> None:
    """No rule broken, no page too large, nothing wider than the screen."""
    page.evaluate(_AXE)
    # Handed over are the violations alone: all that axe looked at is many times as long as the page.
    broken = page.evaluate("rules => axe.run(rules).then(results => results.violations)", _RULES)
    assert [(one["id"], [node["html"][:120] for node in one["nodes"]]) for one in broken] == []
    assert len(page.content().encode()) < most_bytes
    assert page.evaluate("document.documentElement.scrollWidth <= document.documentElement.clientWidth")


def must_have_targets(page: Page, pixels: float) -> None:
    """Buttons and fields are at least so high."""
    heights = page.locator("main button:visible, main .button:visible, main summary:visible").evaluate_all(
        "all => all.map(one => [one.getBoundingClientRect().height, one.textContent.trim().slice(0, 30)])"
    )
    assert heights
    assert [one for one in heights if one[0] < pixels] == []


@pytest.mark.parametrize(
    ("width", "height"),
    [
        (390, 844),
        pytest.param(820, 1180, marks=pytest.mark.long),
        pytest.param(1280, 800, marks=pytest.mark.long),
    ],
)
def test_every_step_at_the_bench_can_be_used_by_everybody(
    shop: ServedShop, sign_in: SignIn, width: int, height: int
) -> None:
    shop.order("AQ-1", {"quantity": 2})
    page = sign_in("bench", "Ines", width=width, height=height)

    must_be_usable(page)
    take(page)
    must_be_usable(page)
    must_have_targets(page, GLOVE_PX)
    pull_all(page)
    must_be_usable(page)
    must_have_targets(page, GLOVE_PX)
    seat_all(page)
    page.locator("summary").evaluate_all("all => all.forEach(one => { one.parentElement.open = true })")
    must_be_usable(page)
    must_have_targets(page, GLOVE_PX)
    page.locator("details", has_text="Damaged J1").evaluate("one => { one.open = true }")  # swaps shut it
    page.get_by_role("button", name="J1 is damaged").click()
    expect(page.get_by_role("heading", name="Fetch another unit first")).to_be_visible()
    must_be_usable(page)
    pull_all(page)
    seat_all(page)
    start(page)
    must_be_usable(page)
    must_have_targets(page, GLOVE_PX)
    page.get_by_role("link", name="Stopped early").click()
    expect(page.get_by_role("button", name="Save what I found")).to_be_visible()
    must_be_usable(page)
    page.go_back()
    finish(page)
    must_be_usable(page)


@pytest.mark.parametrize("width", [390, pytest.param(1280, marks=pytest.mark.long)])
def test_desk_board_and_owner_pages_can_be_used_by_everybody(
    shop: ServedShop, sign_in: SignIn, width: int
) -> None:
    words = {"inscriptions": [{"zone": "heel", "text": "Zo\u00eb \u2665 Bo", "font": "lato-bold"}]}
    held = shop.order("AQ-1", words)["id"]
    shop.order("AQ-2", {"quantity": 30})  # more than stand in the store room: some are short
    page = sign_in("owner", "Olga", width=width, height=844)
    with shop.api("owner") as http:
        told = {"url": "http://127.0.0.1:9/told", "client": "store"}
        assert http.post("/v1/callbacks", json=told, headers={"Idempotency-Key": "callback-1"}).is_success
        link = http.post(f"/v1/orders/{held}/proof-link").json()["url"]

    for address in (
        "/desk",
        "/desk/check",
        f"/desk/phone?as={held}",
        f"/desk/orders/{held}",
        "/board",
        "/plan",
        "/backlog",
        "/build-list",
        "/build-plan",
        "/owner",
        "/owner/blades/chef-20",
        "/owner/plates/small",
        "/owner/stock",
        "/owner/keys",
        "/owner/callbacks",
        "/owner/callbacks/CB1/given-up",
        "/owner/estimates",
        "/what-if",
        "/what-if?factor=2&days=1",
        link,
        "/owner/test-cards",
        "/calibration",
        "/lots",
        "/packing",
        "/owner/acts",
        "/owner/plates/no-such",
        "/guides",
        "/guides/settings",
    ):
        page.goto(address)
        must_be_usable(page)
    page.goto("/desk/check")
    page.get_by_label("Words").fill("Zo\u00eb")
    expect(page.locator("#proof svg").first).to_be_visible()
    must_be_usable(page)
    must_have_targets(page, 44)


def test_the_keyboard_alone_reaches_every_control(shop: ServedShop, sign_in: SignIn) -> None:
    shop.order("AQ-1")
    page = sign_in("bench", "Ines")
    take(page)

    reached = set()
    for _ in range(60):
        page.keyboard.press("Tab")
        reached.add(page.evaluate("document.activeElement.textContent.trim()"))

    assert any(name.startswith("✓ Found") for name in reached)
    assert "Give this load back" in reached


def test_pages_speak_the_second_language(shop: ServedShop, sign_in: SignIn) -> None:
    page = sign_in("bench", "Ines")

    page.get_by_role("link", name="Deutsch").click()

    expect(page.locator("html")).to_have_attribute("lang", "de")
    expect(page.get_by_role("button", name=re.compile("N\u00e4chste Ladung nehmen")).first).to_be_visible()


def test_every_state_of_a_load_can_be_used_by_everybody(shop: ServedShop, sign_in: SignIn) -> None:
    """Turn over, partial marks, boxes, the release form, the closed load, slots to clear, units in hand."""
    shop.order("AQ-1", {**TWO_FACES, "quantity": 1})
    page = sign_in("bench", "Ines")
    load = take(page)

    pull_all(page)
    seat_all(page)
    start(page)
    finish(page)
    page.get_by_role("link", name="turn over").click()
    expect(page.get_by_text("Turn over: turn 2")).to_be_visible()
    must_be_usable(page)
    must_have_targets(page, GLOVE_PX)
    seat_all(page)
    start(page)
    page.get_by_role("link", name="Stopped early").click()
    page.locator("input[value=partial]").first.check()
    must_be_usable(page)
    must_have_targets(page, GLOVE_PX)
    page.get_by_role("button", name="Save what I found").click()
    expect(page.get_by_role("heading", name="Partial marks")).to_be_visible()
    must_be_usable(page)
    must_have_targets(page, GLOVE_PX)
    page.get_by_text("Burn again").first.click()
    page.get_by_label("It was not lifted").check()
    page.get_by_role("button", name=re.compile(r"Burn J\d+ again")).click()
    start(page)
    finish(page)
    page.get_by_role("button", name="✓ Pass").click()
    expect(page.get_by_role("heading", name="Then to packing")).to_be_visible()
    must_be_usable(page)
    must_have_targets(page, GLOVE_PX)
    page.get_by_role("button", name=re.compile("elease")).last.click()
    expect(page.get_by_text("The plate is free.")).to_be_visible()
    must_be_usable(page)
    page.goto(f"/bench/loads/{load}")
    must_be_usable(page)
    shop.order("AQ-2", {"quantity": 2})
    page.goto("/bench")
    take(page)
    pull_all(page)
    mount(page)
    page.locator("details", has_text="Does not fit").first.locator("summary").click()
    page.get_by_role("button", name=re.compile("The slot: keep this unit")).first.click()
    expect(page.get_by_role("alert")).to_contain_text("Clear these slots")
    must_be_usable(page)
    page.goto("/bench")
    expect(page.get_by_role("heading", name="In hand: keep them on the tray")).to_be_visible()
    must_be_usable(page)
    page.get_by_role("button", name=re.compile("Sign out")).click()
    page.wait_for_url("**/sign-in")
    must_be_usable(page)


def test_the_font_sheet_can_be_used_by_everybody(shop: ServedShop, sign_in: SignIn) -> None:
    page = sign_in("desk", "Dora", width=1280, height=800)
    page.goto("/desk/check")
    page.get_by_label("Words").fill("\u0395\u03bb\u03ad\u03bd\u03b7")

    page.get_by_role("button", name="Compare fonts").click()
    expect(page.get_by_role("heading", name="Fonts side by side")).to_be_visible()

    must_be_usable(page, most_bytes=1_000_000)  # the one page with a drawing for every font
    must_have_targets(page, 44)
    page.set_viewport_size({"width": 390, "height": 844})
    must_be_usable(page, most_bytes=1_000_000)


def press_on(page: Page, name: str) -> None:
    """Tab to a control of that name and press it: no mouse."""
    for _ in range(80):
        page.keyboard.press("Tab")
        reached = page.evaluate(
            "(document.activeElement.labels?.[0] || document.activeElement).textContent.trim()"
        )
        if reached.startswith(name):
            outline = page.evaluate("getComputedStyle(document.activeElement).outlineStyle")
            assert outline != "none", name
            page.keyboard.press("Enter")
            return
    raise AssertionError(f"the keyboard does not reach {name!r}")


def tab_to(page: Page, reached: str) -> None:
    for _ in range(80):
        if page.evaluate(reached):
            return
        page.keyboard.press("Tab")
    raise AssertionError(f"the keyboard does not come to {reached}")


def test_a_load_goes_from_the_queue_to_burning_by_keyboard_alone(shop: ServedShop, sign_in: SignIn) -> None:
    shop.order("AQ-1")
    page = sign_in("bench", "Ines")

    press_on(page, "Take the next load")
    page.wait_for_url(re.compile(r"/bench/loads/L\d+$"))
    press_on(page, "✓ Found")
    expect(page.get_by_role("heading", name="Seat the units")).to_be_visible()
    press_on(page, "No scanner: I read")
    expect(page.get_by_role("heading", name="Which plate is in the machine?")).to_have_count(0)
    press_on(page, "✓ 1 seated as shown")
    expect(page.locator("#code")).to_be_visible()
    tab_to(page, "document.activeElement.id === 'code'")
    page.keyboard.type(page.locator("p.file").first.inner_text())
    page.keyboard.press("Enter")
    expect(page.get_by_text("Burning. Stay with the machine.")).to_be_visible()
    press_on(page, "✓ Burn finished")
    expect(page.get_by_role("heading", name="Look at every mark")).to_be_visible()
    press_on(page, "✓ Pass")

    expect(page.get_by_role("heading", name="Then to packing")).to_be_visible()


def test_a_held_order_is_put_right_by_keyboard_alone(shop: ServedShop, sign_in: SignIn) -> None:
    words = {"inscriptions": [{"zone": "heel", "text": "Zo\u00eb \u2665", "font": "lato-bold"}]}
    shop.order("AQ-7", words)
    page = sign_in("desk", "Dora", width=1280, height=800)

    press_on(page, "Decide")
    page.wait_for_url("**/desk/orders/O1")
    expect(page.locator("textarea[name=words]")).to_be_visible()
    tab_to(page, "document.activeElement.name === 'words'")
    page.keyboard.press("Control+A")
    page.keyboard.type("Zo\u00eb & Bo")
    press_on(page, "Check and keep these words")

    expect(page.locator("h1 ~ .state")).to_contain_text("ready")


def test_nothing_moves_for_whoever_asked_for_less_motion(shop: ServedShop, sign_in: SignIn) -> None:
    shop.order("AQ-1")
    page = sign_in("bench", "Ines")
    take(page)
    animation = "getComputedStyle(document.querySelector('.say.stop.loud')).animationName"

    page.emulate_media(reduced_motion="reduce")
    page.locator("#scan").fill("J99")
    page.locator("#scan").press("Enter")
    expect(page.locator(".say.stop.loud")).to_be_visible()
    still = page.evaluate(animation)
    page.emulate_media(reduced_motion="no-preference")

    assert (still, page.evaluate(animation)) == ("none", "knock")


def test_whoever_only_reads_needs_no_script(shop: ServedShop, sign_in: SignIn) -> None:
    held = shop.order("AQ-1", {"inscriptions": [{"zone": "heel", "text": "\u2665", "font": "lato-bold"}]})[
        "id"
    ]
    link = ""
    with shop.api("store") as http:
        link = http.post(f"/v1/orders/{held}/proof-link").json()["url"]
    page = sign_in("owner", "Olga", javascript=False, width=1280, height=800)

    for address, said in (
        ("/desk", "AQ-1"),
        (f"/desk/orders/{held}", "\u2665"),
        ("/board", "held"),
        ("/bench", "Units to pull"),
        ("/owner", "Blades"),
        ("/owner/stock", "Boxed"),
        (link, "AQ-1"),
    ):
        page.goto(address)
        expect(page.locator("main")).to_contain_text(said)


#: Words that no German sentence has; names of the shop's own things are data, and stay as they are.
_ENGLISH = re.compile(
    r"\b(the|is|of|and|not|than|with|this|are|for|can't|no|than|at|load|slot|unit|larger)\b"
)


def english_on(page: Page, *names: str) -> list[str]:
    text = page.locator("main").inner_text()
    for name in names:
        text = text.replace(name, "")
    return _ENGLISH.findall(text)


def test_no_english_is_left_where_the_service_speaks(shop: ServedShop, sign_in: SignIn) -> None:
    words = {"inscriptions": [{"zone": "heel", "text": "Zo\u00eb \u2665 Bo", "font": "lato-bold"}]}
    held = shop.order("AQ-1", words)["id"]
    shop.order("AQ-2")
    page = sign_in("owner", "Olga", width=1280, height=800)
    page.goto("/language/de?then=/desk/check")
    names = [option.inner_text() for option in page.locator("#sku option").all()]

    page.get_by_label("Text", exact=True).fill("Zo\u00eb \u2665")
    expect(page.locator("#proof .say.stop")).to_contain_text(
        "Diese Zeichen fehlen in der Schrift. (Zeichen 5: \u2665)"
    )
    page.get_by_label("Text", exact=True).fill("Nan")
    page.locator("#height").fill("60")
    expect(page.locator("#proof .say.stop").first).to_contain_text("gemessen")
    assert english_on(page, *names) == []
    page.locator("button[formaction='/desk/fonts']").click()
    expect(page.locator(".card.cannot").first).to_be_visible()
    assert english_on(page, *names) == []
    page.goto(f"/desk/orders/{held}")
    expect(page.locator("#live")).to_contain_text("Zeichen 5")
    assert english_on(page, *names) == []
    page.goto("/bench")
    page.get_by_role("button", name=re.compile("N\u00e4chste Ladung nehmen")).first.click()
    page.wait_for_url(re.compile(r"/bench/loads/L\d+$"))
    page.locator("#scan").fill("J99")
    page.locator("#scan").press("Enter")
    expect(page.get_by_role("alert")).to_contain_text("J99 geh\u00f6rt nicht zu L1")
    assert english_on(page, *names) == []


def test_words_from_right_to_left_stand_so(shop: ServedShop, sign_in: SignIn) -> None:
    words = "\u0646\u0648\u0631"
    order = shop.order(
        "AQ-1",
        {
            "sku": "AQ-CHEESE-14",
            "inscriptions": [{"zone": "between_holes", "text": words, "font": "amiri-bold"}],
        },
    )["id"]
    page = sign_in("owner", "Olga")
    page.goto(f"/desk/orders/{order}")

    directions = page.locator(".words").evaluate_all("all => all.map(one => getComputedStyle(one).direction)")
    page.goto("/bench")
    take(page)
    pull_all(page)

    assert directions == ["rtl"]
    assert page.locator(".mark-picture").get_attribute("aria-label") == words
