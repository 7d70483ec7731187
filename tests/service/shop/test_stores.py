"""Stores that offer a part of the shop: what each is answered, and what the shop's people may do for it."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from layout.fit.prepared_zone import Ground
from layout.shop.inscriptions import Kind, TextInscription
from layout.shop.proven_recipes import Proof, recipe_digest
from layout.shop.shop import Shop
from layout.shop.stations import TestCard
from layout.shop.stores import Store
from service.intake import import_orders
from service.records.db import Database
from service.records.who import SWEEP, Role
from service.requests import keys
from service.shop import catalogue
from service.shop.catalogue import CatalogueError
from service.shop.geometry_workers import Geometry, InForce
from service.shop.stores import shop_for
from service.shop.versions import Shelf
from tests.clocks import SetClock
from tests.counter import Counter, a_line, an_inscription, an_open_counter, an_order

STORES = """
[[store]]
store = "store-1"
products = ["AQ-HORI-18", "AQ-OYSTER-8"]
zones = { hori-18 = ["ricasso"] }
fonts = ["lato-bold", "atkinson-bold"]
language = "de"

[[store]]
store = "store-2"
products = ["AQ-CHEF-20", "AQ-HORI-18"]
"""
HORI, CHEF = "AQ-HORI-18", "AQ-CHEF-20"
#: What only others sell, by name and by its blade.
NOT_THEIRS = ("AQ-CHEF-20", "AQ-SANT-17", "chef-20", "santoku-17", "ricasso_back")


@pytest.fixture(scope="module")
def shelf(tmp_path_factory: pytest.TempPathFactory) -> Shelf:
    """The made-up shop with two stores."""
    folder = tmp_path_factory.mktemp("stores") / "shop"
    shutil.copytree(catalogue.default_folder(), folder)
    (folder / "stores").mkdir()
    (folder / "stores" / "stores.toml").write_text(STORES)
    return Shelf(folder)


@pytest.fixture
def counter(sqlite_database: Database, clock: SetClock, tmp_path: Path, shelf: Shelf) -> Iterator[Counter]:
    with an_open_counter(sqlite_database, clock, tmp_path, boxed=20, shelf=shelf) as opened:
        yield opened


def codes(answer: Any) -> list[str]:
    return [finding["code"] for finding in answer["findings"]]


def checked(counter: Counter, role: str, sku: str = HORI, **changes: Any) -> Any:
    body = {"sku": sku, "inscriptions": [an_inscription(**changes)]}
    return counter.ask(role, "POST", "/v1/checks", body).json()


def test_a_shop_without_stores_is_the_same_to_everybody() -> None:
    shop = catalogue.load(catalogue.default_folder())

    assert shop_for(shop, "store-1") is shop
    assert shop_for(shop, None) is shop


def test_where_no_font_of_the_store_may_go_nothing_is_written() -> None:
    shop = replace(
        catalogue.load(catalogue.default_folder()), stores={"a": Store("a", fonts=frozenset({"amiri-bold"}))}
    )
    unwritten = replace(shop, stores={"a": Store("a", fonts=frozenset())})

    def places(of: Shop) -> dict[str, frozenset[Kind]]:
        faces = shop_for(of, "a").blades["hori-18"].faces
        return {zone.zone: zone.kinds for face in faces for zone in face.zones}

    assert places(unwritten) == {"ricasso": {"artwork", "code"}}
    assert places(shop).keys() == {"ricasso", "ricasso_back", "flat"}


def test_the_catalogue_is_what_the_store_offers(counter: Counter) -> None:
    answers = {role: counter.ask(role, "GET", "/v1/catalogue") for role in ("store", "other_store", "desk")}

    mine, whole = answers["store"].json(), answers["desk"].json()
    assert {product["sku"] for product in mine["products"]} == {HORI, "AQ-OYSTER-8"}
    hori = next(product for product in mine["products"] if product["sku"] == HORI)
    assert [zone["zone"] for zone in hori["zones"]] == ["ricasso"]
    assert {font["font"] for font in mine["fonts"]} == {"lato-bold", "atkinson-bold"}
    assert all(set(zone["fonts"]) <= {"lato-bold", "atkinson-bold"} for zone in hori["zones"])
    assert not [name for name in NOT_THEIRS if f'"{name}"' in answers["store"].text]
    assert {product["sku"] for product in answers["other_store"].json()["products"]} == {HORI, CHEF}
    assert len(whole["products"]) > 3 and len(whole["fonts"]) > 2
    assert {answer.headers["ETag"] for answer in answers.values()} == {f'"{mine["version"]}"'}


def test_a_check_knows_nothing_else(counter: Counter) -> None:
    heel = {"zone": "heel", "text": "Ida"}

    refused = checked(counter, "store", CHEF, **heel)
    assert (codes(refused), refused["stock"]["available"]) == (["unknown_product"], 0)
    assert checked(counter, "other_store", CHEF, **heel)["verdict"] == "accept"
    assert checked(counter, "desk", CHEF, **heel)["stock"]["available"] > 0
    assert "unknown_zone" in codes(checked(counter, "store", zone="ricasso_back"))
    assert checked(counter, "other_store", zone="ricasso_back")["verdict"] == "accept"


def test_what_is_suggested_is_offered(counter: Counter) -> None:
    font = an_inscription(font="inter-semibold")["font"]
    refused = checked(counter, "store", font=font)
    elsewhere = checked(counter, "store", zone="ricasso_back")

    assert codes(refused)[0] == "font_not_offered"
    suggested = [
        suggestion
        for answer in (refused, elsewhere)
        for finding in answer["findings"]
        for suggestion in finding["suggestions"]
    ]
    assert suggested
    assert {one["font"] for one in suggested} <= {"lato-bold", "atkinson-bold"}
    assert {one["zone"] for one in suggested} == {"ricasso"}
    assert checked(counter, "other_store", font=font)["verdict"] == "accept"


def test_an_order_is_held_and_the_desk_amends_it_within_the_whole_shop(counter: Counter) -> None:
    line = a_line(inscriptions=[an_inscription(zone="ricasso_back")])
    mine = counter.post_order(an_order(lines=[line])).json()
    theirs = counter.post_order(an_order(lines=[line]), role="other_store").json()
    plain = counter.post_order(an_order(lines=[a_line(sku=CHEF, inscriptions=[])])).json()

    assert (mine["state"], theirs["state"], plain["state"]) == ("held", "ready", "held")
    assert codes(plain["lines"][0]) == ["unknown_product"]
    path, words = f"/v1/orders/{mine['id']}/lines/1", {"inscriptions": line["inscriptions"]}
    etag = counter.ask("store", "GET", f"/v1/orders/{mine['id']}").headers["ETag"]
    again = counter.ask("store", "PATCH", path, words, If_Match=etag)
    assert again.json()["state"] == "held", again.text
    by_desk = counter.ask("desk", "PATCH", path, words, If_Match=again.headers["ETag"])
    assert by_desk.json()["state"] == "ready", by_desk.text


def test_an_order_like_an_earlier_one_needs_what_is_still_offered(counter: Counter, clock: SetClock) -> None:
    back = [an_inscription(zone="ricasso_back")]
    first = counter.post_order(an_order(lines=[a_line(inscriptions=back)])).json()
    etag = counter.ask("desk", "GET", f"/v1/orders/{first['id']}").headers["ETag"]
    path = f"/v1/orders/{first['id']}/lines/1"
    amended = counter.ask("desk", "PATCH", path, {"inscriptions": back}, If_Match=etag)
    assert amended.json()["state"] == "ready"
    line = {k: v for k, v in a_line().items() if k != "inscriptions"}
    line["same_as"] = {"order": first["id"], "line_ref": "1"}

    again = counter.post_order(an_order(lines=[line])).json()

    assert "unknown_zone" in codes(again["lines"][0])


def test_an_imported_file_is_the_store_s_own_request(counter: Counter) -> None:
    order = an_order(lines=[a_line(inscriptions=[an_inscription(zone="ricasso_back")])])
    rows = (
        "order_ref,ship_by,line_ref,sku,quantity,zone,text,font,height_mm\n"
        f"{order['order_ref']},2026-12-01T12:00:00Z,1,{HORI},1,ricasso_back,Allotment 7,lato-bold,3\n"
    ).encode()

    results = {
        client: import_orders.import_orders(counter.tools, rows, client=client, dry_run=True)[0].result
        for client in ("store-1", "store-2")
    }

    assert results["store-1"] != results["store-2"]


def test_previews_and_offers_follow(counter: Counter) -> None:
    def tried(sku: str, **changes: Any) -> Any:
        body = {"sku": sku, "inscriptions": [an_inscription(**changes)]}
        return counter.ask("storefront", "POST", "/v1/previews", body).json()

    offer = counter.ask("storefront", "GET", f"/v1/previews/{HORI}").json()
    assert [place["zone"] for place in offer["zones"]] == ["ricasso"]
    assert {font["font"] for font in offer["fonts"]} == {"lato-bold", "atkinson-bold"}
    assert counter.ask("storefront", "GET", f"/v1/previews/{CHEF}").status_code == 404
    assert counter.ask("other_store", "GET", f"/v1/previews/{CHEF}").status_code == 200

    refused = tried(HORI, zone="ricasso_back")
    assert "unknown_zone" in codes(refused) and refused["token"] is None
    assert codes(tried(CHEF, zone="heel")) == ["unknown_product"]
    assert tried(HORI)["verdict"] == "accept"


def test_its_language_is_spoken_where_nobody_asks_for_another(counter: Counter) -> None:
    path = f"/v1/previews/{HORI}"

    def language(role: str, query: str = "", **headers: str) -> str:
        return str(counter.ask(role, "GET", path + query, **headers).json()["language"])

    assert language("storefront") == "de"
    assert language("storefront", Accept_Language="fr") == "de"
    assert language("storefront", Accept_Language="en-GB") == "en"
    assert language("storefront", "?language=en") == "en"
    assert (language("other_store"), language("desk")) == ("en", "en")

    orders = {
        role: counter.post_order(an_order(proof="buyer"), role=role).json()
        for role in ("store", "other_store")
    }
    pages = {}
    for role, order in orders.items():
        link = counter.ask("desk", "POST", f"/v1/orders/{order['id']}/proof-link").json()["url"]
        pages[role] = counter.client.get(link).text
    assert '<html lang="de"' in pages["store"] and '<html lang="en"' in pages["other_store"]


def test_a_test_key_sees_what_its_store_sees(counter: Counter, clock: SetClock) -> None:
    counter.keys["test"] = counter.tools.sandbox.tools().database.write(
        lambda session: keys.new_key(session, Role.STORE, client="store-1", now=clock(), who=SWEEP)
    )

    assert codes(checked(counter, "test", CHEF, zone="heel")) == ["unknown_product"]


def test_names_that_lead_nowhere_are_refused() -> None:
    wrong = STORES
    for old, new in (
        ("AQ-OYSTER-8", "AQ-OYSTER-9"),
        ('hori-18 = ["ricasso"]', 'hori-18 = ["ricaso"], chef-2 = ["heel"]'),
        ("atkinson-bold", "atkinson-bolt"),
        ('"store-2"', '"store-1"\nzones = { chef-20 = ["hel"] }'),
    ):
        wrong = wrong.replace(old, new, 1)

    # Of two stores of one name the second is looked at, so the first is read alone as well.
    said = refusals(wrong.partition('[[store]]\nstore = "store-1"\nzones')[0])
    twice = refusals(wrong)

    assert [line.partition(" There are")[0] for line in said] == [
        "stores/stores.toml:6: store-1.fonts: no font 'atkinson-bolt'; did you mean 'atkinson-bold'?",
        "stores/stores.toml:4: store-1.products: no product 'AQ-OYSTER-9'; did you mean 'AQ-OYSTER-8'?",
        "stores/stores.toml:5: store-1.zones: no blade 'chef-2'; did you mean 'chef-20'?",
        "stores/stores.toml:5: store-1.zones.hori-18: no zone 'ricaso'; did you mean 'ricasso'?",
    ]
    assert any("'store-1' stands twice" in line for line in twice)
    assert any("no zone 'hel'; did you mean 'heel'?" in line for line in twice)


def test_keys_and_languages_that_there_are_not_are_refused() -> None:
    said = refusals(STORES.replace('"de"', '"fr"').replace("fonts = [", "font = ["))

    assert any("'fr' is none of en, de" in line for line in said)
    assert any("no such key; did you mean 'fonts'?" in line for line in said)
    assert len(said) == 2


def refusals(stores: str) -> list[str]:
    """What is said against the made-up shop with these stores."""
    with pytest.raises(CatalogueError) as refused:
        catalogue.parse(catalogue.read(catalogue.default_folder()) | {"stores/stores.toml": stores})
    return [str(trouble) for trouble in refused.value.troubles]


def test_what_is_worked_out_of_a_zone_is_remembered_for_each_store_and_record_of_cards(
    shelf: Shelf, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One zone, three ways to see it; two checks of each, with a record that is equal and not the same."""
    made: list[str] = []
    begin = Ground.__init__

    def noted(self: Ground, shop: Shop, sku: str, zone_name: str) -> None:
        made.append(zone_name)
        begin(self, shop, sku, zone_name)

    monkeypatch.setattr(Ground, "__init__", noted)
    geometry = Geometry(shelf.described.source, tmp_path, workers=0, timeout_seconds=60)
    recipe = recipe_digest(shelf.current.processes["satin-north"])
    for words in ("Ada", "Nora"):
        asked = (TextInscription("ricasso", words, "lato-bold"),)
        for store, card in ((None, "2026-11-01"), ("store-1", "2026-11-01"), ("store-1", "2026-11-02")):
            proofs = (Proof("satin-north", recipe, TestCard(card, "Ines")),)
            assert not geometry.check(HORI, asked, in_force=InForce(proofs=proofs), store=store).findings

    assert made == ["ricasso"] * 3
