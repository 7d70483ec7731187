"""An order and the check's form as they are sent: why a unit is held in the reader's language, fonts that can
be burned in the place."""

from __future__ import annotations

import html
import re
from pathlib import Path
from typing import Any

import pytest
from httpx import Response
from shapely.geometry import box

from layout.marks.features import spec_key
from layout.shop.outline import frozen
from service.intake import homeless
from service.records.db import Database
from service.shop import smallest_sizes
from service.shop.font_tables import FontTables, Measured, note
from tests.benches import Bench, a_bench_shop, flat_plate
from tests.clocks import SetClock
from tests.counter import a_line, an_inscription, an_open_counter, an_order
from tests.layout.made_up import the_shop
from tests.pages.test_board_pages import text_of
from tests.service.intake.test_line_holds import edited


@pytest.fixture
def bench(sqlite_database: Database, clock: SetClock, tmp_path: Path) -> Bench:
    bench = Bench(sqlite_database, clock, tmp_path, a_bench_shop(flat_plate()))
    bench.client.post("/sign-in", data={"key": bench.keys["owner"], "name": "Dora"})
    return bench


def page_of(bench: Bench, address: str, language: str) -> str:
    bench.client.cookies.set("ricasso_language", language)
    return text_of(bench.client.get(address).text)


def test_what_the_judge_refused_is_told_in_the_reader_s_language(bench: Bench) -> None:
    bench.order(outline=frozen([box(1, 1, 3, 3)]))  # beside its zone
    bench.next()

    english, german = (page_of(bench, "/desk/orders/O1", language) for language in ("en", "de"))

    assert "J1 was refused by the judge: turn 1, slot F1, job J1, zone flat: " in english
    assert "outside_zone" not in english + german
    assert "J1 wurde von der letzten Pr\u00fcfung abgelehnt: Gang 1, Platz F1, J1: " in german
    assert "verl\u00e4sst die Gravur" in german and "refused by" not in german


def test_what_no_longer_fits_is_told_in_the_reader_s_language(bench: Bench) -> None:
    bench.order()
    bench.tools.catalogue.put(edited(bench.shop))  # type: ignore[attr-defined]
    homeless.look(bench.tools)

    for address in ("/desk/orders/O1", "/owner"):
        english, german = (page_of(bench, address, language) for language in ("en", "de"))

        assert "J1 no longer fits: " in english and "outside_zone" not in english
        assert "J1 passt nicht mehr: " in german and "no longer fits" not in german
        assert "verl\u00e4sst die Gravur" in german


def test_a_unit_in_hand_says_why_in_the_reader_s_language(bench: Bench) -> None:
    bench.order(quantity=2)
    load = bench.pulled(bench.claimed())
    slot = load["turns"][0]["slots"][0]["slot"]
    bench.do(load, "seated", {"turn": 1, "slots": {slot: "does_not_fit"}})

    cleared = page_of(bench, f"/bench/loads/{load['id']}", "en")
    assert "J1: does not fit this slot" in cleared and "fits none of the slots" not in cleared
    assert f"does not fit slot {slot} of " in page_of(bench, "/bench", "en")
    assert f"passt nicht in Platz {slot} von " in page_of(bench, "/bench", "de")


def test_the_check_s_form_offers_no_font_that_can_not_be_burned_there(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    shop = the_shop()
    bench.tools.catalogue.put(shop)  # type: ignore[attr-defined]
    folder = bench.tools.settings.font_tables
    folder.mkdir(parents=True, exist_ok=True)
    sizes = {"lato-bold": 6.5, "garamond-bold": None}
    for font, size in sizes.items():
        monkeypatch.setattr(smallest_sizes, "smallest_mm", lambda *_, size=size, **__: size)
        for name in ("satin-north", "satin-south"):
            smallest_sizes.work_out(shop.fonts[font], shop.processes[name], shop.policy, folder)

    page = bench.client.get("/desk/check?sku=AQ-CHEF-20&zone=heel").text
    offered = dict(re.findall(r'<option value="([a-z-]+)"[^>]*>([^<]* · [^<]*)</option>', page))

    assert offered["lato-bold"].endswith("from 6.5 mm")
    assert "garamond-bold" not in offered
    assert "from" not in offered["oswald-medium"]  # nobody has looked at it yet


def test_the_owner_sees_how_far_each_font_is_measured(bench: Bench) -> None:
    shop = the_shop()
    bench.tools.catalogue.put(shop)  # type: ignore[attr-defined]
    folder, font = bench.tools.settings.font_tables, shop.fonts["lato-bold"]
    assert f"0 of {len(shop.fonts)} fonts measured" in page_of(bench, "/owner", "en")

    FontTables(folder).figures(spec_key(font), 3)  # a table that somebody has begun
    note(font, folder, Measured(32, 600))
    assert "32 of 600 letters measured" in page_of(bench, "/owner", "en")
    assert "32 von 600 Buchstaben vermessen" in page_of(bench, "/owner", "de")

    note(font, folder, Measured(600, 600))
    assert f"1 of {len(shop.fonts)} fonts measured" in page_of(bench, "/owner", "en")


def test_letters_that_touch_are_moved_apart_by_one_press_and_stay_so(
    sqlite_database: Database, clock: SetClock, tmp_path: Path
) -> None:
    form = {
        "sku": "AQ-CHEF-20",
        "zone": "heel",
        "words": "Beatriz",
        "font": "cinzel-semibold",
        "height": "2.5",
    }

    with an_open_counter(sqlite_database, clock, tmp_path) as counter:
        counter.client.post("/sign-in", data={"key": counter.keys["desk"], "name": "Dora"})

        def sent(**more: str) -> str:
            token = re.search(r'name="token" value="([^"]+)"', counter.client.get("/desk/check").text)
            assert token
            return counter.client.post("/desk/check", data={**form, **more, "token": token[1]}).text

        offered = sent()
        spacing = re.search(r'name="letter_spacing" value="(0[.][0-9]+)"', offered)
        assert spacing and "letters further apart" in offered and "touch when burned" in offered
        taken = sent(letter_spacing=spacing[1])

    assert f'name="letter_spacing" inputmode="decimal" maxlength="6" value="{spacing[1]}"' in taken
    assert "touch when burned" not in taken and "can be engraved" in taken


def test_a_refused_line_is_pictured_and_its_words_are_tried_before_they_are_kept(
    sqlite_database: Database, clock: SetClock, tmp_path: Path
) -> None:
    line = a_line(inscriptions=[an_inscription(height_mm=60)])
    with an_open_counter(sqlite_database, clock, tmp_path) as counter:
        counter.client.post("/sign-in", data={"key": counter.keys["desk"], "name": "Dora"})
        counter.post_order(an_order(lines=[line]))

        def kept() -> dict[str, Any]:
            order: dict[str, Any] = counter.ask("desk", "GET", "/v1/orders/O1").json()
            return order

        def send(act: str, **fields: str) -> Response:
            token = re.search(r'name="token" value="([^"]+)"', counter.client.get("/desk/orders/O1").text)
            assert token
            form = {"token": token[1], "etag": "*", "line": "1", "inscription": "0", "into": "1-0", **fields}
            return counter.client.post(f"/desk/orders/O1/{act}", data=form)

        page = counter.client.get("/desk/orders/O1").text
        picture = re.search(r'src="(/desk/orders/O1/asked\.svg[^"]*)"', page)
        assert picture
        drawn = counter.client.get(html.unescape(picture[1]))
        tried = send("try", words="Allotment 7", font="lato-bold", height="50").text
        offered = re.search(r'form="amend-1-0" name="suggestion" value="([^"]+)"', tried)
        assert offered
        before = kept()
        elsewhere = send("try", words="Ada", into="proof")
        send("amend", suggestion=html.unescape(offered[1]))
        after = kept()

    assert drawn.headers["Content-Type"] == "image/svg+xml" and "<path" in drawn.text
    assert re.search(r'class="sample"[^>]*><svg.*?</span><span>Lato Bold', page, re.DOTALL)
    assert 'id="try-1-0"' in tried and "can't be engraved" in html.unescape(tried) and "<svg" in tried
    assert (before["state"], len(before["history"])) == ("held", 1)  # trying keeps nothing
    assert elsewhere.status_code == 422
    assert (after["state"], after["lines"][0]["verdict"]) == ("ready", "accept")
