"""The component for a store's product page, in a real browser, on a made-up page that forbids what a strict
Content-Security-Policy can forbid; what the service would say is made up, too. With the service itself:
`test_store_story.py`."""

from __future__ import annotations

import json
import re
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, Page, Route, expect

from service.pages import files
from service.records.db import Database
from tests.clocks import SetClock
from tests.counter import an_open_counter
from tests.pages.test_access import must_be_usable, must_have_targets

pytestmark = pytest.mark.page

_STORE, _SERVICE = "https://store.test", "https://ricasso.test"
_KEY = "rcs_storefront_abcdefgh_made-up"
#: No inline script, no inline style, no eval; pictures are data.
_POLICY = (
    f"default-src 'none'; script-src {_SERVICE}; connect-src {_SERVICE}; img-src data:; form-action 'self'; "
    "base-uri 'none'; require-trusted-types-for 'script'; trusted-types 'none'"
)
_HTML = """<!doctype html><html lang="{lang}"><head><title>Store</title>
<meta name="viewport" content="width=device-width, initial-scale=1">
<script type="module" src="{service}/components/ricasso-preview.js"></script></head>
<body><main><h1>Knife</h1><form action="/basket">
<ricasso-preview name="engraving" sku="AQ-1" key="{key}" {more}></ricasso-preview>
</form></main></body></html>"""
_SVG = '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {0} 40"><path d="M0 0H{0}V40Z"/></svg>'
_OFFER: dict[str, Any] = {
    "sku": "AQ-1",
    "name": "Paring knife, oak",
    "zones": [
        {"zone": "flat", "name": "Flat", "face": "mark_side", "face_name": "mark side", "kinds": ["text"],
         "fonts": ["lato", "vibes"], "default_font": "lato", "max_lines": 2, "max_characters": 40},
        {"zone": "back", "name": "Back", "face": "pile_side", "face_name": "pile side", "kinds": ["text"],
         "fonts": ["lato"], "default_font": "lato", "max_lines": 1, "max_characters": 20},
        {"zone": "tang", "name": "Tang", "face": "mark_side", "face_name": "mark side", "kinds": ["artwork"],
         "fonts": [], "default_font": None, "max_lines": 1, "max_characters": 20},
    ],
    "default_zone": "flat",
    "fonts": [{"font": "lato", "name": "Lato Bold", "picture": _SVG.format(90)},
              {"font": "vibes", "name": "Great Vibes", "picture": ""}],
}  # fmt: skip


def accepted(asked: dict[str, Any]) -> dict[str, Any]:
    """What the service says of words that can be engraved."""
    texts = [one["text"] for one in asked["inscriptions"]]
    return {
        "verdict": "accept",
        "message": "It can be engraved exactly like this.",
        "findings": [],
        "sizes": [
            {"inscription": n, "zone": one["zone"], "face": "mark_side", "lines": one["text"].split("\n"),
             "message": "Capitals 3 mm tall"} for n, one in enumerate(asked["inscriptions"])
        ],
        "pictures": {"mark_side": _SVG.format(100)},
        "suggestions": [],
        "token": "token of " + " + ".join(texts),
        "expires_at": "2099-12-07T16:00:00+00:00",
    }  # fmt: skip


def refused(asked: dict[str, Any]) -> dict[str, Any]:
    """The same of words of which the last can't be, with two others that can."""
    *others, one = asked["inscriptions"]
    instead = [{**one, "text": "For\nNan", "height_mm": 2.6}, {**one, "font": "vibes"}]
    return accepted(asked) | {
        "verdict": "refuse",
        "message": "These words don't fit here.",
        "findings": [
            {
                "code": "too_long",
                "severity": "refuse",
                "inscription": len(others),
                "message": "They are a little too long.",
            }
        ],
        "sizes": [],
        "suggestions": [
            {
                "inscriptions": [*others, other],
                "changes": len(others),
                "message": said,
                "picture": _SVG.format(60),
            }
            for other, said in zip(instead, ("In two lines", "In another font"), strict=True)
        ],
        "token": None,
        "expires_at": None,
    }


class StandIn:
    """The service's part: what it was asked, and what it answers next; at the end of `answers` it accepts."""

    def __init__(self, page: Page) -> None:
        self.page = page
        self.asked: list[dict[str, Any]] = []
        self.asked_at: list[float] = []
        self.answers: list[Callable[[Route], None]] = []
        self.addresses: list[str] = []
        self.blocked: list[str] = []
        page.on("request", lambda request: self.addresses.append(request.url))
        page.on("console", lambda said: "Content Security" in said.text and self.blocked.append(said.text))
        page.route(f"{_SERVICE}/components/ricasso-preview.js", self._script)
        page.route(f"{_SERVICE}/v1/previews/AQ-1?*", lambda route: self.answer(route, _OFFER))
        page.route(f"{_SERVICE}/v1/previews", self._preview)

    def open(self, *, lang: str = "en", width: int = 390, more: str = "", ends_in: str = "textarea") -> None:
        html = _HTML.format(lang=lang, service=_SERVICE, key=_KEY, more=more)
        policy = {"Content-Security-Policy": _POLICY}
        self.page.route(
            f"{_STORE}/", lambda route: route.fulfill(body=html, content_type="text/html", headers=policy)
        )
        self.page.set_viewport_size({"width": width, "height": 800})
        self.page.add_init_script(
            "window.heard = []; addEventListener('ricasso-inscription', event => heard.push(event.detail))"
        )
        self.page.goto(f"{_STORE}/")
        expect(self.page.locator(ends_in)).to_be_visible()

    def answer(self, route: Route, said: Any, status: int = 200, **headers: str) -> None:
        named = {name.replace("_", "-"): value for name, value in headers.items()}
        allowed = {
            "Access-Control-Allow-Origin": _STORE,
            "Access-Control-Expose-Headers": "Retry-After",
        }
        route.fulfill(status=status, json=said, headers=named | allowed)

    def _script(self, route: Route) -> None:
        body, _ = files.read("ricasso-preview.js")
        any_page = {"Access-Control-Allow-Origin": "*"}
        route.fulfill(body=body, content_type="text/javascript", headers=any_page)

    def _preview(self, route: Route) -> None:
        assert route.request.headers["authorization"] == f"Bearer {_KEY}"
        self.asked.append(json.loads(route.request.post_data or ""))
        self.asked_at.append(time.monotonic())
        if self.answers:
            self.answers.pop(0)(route)
        else:
            self.answer(route, accepted(self.asked[-1]))

    def refuses(self, route: Route) -> None:
        self.answer(route, refused(self.asked[-1]))

    @property
    def words(self) -> Any:
        return self.page.locator("textarea")

    @property
    def verdict(self) -> Any:
        return self.page.get_by_role("status")

    @property
    def heard(self) -> list[dict[str, Any]]:
        told: list[dict[str, Any]] = self.page.evaluate("heard")
        return told

    @property
    def form_value(self) -> Any:
        said = self.page.evaluate("new FormData(document.querySelector('form')).get('engraving')")
        return said and json.loads(said)


@pytest.fixture
def service(browser: Browser) -> Iterator[StandIn]:
    context = browser.new_context(has_touch=True)
    page = context.new_page()
    broken: list[str] = []
    page.on("pageerror", lambda error: broken.append(str(error)))
    stand_in = StandIn(page)
    yield stand_in
    context.close()
    assert broken == []
    assert stand_in.blocked == []


def test_words_are_asked_once_the_fingers_rest_and_the_store_gets_what_was_accepted(service: StandIn) -> None:
    service.open(width=360)
    before = service.form_value

    service.words.press_sequentially("Zo\u00eb & Bo", delay=20)
    expect(service.verdict).to_have_text("It can be engraved exactly like this.")

    wanted = {"zone": "flat", "text": "Zo\u00eb & Bo", "font": "lato"}
    assert service.asked == [{"sku": "AQ-1", "inscriptions": [wanted], "language": "en"}]
    expect(service.page.get_by_role("img", name="Paring knife, oak, engraved: Zo\u00eb & Bo")).to_be_visible()
    assert before is None
    assert service.form_value == {"inscriptions": [wanted], "token": "token of Zo\u00eb & Bo"}
    assert sum("/v1/previews/AQ-1?" in address for address in service.addresses) == 1
    first, *_, last = service.heard
    assert (first["inscriptions"], first["reason"]) == (None, "empty")
    assert (last["inscriptions"], last["token"]) == ([wanted], "token of Zo\u00eb & Bo")
    assert not any("Zo" in address or "rcs_" in address for address in service.addresses)
    must_be_usable(service.page)

    service.words.press_sequentially("!")

    assert service.form_value is None
    assert [one["token"] for one in service.heard[-2:]] == ["token of Zo\u00eb & Bo", None]


def test_a_suggestion_is_taken_by_a_tap_and_can_be_left_again(service: StandIn) -> None:
    service.open()
    service.answers = [
        service.refuses,
        lambda r: service.answer(r, accepted(service.asked[-1])),
        service.refuses,
    ]
    service.words.fill("For Nan, with love")
    expect(service.verdict).to_contain_text("They are a little too long.")
    expect(service.verdict).to_contain_text("2 suggestions follow.")
    must_be_usable(service.page)
    must_have_targets(service.page, 44)
    assert service.form_value is None
    assert service.page.evaluate("document.querySelector('form').checkValidity()") is False

    service.page.get_by_role("button", name="In two lines").tap()
    expect(service.verdict).to_be_focused()
    expect(service.verdict).to_have_text("It can be engraved exactly like this.")

    assert service.form_value["inscriptions"] == [
        {"zone": "flat", "text": "For\nNan", "font": "lato", "height_mm": 2.6}
    ]
    expect(service.words).to_have_value("For\nNan")
    service.page.get_by_role("button", name="Back to my own words").tap()
    expect(service.words).to_have_value("For Nan, with love")
    expect(service.verdict).to_contain_text("don't fit")
    service.words.fill("Nan")
    expect(service.verdict).to_have_text("It can be engraved exactly like this.")
    assert service.form_value["inscriptions"] == [{"zone": "flat", "text": "Nan", "font": "lato"}]


def test_an_answer_to_words_that_have_changed_since_is_dropped(service: StandIn) -> None:
    service.open()
    slow: list[Route] = []
    service.answers = [slow.append]
    with service.page.expect_request(f"{_SERVICE}/v1/previews"):
        service.words.fill("Ada")

    service.words.fill("Ada Byron")
    service.page.wait_for_timeout(500)  # longer than a pause: one request at a time
    assert len(service.asked) == 1
    service.answer(slow[0], accepted(service.asked[0]))
    expect(service.page.get_by_role("img", name="engraved: Ada Byron")).to_be_visible()

    assert [one["inscriptions"][0]["text"] for one in service.asked] == ["Ada", "Ada Byron"]
    assert [one["token"] for one in service.heard] == [None, None, "token of Ada Byron"]


def test_a_busy_service_is_left_alone_for_as_long_as_it_says(service: StandIn) -> None:
    service.open()
    busy = {"code": "too_many_requests", "status": 429}
    service.answers = [lambda route: service.answer(route, busy, 429, Retry_After="1")]
    service.words.fill("Ada")
    expect(service.verdict).to_contain_text("We try yours again in a moment.")
    assert service.heard[-1]["reason"] == "unavailable"

    service.words.fill("Ada Byron")
    expect(service.verdict).to_have_text("It can be engraved exactly like this.")

    assert [one["inscriptions"][0]["text"] for one in service.asked] == ["Ada", "Ada Byron"]
    assert service.asked_at[1] - service.asked_at[0] >= 1.0, "however slow the machine is"


def test_without_a_connection_words_are_kept_and_asked_again_when_it_is_back(service: StandIn) -> None:
    service.open(lang="de")
    service.page.context.set_offline(True)
    service.answers = [lambda route: route.abort("internetdisconnected")]

    service.words.fill("Ada")
    expect(service.verdict).to_contain_text("Keine Verbindung.")
    service.page.context.set_offline(False)

    expect(service.page.get_by_role("img", name="Paring knife, oak, graviert: Ada")).to_be_visible()
    assert service.form_value["token"] == "token of Ada"


def test_the_keyboard_alone_chooses_place_words_and_font(service: StandIn) -> None:
    service.open(width=1280, more="required")
    assert service.page.evaluate("document.querySelector('form').checkValidity()") is False
    service.page.get_by_role("radio", name="Flat, mark side").focus()

    service.page.keyboard.press("Tab")
    service.page.keyboard.type("Ada")
    service.page.keyboard.press("Enter")
    service.page.keyboard.type("Byron")
    service.page.keyboard.press("Enter")  # two lines are all there is room for
    service.page.keyboard.press("Tab")
    service.page.keyboard.press("ArrowDown")
    service.page.keyboard.press("Shift+Tab")
    service.page.keyboard.press("Shift+Tab")
    service.page.keyboard.press("ArrowDown")
    expect(service.page.get_by_role("radio", name="Back, pile side")).to_be_focused()
    service.page.keyboard.press("Tab")
    service.page.keyboard.type("1852")
    expect(service.page.get_by_role("img", name="engraved: Ada / Byron, 1852")).to_be_visible()

    assert service.form_value["inscriptions"] == [
        {"zone": "flat", "text": "Ada\nByron", "font": "vibes"},
        {"zone": "back", "text": "1852", "font": "lato"},
    ]
    must_be_usable(service.page)

    service.answers = [service.refuses]
    service.page.keyboard.type(" and more")
    expect(service.verdict.get_by_role("listitem")).to_have_text("Back: They are a little too long.")
    service.page.get_by_role("button", name="In two lines").press("Enter")

    expect(service.page.get_by_role("img", name="engraved: Ada / Byron, For / Nan")).to_be_visible()


def test_a_product_that_takes_no_words_says_so_and_can_be_bought_without(service: StandIn) -> None:
    service.page.route(
        f"{_SERVICE}/v1/previews/AQ-1?*",
        lambda route: service.answer(route, {"code": "not_found", "detail": "no such product"}, 404),
    )
    service.open(ends_in="[role=status]")

    expect(service.verdict).to_have_text("This product can't be engraved.")
    assert service.page.evaluate("document.querySelector('form').checkValidity()") is True


def test_any_page_may_load_the_file_and_keeps_it_until_it_is_another(
    sqlite_database: Database, clock: SetClock, tmp_path: Path
) -> None:
    with an_open_counter(sqlite_database, clock, tmp_path) as counter:
        given = counter.client.get("/components/ricasso-preview.js", headers={"Origin": _STORE})
        again = counter.client.get(
            "/components/ricasso-preview.js", headers={"If-None-Match": given.headers["etag"]}
        )
        other = counter.client.get("/components/pages.js")

    assert given.headers["content-type"] == "text/javascript; charset=utf-8"
    assert given.headers["access-control-allow-origin"] == "*"
    assert given.headers["cross-origin-resource-policy"] == "cross-origin"
    assert (again.status_code, again.content, other.status_code) == (304, b"", 404)


def test_what_the_component_says_is_said_in_both_languages() -> None:
    script = files.read("ricasso-preview.js")[0].decode()
    english, german = re.findall(r"^  (?:en|de): \{\n(.*?)^  \},", script, re.MULTILINE | re.DOTALL)

    names = [re.findall(r"(\w+): \"", said) for said in (english, german)]

    assert names[0] == names[1]
    assert set(re.findall(r"#say\(\"(\w+)\"|NoAnswer\(\"(\w+)\"", script)) <= {
        pair for name in names[0] for pair in ((name, ""), ("", name))
    }
