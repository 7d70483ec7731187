"""The owner's pages that change the shop's description: forms over HTTP, without scripts."""

from __future__ import annotations

import difflib
import re
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from httpx import Response

from service.pages.describing import DRAFT, SHOP, TEXT, UPLOAD, table_address
from service.pages.face_editor import FACE, TRY
from service.records.db import Database
from service.records.who import SWEEP
from service.shop import catalogue, drafts
from service.shop import version_rows as rows
from service.shop.drafts import Draft
from tests.clocks import SetClock
from tests.counter import Counter, an_open_counter
from tests.made_up import put_in_force
from tests.pages.forms import FormRead, FormsOf, form_to

CHEF, HEEL = "blades/chef-20.toml", "face[0].zone[0]"
PRODUCTS = "products/products.toml"
MARK = (
    '<svg xmlns="http://www.w3.org/2000/svg" width="12mm" height="8mm" viewBox="0 0 12 8">'
    '<path d="M 0 0 L 12 0 L 12 8 L 0 8 Z M 2 2 L 2 6 L 10 6 L 10 2 Z"/></svg>'
)


@pytest.fixture
def counter(sqlite_database: Database, clock: SetClock, tmp_path: Path) -> Iterator[Counter]:
    with an_open_counter(sqlite_database, clock, tmp_path) as counter:
        put_in_force(counter.tools.database, by=counter.tools.by(SWEEP))
        sign_in(counter)
        yield counter


def sign_in(counter: Counter, role: str = "owner", name: str = "Olga") -> None:
    counter.client.post("/sign-in", data={"key": counter.keys[role], "name": name})


def shown(counter: Counter, address: str) -> str:
    answer = counter.client.get(address)
    assert answer.status_code == 200, (address, answer.text[-2000:])
    return answer.text


def send(counter: Counter, form: FormRead, **changes: str | None) -> Response:
    fields = {name: value for name, value in {**form.fields, **changes}.items() if value is not None}
    return counter.client.post(form.action, data=fields)


def table_form(counter: Counter, file: str, at: str = "") -> FormRead:
    return form_to(shown(counter, table_address(file, at)), "/owner/shop/table")


def the_draft(counter: Counter) -> Draft | None:
    with counter.tools.database.reading() as session:
        return drafts.find(session)


def document(counter: Counter, file: str) -> dict[str, Any]:
    draft = the_draft(counter)
    assert draft is not None
    return tomllib.loads(draft.content[file])


@pytest.mark.long  # its pure part is `tests/service/shop/test_editing.py`
def test_a_form_that_nobody_has_touched_changes_nothing(counter: Counter) -> None:
    waiting = [
        address
        for address in re.findall(r'href="(/owner/shop/table[^"]*)"', shown(counter, SHOP))
        # One of each kind, and of the blades one with every sort of thing.
        if re.search(
            r"chef-20|santoku|long\.toml|north|product%5B8|font%5B1|artwork%5B3|bin%5B0|policy", address
        )
    ]
    seen = set()
    while waiting:
        address = waiting.pop().replace("&amp;", "&")
        if address in seen:
            continue
        seen.add(address)
        html = shown(counter, address)
        waiting += re.findall(r'href="(/owner/shop/table[^"]*)"', html.partition("<form method")[2])

        answer = send(counter, form_to(html, "/owner/shop/table"), act="save")

        assert "Saved in the draft" in answer.text
    assert len(seen) > 25
    assert the_draft(counter) is None


def test_a_number_goes_into_the_draft_and_not_into_the_shop(counter: Counter) -> None:
    before = counter.tools.catalogue.current.version

    answer = send(counter, table_form(counter, CHEF, HEEL), **{"v.max_height_mm": "12,5", "act": "save"})

    assert "Saved in the draft" in answer.text
    draft = the_draft(counter)
    assert draft is not None
    assert draft.edited == (CHEF,)
    lines = difflib.ndiff(draft.base[CHEF].splitlines(), draft.content[CHEF].splitlines())
    assert [line for line in lines if line[0] in "+-"] == ["- max_height_mm = 14", "+ max_height_mm = 12.5"]
    assert counter.tools.catalogue.current.version == before


def test_what_is_wrong_is_said_at_its_field_and_kept_as_typed(counter: Counter) -> None:
    answer = send(
        counter,
        table_form(counter, CHEF, HEEL),
        **{"v.max_height_mm": "about 12", "v.max_lines": "", "act": "save"},
    )

    field = answer.text.partition('data-place="face[0].zone[0].max_height_mm"')[2].partition("data-place")[0]
    assert 'value="about 12"' in field
    assert "is no number" in field
    lines = answer.text.partition('data-place="face[0].zone[0].max_lines"')[2].partition("data-place")[0]
    assert "is missing" in lines
    listed = shown(counter, SHOP)
    assert "2 things to put right" in listed
    assert "at=face%5B0%5D.zone%5B0%5D" in listed


def test_a_name_that_leads_nowhere_is_a_choice_of_what_is_there(counter: Counter) -> None:
    form = table_form(counter, PRODUCTS, "product[0]")
    html = send(counter, form, **{"v.blade": "chief-20", "act": "save"}).text

    field = html.partition('data-place="product[0].blade"')[2].partition("data-place")[0]
    assert re.search(r'<option value="chief-20" selected>', field)
    assert '<option value="santoku-17">' in field
    assert "did you mean &#39;chef-20&#39;" in field


def test_things_are_added_copied_and_taken_out(counter: Counter) -> None:
    home = FormsOf(shown(counter, SHOP)).forms
    adding = next(form for form in home if form.fields.get("kind") == "products")
    made = send(counter, adding, name="AQ-PARE-10")
    assert made.url.params["at"] == "product[9]"
    assert "is missing" in made.text

    filled = form_to(made.text, "/owner/shop/table")
    copy = send(
        counter,
        filled,
        **{
            "v.name": "Paring knife",
            "v.blade": "paring-9",
            "v.material": "stainless_4116",
            "v.finish": "satin",
            "act": "copy",
        },
    )

    skus = [one["sku"] for one in document(counter, PRODUCTS)["product"]]
    assert skus[-2:] == ["AQ-PARE-10", "AQ-PARE-2"]
    assert copy.url.params["at"] == "product[10]"
    send(counter, form_to(copy.text, "/owner/shop/table"), act="remove")
    assert [one["sku"] for one in document(counter, PRODUCTS)["product"]][-1] == "AQ-PARE-10"
    with counter.tools.database.reading() as session:
        draft = drafts.find(session)
        assert draft is not None
        assert catalogue.troubles_of_files(draft.content) == ()


def test_a_zone_is_added_to_a_face_and_a_blade_copied(counter: Counter) -> None:
    added = send(counter, table_form(counter, CHEF, "face[0]"), act="add:zone")
    assert added.url.params["at"] == "face[0].zone[2]"

    copied = send(counter, table_form(counter, "blades/paring-9.toml"), act="copy")

    assert copied.url.params["file"] == "blades/paring-2.toml"
    assert document(counter, "blades/paring-2.toml")["blade"] == "paring-2"
    gone = send(counter, form_to(copied.text, "/owner/shop/table"), act="remove")
    assert gone.url.path == SHOP
    draft = the_draft(counter)
    assert draft is not None
    assert "blades/paring-2.toml" not in draft.content


def test_of_two_owners_at_one_file_the_second_is_told_and_loses_nothing(counter: Counter) -> None:
    first, second = table_form(counter, CHEF, HEEL), table_form(counter, CHEF, HEEL)
    elsewhere = table_form(counter, "policy/policy.toml")
    send(counter, first, **{"v.max_height_mm": "11", "act": "save"})
    sign_in(counter, name="Otto")
    for form in (second, elsewhere):
        form.fields["token"] = table_form(counter, CHEF, HEEL).fields["token"]

    refused = send(counter, second, **{"v.min_height_mm": "2.5", "act": "save"})

    assert refused.status_code == 412
    field = refused.text.partition('data-place="face[0].zone[0].min_height_mm"')[2].partition("data-place")[0]
    assert 'value="2.5"' in field
    assert "The file now has:" in field
    other = refused.text.partition('data-place="face[0].zone[0].max_height_mm"')[2].partition("data-place")[0]
    assert 'value="14"' in other
    assert ">11<" in other
    assert document(counter, CHEF)["face"][0]["zone"][0]["min_height_mm"] == 1.8
    # Another file is nobody's conflict.
    assert (
        "Saved in the draft" in send(counter, elsewhere, **{"v.shop_name": "Two at once", "act": "save"}).text
    )
    again = send(counter, form_to(refused.text, "/owner/shop/table"), act="save")
    assert "Saved in the draft" in again.text
    assert document(counter, CHEF)["face"][0]["zone"][0]["min_height_mm"] == 2.5


def test_a_button_pressed_twice_adds_one(counter: Counter) -> None:
    form = table_form(counter, CHEF, "face[0]")

    send(counter, form, act="add:zone")
    again = send(counter, form, act="add:zone")

    assert again.status_code == 412
    assert len(document(counter, CHEF)["face"][0]["zone"]) == 3


def test_a_file_that_is_no_toml_is_mended_as_text(counter: Counter) -> None:
    form = form_to(shown(counter, f"{TEXT}?file={CHEF}"), TEXT)
    sent = send(counter, form, text=form.fields["text"].replace("max_lines = 3", "max_lines = = 3"))
    assert "not TOML" in sent.text

    page = counter.client.get(table_address(CHEF))
    assert page.url.path == TEXT
    send(counter, form_to(page.text, TEXT), text=form.fields["text"])

    draft = the_draft(counter)
    assert draft is not None
    assert draft.edited == ()


def test_words_with_signs_of_markup_stay_words(counter: Counter) -> None:
    words = "<script>alert(1)</script> & 'quoted' \" one"

    answer = send(counter, table_form(counter, PRODUCTS, "product[0]"), **{"v.name": words, "act": "save"})

    assert "<script>alert" not in answer.text
    assert document(counter, PRODUCTS)["product"][0]["name"] == words
    assert "<script>alert" not in shown(counter, SHOP)


def test_a_mark_comes_in_as_a_drawing_with_its_finest_feature(counter: Counter) -> None:
    token = form_to(shown(counter, SHOP), UPLOAD).fields["token"]

    page = counter.client.post(
        UPLOAD, data={"token": token}, files={"upload": ("Two Waves.svg", MARK.encode(), "image/svg+xml")}
    )

    assert page.url.params["file"] == "artwork/two-waves.svg"
    assert "12.0 × 8.0 mm" in page.text
    # The bar's sides are 2 mm thick, its opening 4 mm: the drawing's own figures.
    assert re.search(r"Thinnest stroke 2\.0\d? mm", page.text) or "Thinnest stroke 1.99 mm" in page.text
    assert "Narrowest opening 4.00 mm" in page.text
    marks = document(counter, "artwork/artwork.toml")["artwork"]
    assert marks[-1] == {
        "artwork": "two-waves",
        "name": "Two Waves",
        "use": "symbol",
        "file": "two-waves.svg",
    }


@pytest.mark.parametrize(
    ("name", "data", "why"),
    [
        ("mark.svg", b"<svg", "not plain XML"),
        ("mark.svg", MARK.replace("<path", "<script/><path").encode(), "only paths are taken"),
        ("mark.svg", b'<!DOCTYPE svg [<!ENTITY a "a">]><svg>&a;</svg>', "not plain XML"),
        ("mark.svg", b"\xff\xfe\x00", "no text"),
        ("mark.exe", b"MZ", "a mark is an SVG file"),
        ("mark.svg", b" " * 300_000, "up to 256 KB"),
    ],
)
def test_what_can_be_no_mark_is_refused_with_the_reason(
    counter: Counter, name: str, data: bytes, why: str
) -> None:
    token = form_to(shown(counter, SHOP), UPLOAD).fields["token"]

    refused = counter.client.post(UPLOAD, data={"token": token}, files={"upload": (name, data, "text/plain")})

    assert refused.status_code == 422
    assert why in refused.text
    assert the_draft(counter) is None


@pytest.mark.parametrize("role", ["bench", "desk"])
def test_the_description_is_the_owner_s_alone(counter: Counter, role: str) -> None:
    form = table_form(counter, CHEF, HEEL)
    sign_in(counter, role)

    for address in (
        SHOP,
        table_address(CHEF, HEEL),
        f"{TEXT}?file={CHEF}",
        f"{UPLOAD}?file=artwork/leaf.svg",
    ):
        assert counter.client.get(address).status_code == 403
    assert send(counter, form, act="remove").status_code == 403
    assert the_draft(counter) is None


def test_a_form_of_another_sign_in_is_not_taken(counter: Counter) -> None:
    form = table_form(counter, CHEF, HEEL)

    assert send(counter, form, token="x", act="remove").status_code == 403


@pytest.mark.parametrize(
    "address",
    [
        table_address("blades/no-such.toml"),
        table_address(CHEF, "face[7]"),
        table_address(CHEF, "face[0].zone[0].kinds"),
        table_address(CHEF, "__class__"),
        table_address("../secret.toml"),
        table_address("photos/chef-20.jpg"),
        f"{UPLOAD}?file={CHEF}",
        f"{TEXT}?file=../../etc/passwd",
    ],
)
def test_what_is_not_there_is_a_page_that_says_so(counter: Counter, address: str) -> None:
    assert counter.client.get(address).status_code == 404


# --- in force ---


def test_a_draft_that_is_right_is_put_in_force_once(counter: Counter) -> None:
    send(counter, table_form(counter, CHEF, HEEL), **{"v.max_height_mm": "12.5", "act": "save"})
    form = form_to(shown(counter, SHOP), DRAFT)

    answers = [send(counter, form, act="put", why="smaller letters at the heel") for _ in range(2)]

    assert [answer.status_code for answer in answers] == [200, 200]
    assert "In force" in answers[0].text
    with counter.tools.database.reading() as session:
        assert [row.number for row in rows.listed(session, before=None, limit=5)] == [2, 1]
    assert the_draft(counter) is None


def test_a_draft_that_is_wrong_or_was_changed_meanwhile_is_not_put_in_force(counter: Counter) -> None:
    send(counter, table_form(counter, CHEF, HEEL), **{"v.max_height_mm": "12.5", "act": "save"})
    form = form_to(shown(counter, SHOP), DRAFT)
    send(counter, table_form(counter, CHEF, HEEL), **{"v.max_lines": "", "act": "save"})

    refused = send(counter, form, act="put")

    assert refused.status_code in (409, 412, 422)
    assert not FormsOf(shown(counter, SHOP)).forms[1].fields.get("why")
    with counter.tools.database.reading() as session:
        assert [row.number for row in rows.listed(session, before=None, limit=5)] == [1]


# --- a face ---


def face_form(counter: Counter, file: str = CHEF, face: int = 0) -> FormRead:
    return form_to(shown(counter, f"{FACE}?file={file}&face={face}"), FACE)


def height_in(html: str) -> float:
    found = re.search(r"Capitals up to ([0-9.]+) mm fit", html)
    assert found is not None, html
    return float(found[1])


@pytest.mark.long
def test_a_face_that_nobody_has_drawn_on_is_saved_as_it_was(counter: Counter) -> None:
    for file, face in ((CHEF, 0), (CHEF, 1), ("blades/santoku-17.toml", 0), ("blades/cheese-14.toml", 0)):
        answer = send(counter, face_form(counter, file, face), act="save")
        assert "Saved in the draft" in answer.text
    assert the_draft(counter) is None


def test_the_words_are_fitted_as_the_check_fits_them_where_the_zone_is_drawn(counter: Counter) -> None:
    form = face_form(counter)
    asked = {"words": "Anna-Maria Lind", "zone": "heel", "font": "lato-bold"}
    changes = {"zone0.max_height_mm": "30", **asked, "act": "show"}

    wide = send(counter, FormRead(form.action.replace(FACE, TRY), form.fields), **changes)
    narrow = send(
        counter,
        FormRead(form.action.replace(FACE, TRY), form.fields),
        **{**changes, "zone0.polygon.rect[2]": "39"},
    )

    # The check itself, of an order for the same zone; a zone half as wide takes letters about half as high.
    asked_for = {"zone": "heel", "text": "Anna-Maria Lind", "font": "lato-bold", "size": "largest"}
    body = {"sku": "AQ-CHEF-20", "inscriptions": [asked_for]}
    checked = counter.ask("desk", "POST", "/v1/checks", body).json()
    assert height_in(wide.text) == pytest.approx(checked["inscriptions"][0]["height_mm"], abs=0.006)
    assert height_in(narrow.text) == pytest.approx(height_in(wide.text) / 2, rel=0.05)
    assert the_draft(counter) is None


def test_what_a_zone_loses_is_said(counter: Counter) -> None:
    form = face_form(counter)

    lost = send(
        counter, form, **{"zone0.polygon.rect[1]": "-22", "zone0.polygon.rect[0]": "-10", "act": "show"}
    )

    assert "heel lies over edge bevel" in lost.text
    assert "heel reaches beyond the blade" in lost.text


def test_words_that_do_not_fit_are_refused_and_a_shape_that_crosses_itself_is_said(counter: Counter) -> None:
    form = face_form(counter)
    long = send(counter, form, words="Allotment " * 19, zone="spine", act="show")
    assert "These words can't be engraved here" in long.text

    crossed = send(
        counter,
        form,
        **{
            "zone0.polygon~way": "path",
            "zone0.polygon.path": "M 0 0 L 10 10 L 10 0 L 0 10 Z",
            "act": "show",
        },
    )
    assert "crosses itself" in crossed.text
    assert "M 0 0 L 10 10 L 10 0 L 0 10 Z" in crossed.text


def test_a_zone_and_a_keep_out_are_added_where_they_can_be_seen(counter: Counter) -> None:
    first = send(counter, face_form(counter), act="add:zone")
    send(counter, form_to(first.text, FACE), act="add:keep_out")

    face = document(counter, CHEF)["face"][0]
    assert [zone["zone"] for zone in face["zone"]] == ["heel", "spine", "zone-2"]
    assert face["keep_out"][-1]["shape"]["circle"][2] > 1
    assert counter.client.get(f"{FACE}?file={CHEF}&face=0&zone=zone-2").text.count("Capitals up to") == 1
    with counter.tools.database.reading() as session:
        draft = drafts.find(session)
        assert draft is not None
        assert catalogue.troubles_of_files(draft.content) == ()


def test_a_blade_without_product_plate_or_process_is_drawn_as_well(counter: Counter) -> None:
    copied = send(counter, table_form(counter, CHEF), act="copy")

    page = shown(counter, f"{FACE}?file={copied.url.params['file']}&face=0")

    assert height_in(page) > 5
    assert "No product has this blade yet" in page
    assert "No plate takes this face yet" in page


def test_of_two_at_one_face_the_second_keeps_what_was_drawn(counter: Counter) -> None:
    first, second = face_form(counter), face_form(counter)
    send(counter, first, **{"zone0.polygon.rect[2]": "60", "act": "save"})

    refused = send(counter, second, **{"zone0.polygon.rect[3]": "15", "act": "save"})

    assert refused.status_code == 412
    kept = form_to(refused.text, FACE).fields
    assert kept["zone0.polygon.rect[3]"] == "15"
    assert "Saved in the draft" in send(counter, form_to(refused.text, FACE), act="save").text


@pytest.mark.parametrize(
    "address", [f"{FACE}?file={CHEF}&face=9", f"{FACE}?file={PRODUCTS}", f"{FACE}?file=x"]
)
def test_a_face_that_is_not_there_is_a_page_that_says_so(counter: Counter, address: str) -> None:
    assert counter.client.get(address).status_code == 404
