"""Board, plan, backlog and build list as they are sent: all there is to see is there without any script."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import pytest

from layout.shop.findings import Finding, Severity
from service.plan import planning as plans
from service.records.db import Database
from service.records.tables import Stock
from tests.benches import Bench, a_bench_shop
from tests.clocks import SetClock
from tests.service.plan.test_planning import OFFICE

PAGES = ("/board", "/plan", "/backlog", "/build-list")


@pytest.fixture
def bench(sqlite_database: Database, clock: SetClock, tmp_path: Path) -> Bench:
    """A shop with hours whose wall clock is two hours ahead of the service's own."""
    shop = a_bench_shop()
    return Bench(
        sqlite_database,
        clock,
        tmp_path,
        replace(
            shop,
            stations={"s1": replace(shop.stations["s1"], hours=OFFICE)},
            policy=replace(shop.policy, time_zone="Africa/Johannesburg"),
        ),
    )


def seen(bench: Bench, address: str, *, role: str = "owner", language: str = "en") -> str:
    """A page's text as sent."""
    bench.in_background()
    bench.client.post("/sign-in", data={"key": bench.keys[role], "name": "Olga"})
    answer = bench.client.get(address, headers={"Accept-Language": language})
    assert answer.status_code == 200, answer.text
    return answer.text


def text_of(page: str) -> str:
    """What stands on a page between its tags."""
    return " ".join(re.sub(r"<[^>]+>", " ", page).split())


def figure(page: str, name: str) -> str:
    """The number over a name on the board."""
    found = re.search(rf'class="figure">(.*?)</p><h2>. {name}', page, re.DOTALL)
    assert found, name
    return text_of(found[1].split('class="figure">')[-1])


def test_the_board_reckons_with_the_stations_own_hours(bench: Bench) -> None:
    bench.order(quantity=30, due_days=0.2)

    page = seen(bench, "/board")

    assert figure(page, "work due today") == "0.2 / 6.0 h"  # ten o'clock in the shop, which shuts at four
    assert "Today, Tue 24 Nov 10:00" in text_of(page)


def test_on_a_day_off_no_work_is_due_of_no_hours(bench: Bench) -> None:
    policy = replace(bench.shop.policy, days_off=("2026-11-24",))
    bench.tools.catalogue.put(replace(bench.shop, policy=policy))  # type: ignore[attr-defined]
    bench.order(quantity=30, due_days=1.2)

    page = seen(bench, "/board")

    assert "work due today" not in page
    assert figure(page, "late") == "0"


def test_the_board_shows_who_has_which_load_since_when(bench: Bench) -> None:
    bench.order(quantity=3)
    load = bench.burning()
    bench.clock.advance(minutes=7)

    page = seen(bench, "/board")

    assert f"{load['id']} s1 · turning-1 Operator One 10:00 3" in text_of(page)
    assert f'aria-label="{load["id"]}, s1, plate turning-1, Operator One: in hand' in page


def test_scrap_is_told_by_reason_and_as_a_part_of_what_was_looked_at(bench: Bench) -> None:
    bench.order(quantity=4)
    load = bench.burned()
    jobs = {one["job"]: {"result": "pass"} for one in load["jobs"]}
    jobs[next(iter(jobs))] = {"result": "scrap", "reason": "wrong place"}
    bench.do(load, "inspect", {"jobs": jobs})

    said = text_of(seen(bench, "/board"))

    assert "25.0 % 1 of 4 units looked at" in said
    assert "1 × wrong place (25.0 %)" in said


def test_late_units_are_counted_and_listed_by_order(bench: Bench) -> None:
    bench.order(quantity=8, due_days=-1)

    page = seen(bench, "/board")

    assert figure(page, "late") == "8"
    assert re.search(r"! W-\d+ · 8 × ready \(J1, J2, J3, J4 …\)", text_of(page))


def test_a_release_ahead_is_announced(bench: Bench) -> None:
    for day in range(5):
        bench.order(quantity=5, due_days=-2 - day)
    bench.order(quantity=20, due_days=2)

    said = text_of(seen(bench, "/board"))

    assert "Release ahead Thu 26 Nov: 4.0 times the usual, 20 units still to be engraved" in said


@pytest.mark.parametrize("address", ["/board", "/backlog"])
def test_without_a_plan_the_rest_is_shown_all_the_same(
    bench: Bench, monkeypatch: pytest.MonkeyPatch, address: str
) -> None:
    bench.order(due_days=-1)
    wrong = Finding("twice", Severity.REFUSE, "a job is planned twice")
    monkeypatch.setattr(plans, "planned", lambda backlog, loads=(): (plans.plan(backlog), (wrong,)))

    said = text_of(seen(bench, address))

    assert "There is no plan just now" in said
    assert "1 × ready (J1)" in said


def test_a_planner_that_breaks_takes_no_page_with_it(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    bench.order(due_days=-1)

    def breaks(backlog: object, loads: object = ()) -> object:
        return next(iter(()))

    monkeypatch.setattr(plans, "planned", breaks)

    said = {address: text_of(seen(bench, address)) for address in (*PAGES, "/bench")}

    assert all("There is no plan just now" in said[address] for address in ("/board", "/plan", "/backlog"))
    assert "1 × ready (J1)" in said["/board"]
    assert bench.ask("GET", "/v1/plan", role="owner").json()["code"] == "no_plan_yet"
    assert bench.next().status_code == 201  # the bench goes on without a plan


def test_no_page_makes_a_plan_or_waits_for_one(bench: Bench) -> None:
    """What has come since is planned in the background; until then pages show the plan that is kept."""
    bench.order(quantity=9)
    seen(bench, "/board")
    calls = list(bench.tools.geometry.calls)  # type: ignore[attr-defined]

    bench.order(quantity=9)
    bench.clock.advance(minutes=20)
    answers = {address: bench.client.get(address) for address in (*PAGES, "/desk", "/owner", "/bench")}

    assert {address: answer.status_code for address, answer in answers.items()} == dict.fromkeys(answers, 200)
    assert bench.tools.geometry.calls == calls  # type: ignore[attr-defined]


def test_the_plan_lists_its_loads_with_their_plates(bench: Bench) -> None:
    bench.order(quantity=2, faces=("mark_side", "pile_side"))

    page = seen(bench, "/plan")

    assert '<tr id="load-1">' in page
    pictures = re.findall(r'href="(/v1/plan/loads/1/picture\.svg\?turn=\d)"', page)
    assert [bench.client.get(address).status_code for address in pictures] == [200, 200]
    assert "Weighted lateness: 0 working days (at best 0)" in " ".join(page.split())


def test_what_is_in_no_load_is_named_with_its_reason(bench: Bench) -> None:
    (job,) = bench.order()
    station = replace(bench.shop.stations["s1"], plates={})
    bench.tools.catalogue.put(replace(bench.shop, version="other", stations={"s1": station}))  # type: ignore[attr-defined]

    said = text_of(seen(bench, "/plan"))

    assert f"{job} : no plate of the shop takes it" in said


def test_the_backlog_names_each_day_with_its_hours(bench: Bench) -> None:
    for _ in range(10):
        bench.order(quantity=99, due_days=0.2)

    said = text_of(seen(bench, "/backlog"))

    assert "Tue 24 Nov 990 8.2 6.0 8.2 6.0" in said
    assert "! 2.2 h too much until then" in said


def test_the_build_list_is_loud_about_what_is_late(bench: Bench) -> None:
    bench.database.write(lambda session: session.query(Stock).update({"boxed": 0}))
    bench.order(quantity=2, due_days=-1)
    bench.order(sku="CHEF", quantity=3, due_days=1)
    bench.lot(quantity=4)

    page = seen(bench, "/build-list")

    said = text_of(page)
    assert 'role="alert"' in page and "2 units are late already" in said
    assert "Wed 25 Nov 09:57 3 Invented chef's knife CHEF 3" in said.replace("&#39;", "'")
    assert "Invented bare blade 4 0 0 0" in said
    assert bench.client.get("/v1/build-list.csv").status_code == 200  # as the page's own link asks for it


@pytest.mark.parametrize("address", PAGES)
def test_the_pages_are_there_when_nothing_waits_and_speak_both_languages(bench: Bench, address: str) -> None:
    english, german = (seen(bench, address, language=language) for language in ("en", "de"))

    assert 'aria-current="page"' in english
    assert "Build list" in english and "Montageliste" in german


@pytest.mark.parametrize("address", PAGES)
@pytest.mark.parametrize("role", ["desk", "bench"])
def test_the_pages_are_for_everybody_in_the_house(bench: Bench, address: str, role: str) -> None:
    bench.order(due_days=-1)

    assert seen(bench, address, role=role)


@pytest.mark.parametrize("address", PAGES)
def test_who_is_not_signed_in_goes_to_do_so(bench: Bench, address: str) -> None:
    answer = bench.client.get(address, follow_redirects=False)

    assert (answer.status_code, answer.headers["Location"]) == (303, f"/sign-in?then={address}")
