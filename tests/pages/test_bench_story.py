"""The operator's whole story in a real browser."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta

import pytest
from playwright.sync_api import Page, expect

from tests.pages.conftest import SignIn
from tests.pages.shop import ServedShop
from tests.pages.taps import SIX, one_load

pytestmark = pytest.mark.page

TWO_FACES = {
    "sku": "AQ-HORI-18",
    "inscriptions": [
        {"zone": "ricasso", "text": "For Nan", "font": "lato-bold", "height_mm": 6.0},
        {"zone": "ricasso_back", "text": "1 May", "font": "oswald-medium", "height_mm": 6.0},
    ],
}


def take(page: Page) -> str:
    page.get_by_role("button", name="Take the next load").first.click()
    page.wait_for_url(re.compile(r"/bench/loads/L\d+$"))
    return page.url.rsplit("/", 1)[1]


def scan(page: Page, code: str) -> None:
    page.locator("#scan").fill(code)
    page.locator("#scan").press("Enter")


def pull_all(page: Page) -> None:
    """Count off every bin, then wait for the seating page."""
    found = page.get_by_role("button", name=re.compile(r"^✓ (Found|All \d+ found)"))
    while left := found.count():
        found.first.click()
        expect(found).to_have_count(left - 1)
    expect(page.get_by_role("heading", name="Seat the units")).to_be_visible()


def mount(page: Page) -> None:
    """The label on the planned plate is scanned."""
    name = page.locator("h1").inner_text().split(" · ")[1]
    scan(page, f"PLATE.{name}")
    expect(page.get_by_text(f"Plate {name} is mounted")).to_be_visible()
    expect(page.get_by_role("heading", name="Which plate is in the machine?")).to_have_count(0)
    load = page.request.get(f"/v1/loads/{page.locator('h1').inner_text().split(' · ')[0]}").json()
    assert (load["mounted"]["copy"], load["mounted"]["how"]) == (name, "scanned")


def seat_all(page: Page) -> None:
    if page.get_by_role("heading", name="Which plate is in the machine?").count():
        mount(page)
    page.get_by_role("button", name=re.compile("seated as shown")).click()
    expect(page.locator("#code")).to_be_visible()


def turn_over(page: Page) -> None:
    """The marks of the turn before are looked at, then the units are moved."""
    page.get_by_role("link", name=re.compile("Looked at .* turn over")).click()
    expect(page.get_by_text(re.compile(r"Turn over: turn \d"))).to_be_visible()


def release(page: Page) -> None:
    page.get_by_role("button", name="All done: release", exact=True).click()
    expect(page.get_by_text("The plate is free.")).to_be_visible()


def start(page: Page) -> None:
    name = page.locator("p.file").first.inner_text()
    page.locator("#code").fill(name.rsplit("-", 1)[1].split(".")[0])
    page.get_by_role("button", name="The code is right: start").click()
    expect(page.get_by_text("Burning. Stay with the machine.")).to_be_visible()


def finish(page: Page) -> None:
    page.get_by_role("button", name="Burn finished").click()
    expect(page.get_by_role("button", name="Burn finished")).to_have_count(0)


def test_a_load_goes_from_the_queue_to_packing_by_touch_alone(shop: ServedShop, sign_in: SignIn) -> None:
    shop.order("AQ-1", TWO_FACES)
    page = sign_in("bench", "Ines", typed=True)

    load = take(page)
    pull_all(page)
    seat_all(page)
    start(page)
    finish(page)
    turn_over(page)
    seat_all(page)
    start(page)
    finish(page)
    page.get_by_role("button", name="✓ Pass").click()
    release(page)

    with shop.api("bench") as http:
        assert http.get(f"/v1/loads/{load}").json()["state"] == "closed"
        moves = http.get("/v1/jobs/J1").json()
    assert moves["state"] == "released"
    assert {move["who"] for move in moves["history"] if move["to"] == "passed"} == {"bench:Ines"}


def test_a_wrong_unit_is_refused_in_words_and_changes_nothing(shop: ServedShop, sign_in: SignIn) -> None:
    shop.order("AQ-1")
    page = sign_in("bench", "Ines")
    take(page)

    scan(page, "2700010000301")  # a santoku's box
    expect(page.get_by_role("alert")).to_contain_text("wrong unit: this is a Harbour santoku")
    scan(page, "J999")
    expect(page.get_by_role("alert")).to_contain_text("J999 does not belong to")

    assert page.locator("[data-sound=refuse]").count() == 1
    expect(page.get_by_text("0 of 1 in hand")).to_be_visible()


def test_a_scanner_alone_pulls_seats_and_starts(shop: ServedShop, sign_in: SignIn) -> None:
    shop.order("AQ-1")
    page = sign_in("bench", "Ines")
    take(page)

    page.keyboard.type("2700010000103")  # the box of a chef's knife, typed as a scanner does, into no field
    page.keyboard.press("Enter")
    expect(page.get_by_role("heading", name="Seat the units")).to_be_visible()
    mount(page)
    scan(page, "J1")
    expect(page.get_by_text("J1 seated in slot")).to_be_visible()
    scan(page, page.locator("p.file").first.inner_text())

    expect(page.get_by_text("Burning. Stay with the machine.")).to_be_visible()


def test_a_code_of_another_file_starts_nothing(shop: ServedShop, sign_in: SignIn) -> None:
    shop.order("AQ-1")
    page = sign_in("bench", "Ines")
    load = take(page)
    pull_all(page)
    seat_all(page)

    page.locator("#code").fill("222222")
    page.get_by_role("button", name="The code is right: start").click()

    expect(page.get_by_role("alert")).to_contain_text("not the code of this load's file")
    with shop.api("bench") as http:
        assert http.get(f"/v1/loads/{load}").json()["state"] == "seated"


def test_the_station_s_folder_gets_the_judged_file_and_loses_stale_ones(
    shop: ServedShop, sign_in: SignIn
) -> None:
    shop.order("AQ-1")
    page = sign_in("bench", "Ines")
    load = take(page)
    pull_all(page)
    seat_all(page)
    with shop.api("bench") as http:
        station = http.get(f"/v1/loads/{load}").json()["station"]
    folder = shop.data / "stations" / station
    folder.mkdir(parents=True)
    (folder / f"{load}-t1-r0-222222.svg").write_text("stale")

    page.get_by_role("button", name="Send to the station's folder").click()
    expect(page.get_by_text("Read back; its hash is right.")).to_be_visible()

    name = page.locator("p.file").first.inner_text()
    assert [path.name for path in folder.iterdir()] == [name]
    with shop.api("bench") as http:
        address = f"/v1/loads/{load}/turns/1/burn.{name.rsplit('.', 1)[1]}"
        assert (folder / name).read_bytes() == http.get(address).content


def test_two_tablets_on_one_load_see_each_other_and_only_one_starts_it(
    shop: ServedShop, sign_in: SignIn
) -> None:
    shop.order("AQ-1")
    first, second = sign_in("bench", "Ines"), sign_in("bench", "Ines")
    load = take(first)
    second.goto(f"/bench/loads/{load}")

    pull_all(first)
    expect(second.get_by_role("heading", name="Seat the units")).to_be_visible()
    seat_all(second)
    expect(first.locator("#code")).to_be_visible()
    first.route("**/live*", lambda route: route.abort())  # this one sleeps from here on
    stale = first.context.new_page()
    stale.route("**/live*", lambda route: route.abort())
    stale.goto(f"/bench/loads/{load}")
    start(second)
    code = stale.locator("p.file").first.inner_text().rsplit("-", 1)[1].split(".")[0]
    stale.locator("#code").fill(code)
    stale.get_by_role("button", name="The code is right: start").click()

    expect(stale.get_by_role("alert")).to_contain_text("started already")
    with shop.api("bench") as http:
        starts = [m for m in http.get("/v1/jobs/J1").json()["history"] if m["to"] == "loaded"]
        assert http.get(f"/v1/loads/{load}").json()["state"] == "burning"
    assert len(starts) == 1


def test_an_answer_stays_while_somebody_else_s_change_is_drawn(shop: ServedShop, sign_in: SignIn) -> None:
    """It goes with the step that it was about."""
    shop.order("AQ-1", {"quantity": 2})
    page = sign_in("bench", "Ines")
    load = take(page)
    pull_all(page)
    mount(page)

    with shop.api("bench") as http:
        held = http.get(f"/v1/loads/{load}")
        first, second = (slot["slot"] for slot in held.json()["turns"][0]["slots"])

        def seat(slot: str) -> None:
            http.post(
                f"/v1/loads/{load}/seated",
                json={"turn": 1, "slots": {slot: "seated"}},
                headers={"If-Match": held.json()["etag"]},
            ).raise_for_status()

        seat(first)
        expect(page.get_by_role("button", name="1 seated as shown")).to_be_visible()
        expect(page.get_by_text("is mounted")).to_be_visible()
        seat(second)

    expect(page.locator("#code")).to_be_visible()
    expect(page.get_by_text("is mounted")).to_have_count(0)


def test_a_restart_in_the_middle_loses_nothing(shop: ServedShop, sign_in: SignIn) -> None:
    shop.order("AQ-1")
    page = sign_in("bench", "Ines")
    take(page)
    pull_all(page)
    seat_all(page)
    start(page)

    shop.stop()
    shop.start()
    page.reload()
    finish(page)

    expect(page.get_by_role("heading", name="Look at every mark")).to_be_visible()


def test_an_interrupted_burn_asks_what_is_on_the_metal_and_is_burned_again(
    shop: ServedShop, sign_in: SignIn
) -> None:
    shop.order("AQ-1", {"quantity": 2})
    page = sign_in("bench", "Ines")
    take(page)
    pull_all(page)
    seat_all(page)
    start(page)

    page.get_by_role("link", name="Stopped early").click()
    page.locator("input[value=complete]").first.check()
    page.locator("input[value=partial]").last.check()
    page.get_by_role("button", name="Save what I found").click()
    expect(page.get_by_role("heading", name="Partial marks")).to_be_visible()
    page.get_by_text("Burn again").first.click()
    page.get_by_label("It was not lifted").check()
    page.get_by_role("button", name=re.compile(r"Burn J\d+ again")).click()
    start(page)
    finish(page)

    expect(page.get_by_role("heading", name="Look at every mark")).to_be_visible()
    assert page.get_by_role("button", name=re.compile("^✓ Pass")).count() == 2


def test_a_repeat_is_taken_back_and_a_turn_that_can_not_be_burned_is_left(
    shop: ServedShop, sign_in: SignIn
) -> None:
    shop.order("AQ-1", TWO_FACES)
    page = sign_in("bench", "Ines")
    load = take(page)
    pull_all(page)
    seat_all(page)
    start(page)
    finish(page)

    page.get_by_text("Burn again").first.click()
    page.get_by_label("It was not lifted").check()
    page.get_by_role("button", name="Burn J1 again").click()
    page.get_by_text("Don't burn again after all").click()
    page.get_by_label("Why").last.select_option("good enough")
    page.get_by_role("button", name="Leave the marks as they are").click()
    expect(page.get_by_text("Look first: marks of turn 1")).to_be_visible()
    page.get_by_text("This turn can't be burned now").click()
    page.get_by_role("button", name="The marks so far are good: stop here").click()
    page.get_by_role("button", name="Free the plate").click()
    expect(page.get_by_text("The plate is free.")).to_be_visible()

    with shop.api("bench") as http:
        assert http.get(f"/v1/loads/{load}").json()["state"] == "closed"
        job = http.get("/v1/jobs/J1").json()
    assert (job["state"], job["faces_done"], job["unit_in_hand"]) == ("ready", ["mark_side"], True)


def test_a_blemish_seen_on_a_seated_unit_sends_for_another(shop: ServedShop, sign_in: SignIn) -> None:
    shop.order("AQ-1")
    page = sign_in("bench", "Ines")
    take(page)
    pull_all(page)
    seat_all(page)

    page.get_by_text("Damaged J1").click()
    page.get_by_role("button", name="J1 is damaged").click()
    expect(page.get_by_role("alert")).to_contain_text("Clear these slots")
    expect(page.get_by_role("heading", name="Fetch another unit first")).to_be_visible()
    expect(page.get_by_role("button", name=re.compile("^✓ Seated"))).to_have_count(0)
    scan(page, "2700010000103")  # the other one's box
    seat_all(page)

    expect(page.get_by_role("alert")).to_have_count(0)
    start(page)


def test_a_unit_that_is_cancelled_is_shown_as_a_slot_to_clear(shop: ServedShop, sign_in: SignIn) -> None:
    shop.order("AQ-1")
    cancelled = shop.order("AQ-2")["id"]
    page = sign_in("bench", "Ines")
    take(page)
    pull_all(page)
    seat_all(page)

    with shop.api("desk") as http:
        etag = http.get(f"/v1/orders/{cancelled}").headers["ETag"]
        answer = http.post(
            f"/v1/orders/{cancelled}/cancel", json={"reason": "buyer rang"}, headers={"If-Match": etag}
        )
    assert answer.status_code == 200

    expect(page.get_by_role("alert")).to_contain_text("Clear these slots")
    expect(page.locator("svg .slot.clear")).to_have_count(1)
    expect(page.get_by_role("alert")).to_contain_text("back into bin A1")
    page.goto("/bench")
    page.get_by_role("button", name=re.compile("Back in bin A1")).click()
    expect(page.get_by_role("heading", name="Put back")).to_have_count(0)


def test_scrap_needs_a_reason_and_makes_a_replacement(shop: ServedShop, sign_in: SignIn) -> None:
    shop.order("AQ-1")
    page = sign_in("bench", "Ines")
    take(page)
    pull_all(page)
    seat_all(page)
    start(page)
    finish(page)

    page.get_by_text("Scrap", exact=False).first.click()
    page.locator("select[name=reason]").last.select_option("wrong place")
    page.get_by_role("button", name="Scrap J1").click()
    expect(page.get_by_role("button", name="Scrap J1")).to_have_count(0)

    with shop.api("bench") as http:
        assert http.get("/v1/jobs/J1").json()["state"] == "scrapped"
        assert http.get("/v1/jobs/J2").json()["replaces"] == "J1"


def test_the_whole_story_works_without_javascript(shop: ServedShop, sign_in: SignIn) -> None:
    shop.order("AQ-1")
    page = sign_in("bench", "Ines", javascript=False)
    take(page)
    pull_all(page)
    seat_all(page)
    start(page)
    finish(page)

    page.get_by_role("button", name=re.compile("Pass")).first.click()

    expect(page.get_by_role("heading", name="Then to packing")).to_be_visible()


def test_a_load_of_six_from_one_bin_takes_eight_taps(shop: ServedShop, sign_in: SignIn) -> None:
    shop.order("AQ-1", SIX)
    page = sign_in("bench", "Ines")

    hand = one_load(page)

    print(f"taps {hand.taps}, keystrokes {hand.keys}")
    assert hand.taps <= 8
    assert hand.keys <= 6
    with shop.api("bench") as http:
        assert http.get("/v1/jobs/J6").json()["state"] == "released"


def test_a_misfit_says_what_is_to_blame_and_waits_on_a_list(shop: ServedShop, sign_in: SignIn) -> None:
    shop.order("AQ-1", {"quantity": 2})
    page = sign_in("bench", "Ines")
    take(page)
    pull_all(page)
    mount(page)

    page.locator("details", has_text="Does not fit").first.locator("summary").click()
    page.get_by_role("button", name=re.compile("The slot: keep this unit")).first.click()
    expect(page.get_by_role("alert")).to_contain_text("Clear these slots")
    page.goto("/bench")

    expect(page.get_by_role("heading", name="In hand: keep them on the tray")).to_be_visible()
    expect(page.get_by_text("does not fit slot")).to_be_visible()


def test_a_scrapped_unit_s_replacement_is_named(shop: ServedShop, sign_in: SignIn) -> None:
    shop.order("AQ-1", {"quantity": 2})
    page = sign_in("bench", "Ines")
    take(page)
    pull_all(page)
    seat_all(page)
    start(page)
    finish(page)

    page.locator("#J1 details", has_text="Scrap").locator("summary").click()
    page.locator("#scrap-J1").select_option("faint mark")
    page.get_by_role("button", name="Scrap J1").click()

    expect(page.get_by_text("J1 is scrapped; J3 takes its place and goes first")).to_be_visible()


def test_at_a_quiet_end_the_page_says_what_there_is_to_do(shop: ServedShop, sign_in: SignIn) -> None:
    shop.order("AQ-1")
    page, other = sign_in("bench", "Ines"), sign_in("bench", "Ned")
    load = take(page)
    with shop.api("bench") as http:
        station = http.get(f"/v1/loads/{load}").json()["station"]

    other.goto("/bench")
    other.locator(f"form:has(input[value={station}]) button").click()

    expect(other.get_by_text("Ines prepares L1 here")).to_be_visible()


def test_bare_blades_go_from_the_lot_to_assembly(shop: ServedShop, sign_in: SignIn) -> None:
    with shop.api("owner") as http:
        asked = {
            "sku": "AQ-PARE-9-BARE",
            "quantity": 3,
            "due": (datetime.now(UTC) + timedelta(days=3)).isoformat(),
            "inscriptions": [{"zone": "ricasso", "kind": "artwork", "artwork": "house-mark"}],
        }
        answer = http.post("/v1/lots", json=asked, headers={"Idempotency-Key": "lot-key-1"})
        assert answer.status_code == 201, answer.text
    page = sign_in("bench", "Ines")

    take(page)
    page.get_by_role("button", name="Counted; go on to seating").click()
    expect(page.get_by_role("heading", name="Seat the units")).to_be_visible()
    seat_all(page)
    start(page)
    finish(page)
    page.get_by_role("button", name="Counted").click()
    page.get_by_role("button", name="Free the plate").click()
    expect(page.get_by_text("The plate is free.")).to_be_visible()
    page.goto("/lots")
    page.get_by_role("button", name=re.compile("Hand 3 blades to assembly")).click()

    expect(page.get_by_text("handed over").first).to_be_visible()
