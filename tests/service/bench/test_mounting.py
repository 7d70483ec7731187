"""The plate that is really in the machine, units counted by bin, and what was said by mistake."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import select

from layout.shop.shop import Shop
from service.bench import acts
from service.pages import scanning
from service.records.db import Database
from service.records.ids import LOAD, number
from service.records.tables import Load, Stock
from tests import pdf
from tests.benches import Bench, a_bench_shop, flat_plate, turning_plate
from tests.clocks import SetClock
from tests.service.proving.test_measurements import measure


@pytest.fixture
def bench(database: Database, clock: SetClock, tmp_path: Path) -> Bench:
    return Bench(
        database, clock, tmp_path, a_bench_shop(turning_plate(copies=3), flat_plate("pile_side"), stations=2)
    )


def mount(bench: Bench, load: dict[str, Any], copy: str, how: str = "scanned") -> Any:
    return bench.post(load, "mounted", {"turn": load["current_turn"], "copy": copy, "how": how})


# --- which plate ---


def test_nothing_is_seated_before_the_plate_was_said(bench: Bench) -> None:
    bench.order()
    load = bench.claimed()
    load = bench.do(load, "pulled", {"jobs": {"J1": "found"}})

    refused = bench.post(load, "seated", {"turn": 1, "slots": {"S1": "seated"}})
    mounted = mount(bench, load, load["copy"]).json()

    assert refused.status_code == 409
    assert mounted["mounted"] == {"copy": load["copy"], "how": "scanned", "at": bench.clock().isoformat()}
    assert (mounted["revision"], mounted["etag"]) == (load["revision"], load["etag"])
    assert bench.seated(mounted)["state"] == "seated"


def test_another_copy_takes_the_load_over_with_its_own_calibration_and_files(bench: Bench) -> None:
    measure(bench, copy="turning-2")
    bench.order()
    load = bench.claimed()
    other = "turning-2" if load["copy"] != "turning-2" else "turning-1"
    before = load["turns"][0]["file_sha256"]

    load = mount(bench, load, other).json()

    assert (load["copy"], load["revision"]) == (other, 2)
    assert load["calibration"]["id"] == ("C1" if other == "turning-2" else "nominal")
    assert load["turns"][0]["file_sha256"] not in {None, before}
    load = bench.seated(bench.pulled(load))
    stale = bench.post(load, "start", {"turn": 1, "file_sha256": before})
    assert (stale.status_code, stale.json()["code"]) == (409, "stale_calibration")
    assert bench.started(load)["state"] == "burning"


def test_units_that_sat_on_the_planned_copy_are_seated_again_on_the_other(bench: Bench) -> None:
    bench.order()
    load = bench.seated(bench.pulled(bench.claimed()))

    load = mount(bench, load, "turning-3").json()

    assert load["state"] == "pulled"
    assert [slot["state"] for slot in load["turns"][0]["slots"]] == ["planned"]


@pytest.mark.parametrize("copy", ["flat_pile-1", "no-such-plate"])
def test_another_plate_is_refused(bench: Bench, copy: str) -> None:
    bench.order()
    load = bench.claimed()
    assert load["plate"] == "turning"

    answer = mount(bench, load, copy)

    assert (answer.status_code, answer.json()["code"]) == (409, "wrong_plate")
    assert bench.see(load)["mounted"] is None


def test_a_copy_that_another_load_uses_is_refused(bench: Bench) -> None:
    bench.order(quantity=2)
    first = bench.claimed()
    bench.order()
    second = bench.claimed(station="s2", operator="Operator Two")

    answer = mount(bench, second, first["copy"])

    assert (answer.status_code, answer.json()["code"]) == (409, "wrong_plate")
    assert len({load.copy for load in bench.rows(Load)}) == 2


def test_a_load_that_has_begun_is_burned_to_its_end_on_its_plate(bench: Bench) -> None:
    bench.order(faces=("mark_side", "pile_side"))
    load = bench.burned()
    other = next(c for c in ("turning-1", "turning-2") if c != load["copy"])

    assert mount(bench, load, other).status_code == 409
    assert mount(bench, load, load["copy"]).status_code == 200


def test_codes_of_plates_bins_units_and_loads_are_told_apart_by_their_form(bench: Bench) -> None:
    bench.order()
    load = acts.load_now(bench.tools, number(LOAD, bench.claimed()["id"]))
    shop: Shop = bench.shop

    read = {
        code: scanning.read(shop, load, code)
        for code in ("PLATE.turning-2", "turning-2", "BIN.A1", "L1", "J1")
    }

    assert [one.step for one in read.values()] == ["plate", "plate", "bin", "load", "pulled"]
    with pytest.raises(scanning.WrongUnit, match="nothing is wanted from bin B1"):
        scanning.read(shop, load, "BIN.B1")


@pytest.mark.parametrize(
    ("address", "first", "pages"),
    [("/v1/plates/labels.pdf", "PLATE.turning-1", 4), ("/v1/stock/labels.pdf", "BIN.A1", 2)],
)
def test_every_copy_and_every_bin_has_a_label(bench: Bench, address: str, first: str, pages: int) -> None:
    labels = bench.ask("GET", address).content

    words = pdf.words_of(labels)

    assert len(words) == pages
    assert first in words[0]


# --- units by bin ---


def test_units_are_counted_by_bin_and_their_slots_tell_which_is_whose(bench: Bench) -> None:
    bench.order(quantity=3)
    load = bench.mounted(bench.claimed())

    load = bench.do(load, "pulled", {"bins": {"A1": {"PARER": {"found": 2}}}})
    assert sorted(one["unit"] for one in load["jobs"]) == ["found", "found", "to_pull"]
    load = bench.do(load, "pulled", {"bins": {"A1": {"PARER": {"found": 1}}}})

    assert load["state"] == "pulled"


def stock(bench: Bench, what: str) -> int:
    with bench.database.reading() as session:
        rows = session.scalars(select(Stock).where(Stock.sku == "PARER"))
        return sum(getattr(row, what) for row in rows)


def form_of(page: str, action: str) -> dict[str, str]:
    """The hidden fields of the first form of a page that goes to that address."""
    form = next(part for part in page.split("<form")[1:] if f'action="{action}"' in part).split("</form>")[0]
    return dict(
        re.findall(r'<input type="hidden" name="([^"]+)" value="([^"]*)"', form.replace("&#34;", "'"))
    )


def test_blemished_pressed_three_times_on_one_page_is_one_unit_and_can_be_taken_back(bench: Bench) -> None:
    bench.order()
    load = bench.claimed()
    bench.client.post("/sign-in", data={"key": bench.keys["bench"], "name": "Operator One"})
    at = f"/bench/loads/{load['id']}"
    pressed = {**form_of(bench.client.get(at).text, f"{at}/fetched"), "what": "blemished"}
    pressed["etag"] = load["etag"]

    pages = [bench.client.post(f"{at}/fetched", data=pressed) for _ in range(3)]
    boxed = stock(bench, "boxed")
    keep = form_of(pages[0].text, f"{at}/blemished")
    bench.client.post(f"{at}/blemished", data={**keep, "etag": load["etag"]})

    assert "For J1 take another from bin A1." in pages[0].text
    assert boxed == 99
    assert stock(bench, "boxed") == 100
    assert stock(bench, "reserved") == 1
    assert bench.job("J1").bin == "A1"


def test_a_unit_at_the_bench_that_is_good_after_all_is_in_hand_again(bench: Bench) -> None:
    bench.order()
    load = bench.pulled(bench.claimed())
    bench.client.post("/sign-in", data={"key": bench.keys["bench"], "name": "Operator One"})
    at = f"/bench/loads/{load['id']}"
    pressed = {**form_of(bench.client.get(at).text, f"{at}/blemished"), "etag": load["etag"]}

    page = bench.client.post(f"{at}/blemished", data=pressed).text
    bench.client.post(f"{at}/blemished", data=pressed)
    keep = {**form_of(page, f"{at}/blemished"), "etag": load["etag"]}
    bench.client.post(f"{at}/blemished", data=keep)

    assert (bench.job("J1").unit_in_hand, bench.job("J1").bin) == (True, None)
    assert stock(bench, "boxed") == 99
    assert stock(bench, "reserved") == 0
    assert bench.seated(bench.see(load))["state"] == "seated"


def test_more_than_the_load_waits_for_is_refused(bench: Bench) -> None:
    bench.order()
    load = bench.claimed()

    answer = bench.post(load, "pulled", {"bins": {"A1": {"PARER": {"found": 2}}}})

    assert (answer.status_code, answer.json()["bin"]) == (422, "A1")
