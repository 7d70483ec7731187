"""Words tried on a product by its buyer, over HTTP with a publishable key."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import pytest
from httpx import Response
from structlog.testing import capture_logs

from layout.shop.findings import CHECK_CODES, Verdict
from service.intake import preview_tokens as tokens
from service.papers import texts
from service.previews.buyers_words import FINDINGS, VERDICTS
from service.records.db import Database
from service.records.who import SWEEP, Role
from service.requests import key_rows, keys, sessions
from tests.benches import all_rows
from tests.clocks import SetClock
from tests.counter import STORE_PAGES, Counter, an_inscription, an_open_counter

PREFLIGHT = {"Access-Control-Request-Method": "POST", "Access-Control-Request-Headers": "authorization"}


@pytest.fixture
def counter(sqlite_database: Database, clock: SetClock, tmp_path: Path) -> Iterator[Counter]:
    with an_open_counter(sqlite_database, clock, tmp_path) as opened:
        yield opened


def tried(counter: Counter, *inscriptions: dict[str, Any], **more: Any) -> Response:
    origin = {"Origin": more.pop("origin", STORE_PAGES)}
    body = {"sku": "AQ-HORI-18", "inscriptions": inscriptions or [an_inscription()], **more}
    return counter.ask("storefront", "POST", "/v1/previews", body, **origin)


# --- what is shown ---


def test_words_that_can_be_engraved_are_shown_with_their_size_and_a_token(
    counter: Counter, clock: SetClock
) -> None:
    answer = tried(counter)

    shown = answer.json()
    assert (answer.status_code, shown["verdict"], shown["findings"]) == (200, "accept", [])
    assert shown["message"] == "This can be engraved as shown."
    assert [size["message"] for size in shown["sizes"]] == ["Capitals 3 mm tall; 21.7 mm wide in all"]
    assert answer.headers["cache-control"] == "no-store"
    picture = ElementTree.fromstring(shown["pictures"]["mark_side"].encode())
    assert "Allotment 7" in picture.get("aria-label")
    assert picture.findall(".//{*}text") == []  # no words but those of the mark, and those are outlines
    secret = sessions.secret_of(counter.tools.settings.data)
    read = tokens.read(shown["token"], secret=secret)
    assert read is not None and (read.client, read.sku) == ("store-1", "AQ-HORI-18")
    assert read.until == clock() + timedelta(days=7) == datetime.fromisoformat(shown["expires_at"])


def test_what_is_shown_is_the_mark_that_the_check_accepts(counter: Counter) -> None:
    plain, other = (tried(counter, an_inscription(text=text)).json() for text in ("Ada", "Ida"))
    checked = counter.ask(
        "store", "POST", "/v1/checks", {"sku": "AQ-HORI-18", "inscriptions": [an_inscription(text="Ada")]}
    ).json()

    x0, _, x1, _ = checked["inscriptions"][0]["box_mm"]
    assert plain["sizes"][0]["width_mm"] == pytest.approx(x1 - x0, abs=1e-3)
    assert plain["pictures"] != other["pictures"] and plain["token"] != other["token"]


def test_nothing_of_stock_times_or_machines_is_said(counter: Counter) -> None:
    shown = tried(counter).json()

    assert set(shown) == {
        "sku", "language", "verdict", "message", "findings", "sizes", "pictures", "suggestions", "token",
        "expires_at",
    }  # fmt: skip


def test_what_is_refused_is_not_on_the_picture_but_up_to_three_ways_out_are_shown(counter: Counter) -> None:
    asked = an_inscription(text="For Nan and everybody at the allotment", height_mm=8.0)

    shown = tried(counter, asked).json()

    assert (shown["verdict"], shown["token"], shown["expires_at"], shown["sizes"]) == (
        "refuse",
        None,
        None,
        [],
    )
    bare = tried(counter, an_inscription(text="x" * 300)).json()
    assert shown["pictures"]["mark_side"].count("<path") == bare["pictures"]["mark_side"].count("<path")
    assert 1 <= len(shown["suggestions"]) <= 3
    for suggestion in shown["suggestions"]:
        again = tried(counter, *suggestion["inscriptions"]).json()
        assert again["verdict"] != "refuse", suggestion
        assert again["sizes"][0]["height_mm"] == pytest.approx(suggestion["height_mm"], abs=1e-3)
        assert ElementTree.fromstring(suggestion["picture"].encode()).tag.endswith("svg")


def test_one_refused_among_two_leaves_the_other_on_the_picture(counter: Counter) -> None:
    good = an_inscription()
    bad = {"zone": "flat", "text": "♥", "font": "lato-bold"}

    shown = tried(counter, good, bad).json()

    assert [size["inscription"] for size in shown["sizes"]] == [0]
    changed = shown["suggestions"][0]
    assert changed["changes"] == 1 and changed["inscriptions"][0]["text"] == good["text"]


@pytest.mark.parametrize(
    ("inscription", "said"),
    [
        (an_inscription(text="Nan ♥"), "This font doesn't have every character: ♥"),
        (an_inscription(text="   "), "Type what we should engrave."),
        (an_inscription(zone="moon"), "There is no such place on this product. Please choose another."),
    ],
)
def test_a_finding_is_said_in_a_buyer_s_words(
    counter: Counter, inscription: dict[str, Any], said: str
) -> None:
    assert said in [finding["message"] for finding in tried(counter, inscription).json()["findings"]]


def test_a_page_chooses_its_language_or_the_browser_does(counter: Counter) -> None:
    named = tried(counter, language="de").json()
    body = {"sku": "AQ-HORI-18", "inscriptions": [an_inscription()]}
    preferred = counter.ask("storefront", "POST", "/v1/previews", body, Accept_Language="de-AT, en").json()

    assert named["message"] == preferred["message"] == "Das lässt sich genau so gravieren."
    assert named["sizes"][0]["message"] == "Großbuchstaben 3 mm hoch; insgesamt 21,7 mm breit"
    assert tried(counter, language="fr").status_code == 422


def test_every_finding_of_a_check_has_a_kind_sentence_in_both_languages() -> None:
    german = texts.texts_of("de").gettext

    assert set(FINDINGS) == set(CHECK_CODES) and set(VERDICTS) == set(Verdict)
    untranslated = [said for said in (*FINDINGS.values(), *VERDICTS.values()) if german(said) == said]
    assert untranslated == []
    trade = ("laser", "slot", "glyph", "zone", "counter", "outline", "station", "plate", "process")
    assert [said for said in FINDINGS.values() if any(word in said.lower() for word in trade)] == []


# --- what may be tried ---


def test_a_product_s_places_fonts_and_pictures_are_offered(counter: Counter) -> None:
    answer = counter.ask("storefront", "GET", "/v1/previews/AQ-HORI-18?language=de", Origin=STORE_PAGES)

    offer = answer.json()
    assert answer.headers["cache-control"] == "private, max-age=300"
    assert [zone["zone"] for zone in offer["zones"]] == ["ricasso", "flat", "ricasso_back"]
    assert offer["default_zone"] == "ricasso" and offer["zones"][0]["default_font"] == "lato-bold"
    assert offer["zones"][2]["face_name"] == "Rückseite"
    assert {font for zone in offer["zones"] for font in zone["fonts"]} == {f["font"] for f in offer["fonts"]}
    pictures = [one["picture"] for one in (*offer["fonts"], *offer["artworks"])]
    assert all(ElementTree.fromstring(picture).findall(".//{*}path") for picture in pictures)
    assert "house-mark" not in {one["artwork"] for one in offer["artworks"]}  # the shop's own
    assert "data:" not in answer.text and "stock" not in answer.text


def test_every_place_and_font_offered_can_be_tried(counter: Counter) -> None:
    offer = counter.ask("storefront", "GET", "/v1/previews/AQ-HORI-18").json()

    for zone in offer["zones"]:
        asked = {"zone": zone["zone"], "text": "Ada", "font": zone["default_font"]}
        assert tried(counter, asked).json()["verdict"] == "accept"


def test_an_unknown_product_is_not_there(counter: Counter) -> None:
    assert counter.ask("storefront", "GET", "/v1/previews/AQ-NO-SUCH").status_code == 404
    assert tried(counter, sku="AQ-NO-SUCH").json()["findings"][0]["code"] == "unknown_product"


# --- who may ask ---


def test_a_page_that_the_key_lists_may_read_answers_and_refusals(counter: Counter) -> None:
    good, bad = tried(counter), tried(counter, colour="red")

    assert (good.status_code, bad.status_code) == (200, 422)
    for answer in (good, bad):
        assert answer.headers["access-control-allow-origin"] == STORE_PAGES
        assert answer.headers["cross-origin-resource-policy"] == "cross-origin"
        assert (
            "Origin" in answer.headers["vary"]
            and "Retry-After" in answer.headers["access-control-expose-headers"]
        )
        assert "access-control-allow-credentials" not in answer.headers


def test_a_preflight_is_answered_without_a_key_for_listed_pages_alone(counter: Counter) -> None:
    for path in ("/v1/previews", "/v1/previews/AQ-HORI-18"):
        listed = counter.client.options(path, headers={"Origin": STORE_PAGES, **PREFLIGHT})
        other = counter.client.options(path, headers={"Origin": "https://other.example", **PREFLIGHT})

        assert listed.status_code == other.status_code == 204
        assert listed.headers["access-control-allow-origin"] == STORE_PAGES
        assert "POST" in listed.headers["access-control-allow-methods"]
        assert "authorization" in listed.headers["access-control-allow-headers"].lower()
        assert not [name for name in other.headers if name.startswith("access-control")]


def test_a_page_that_another_key_lists_is_refused_and_can_read_why(counter: Counter, clock: SetClock) -> None:
    counter.tools.database.write(
        lambda session: keys.new_key(
            session,
            Role.STOREFRONT,
            client="store-2",
            now=clock(),
            who=SWEEP,
            origins=["https://second.example"],
        )
    )

    refused = tried(counter, origin="https://second.example")
    unlisted = tried(counter, origin="https://third.example")

    assert refused.status_code == unlisted.status_code == 403
    assert refused.json()["code"] == "origin_not_listed"
    assert refused.headers["access-control-allow-origin"] == "https://second.example"
    assert "access-control-allow-origin" not in unlisted.headers


def test_the_pages_of_a_revoked_key_are_no_longer_listed(counter: Counter, clock: SetClock) -> None:
    key_id = counter.keys["storefront"].split("_")[2]
    counter.tools.database.write(lambda session: keys.revoke(session, key_id, now=clock(), who=SWEEP))

    with counter.tools.database.reading() as session:
        assert key_rows.origins(session, now=clock()) == set()
    answer = tried(counter)
    assert answer.status_code == 401 and "access-control-allow-origin" not in answer.headers


def test_a_publishable_key_opens_nothing_else_and_no_page(counter: Counter) -> None:
    assert counter.ask("storefront", "GET", "/v1/catalogue").status_code == 403
    assert counter.ask("storefront", "GET", "/v1/orders").status_code == 403
    signed_in = counter.client.post("/sign-in", data={"key": counter.keys["storefront"], "name": "x"})
    assert signed_in.status_code == 401 and "ricasso_session" not in signed_in.cookies


# --- how much ---


def test_a_buyer_who_asks_too_often_is_told_when_to_ask_again(
    sqlite_database: Database, clock: SetClock, tmp_path: Path
) -> None:
    with an_open_counter(sqlite_database, clock, tmp_path, previews_a_minute=10) as counter:
        answers = [tried(counter, an_inscription(text="   ")) for _ in range(3)]

    assert [answer.status_code for answer in answers] == [200, 200, 429]
    assert int(answers[2].headers["retry-after"]) >= 1
    assert answers[2].headers["access-control-allow-origin"] == STORE_PAGES
    assert answers[2].json()["code"] == "too_many_requests"


def test_words_stand_in_no_address_no_log_and_no_table(counter: Counter) -> None:
    secret = "Zaubernuss"

    with capture_logs() as logged:
        answer = tried(counter, an_inscription(text=secret))

    assert answer.status_code == 200
    assert "/v1/previews" in str(logged) and secret not in str(logged)
    assert secret not in str(all_rows(counter.tools.database))
