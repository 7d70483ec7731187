"""Pictures of the plan and the backlog over HTTP and on the command line, made of the rows."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import pytest

from service.cli.main import run
from service.records.db import Database
from tests.benches import Bench, a_bench_shop
from tests.clocks import MORNING, SetClock
from tests.layout.pictures.test_blades_and_plates import SVG, words_of
from tests.layout.pictures.test_timeline import burning_of
from tests.service.plan.test_planning import OFFICE

TIMELINE, BACKLOG, PLANNED = "/v1/plan/timeline.svg", "/v1/backlog.svg", "/v1/plan/loads/1/picture.svg"


@pytest.fixture
def bench(database: Database, clock: SetClock, tmp_path: Path) -> Bench:
    shop = a_bench_shop()
    return Bench(
        database,
        clock,
        tmp_path,
        replace(shop, stations={"s1": replace(shop.stations["s1"], hours=OFFICE)}),
    )


def picture(bench: Bench, path: str, **headers: str) -> str:
    bench.in_background()
    answer = bench.ask("GET", path, **headers)
    assert answer.status_code == 200, answer.text
    assert answer.headers["Content-Type"] == "image/svg+xml"
    return answer.text


def titles_of(svg: str) -> list[str]:
    return [title.text or "" for title in ElementTree.fromstring(svg).iter(f"{SVG}title")]


def outlook(bench: Bench) -> list[dict[str, Any]]:
    bench.in_background()
    said: list[dict[str, Any]] = bench.ask("GET", "/v1/backlog").json()["outlook"]
    return said


def test_the_timeline_has_every_planned_load_and_those_in_hand(bench: Bench) -> None:
    bench.order(quantity=12)
    load = bench.burning()

    svg = picture(bench, TIMELINE)

    titles = titles_of(svg)
    assert any(t.startswith(f"{load['id']}, s1, plate turning-1, Operator One: in hand") for t in titles)
    assert any(t.startswith("Load 1, s1, plate turning-2, 6 units: burned 08:") for t in titles)
    assert "now 08:00" in words_of(svg)


def test_a_load_with_late_jobs_is_marked(bench: Bench) -> None:
    bench.order(due_days=-1)

    svg = picture(bench, TIMELINE)

    late = next(title for title in titles_of(svg) if title.endswith("! 1 late"))
    assert burning_of(svg, late)["fill"] == "url(#timeline-late)"


def test_the_timeline_speaks_the_language_that_is_asked_for(bench: Bench) -> None:
    bench.order()

    svg = picture(bench, TIMELINE, Accept_Language="de-AT,de")

    assert "jetzt 08:00" in words_of(svg)


def test_a_planned_loads_plate_has_its_units_and_their_words(bench: Bench) -> None:
    jobs = bench.order(quantity=2, faces=("mark_side", "pile_side"))
    bench.lot(quantity=1)
    text = bench.job(jobs[0]).id

    first, second = (picture(bench, f"{PLANNED}?turn={turn}") for turn in (1, 2))

    assert text and {"LOT1"} <= set(words_of(first))
    assert sum(word.startswith("J") for word in words_of(first)) == 2
    assert sum(word.startswith("Anna") for word in words_of(second)) == 2
    assert any("turn 2 of 2" in word for word in words_of(second))


@pytest.mark.parametrize(
    "path", ["/v1/plan/loads/0/picture.svg", "/v1/plan/loads/2/picture.svg", f"{PLANNED}?turn=2"]
)
def test_what_the_plan_does_not_have_is_not_found(bench: Bench, path: str) -> None:
    bench.order()
    bench.in_background()

    assert bench.ask("GET", path).status_code == 404


def test_the_backlog_picture_shows_the_days_of_the_outlook(bench: Bench) -> None:
    bench.order(quantity=3, due_days=1)
    bench.order(due_days=-2)

    svg = picture(bench, BACKLOG)

    words = words_of(svg)
    assert {"overdue", "Tue 24 Nov", "Wed 25 Nov", "Mon 30 Nov"} <= set(words)
    assert "Sat 28 Nov" not in words  # shut, and nothing is due
    assert "0.0 of 8.0 h, 3 units" in words


def test_the_outlook_sums_up_work_and_the_stations_open_hours_from_now_on(bench: Bench) -> None:
    bench.clock.advance(hours=2)
    bench.order(quantity=60, due_days=1)

    today, tomorrow, *_ = outlook(bench)

    assert (today["day"], today["units"], today["open_hours"]) == ("2026-11-24", 0, 6.0)
    assert (tomorrow["units"], tomorrow["hours"], tomorrow["open_hours"]) == (60, 0.5, 8.0)
    assert (tomorrow["due_hours"], tomorrow["open_until_hours"], tomorrow["fits"]) == (0.5, 14.0, True)


def test_what_is_short_or_in_a_load_is_work_too_and_what_is_burned_is_not(bench: Bench) -> None:
    bench.order(quantity=99, due_days=1)
    bench.order(quantity=2, due_days=1)
    before = outlook(bench)[1]["units"]

    burned = len(bench.burned()["turns"][0]["slots"])

    assert burned
    assert (before, outlook(bench)[1]["units"]) == (101, 101 - burned)


def test_late_is_what_is_overdue_and_what_the_plan_ends_too_late(bench: Bench) -> None:
    bench.order(quantity=2, due_days=-1)
    bench.order(quantity=90, due_days=45 / 86_400)  # in three quarters of a minute
    bench.order(due_days=1)

    overdue, today, tomorrow, *_ = outlook(bench)

    assert (overdue["day"], overdue["late_units"]) == (None, 2)
    assert (today["late_units"], tomorrow["late_units"]) == (90, 0)
    assert today["late_hours"] == today["hours"]


def test_a_day_that_can_not_be_done_in_the_hours_until_then_does_not_fit(bench: Bench) -> None:
    for _ in range(10):
        bench.order(quantity=99, due_days=0.3)

    today = outlook(bench)[0]

    assert (today["due_hours"], today["open_until_hours"], today["fits"]) == (8.25, 8.0, False)


def test_a_release_is_a_day_of_twice_the_usual_work_once_the_usual_is_known(bench: Bench) -> None:
    bench.order(quantity=40, due_days=3)
    unknown = outlook(bench)
    for day in range(5):
        bench.order(quantity=10, due_days=-2 - day)

    known = {one["day"]: (one["times_usual"], one["release"]) for one in outlook(bench)}

    assert [one["release"] for one in unknown] == [False] * len(unknown)
    assert known["2026-11-27"] == (4.0, True)
    assert known["2026-11-26"] == (None, False)


@pytest.mark.parametrize("path", [TIMELINE, BACKLOG, PLANNED])
def test_the_pictures_are_for_the_house(bench: Bench, path: str) -> None:
    bench.order()
    bench.in_background()

    answers = {role: bench.ask("GET", path, role=role).status_code for role in bench.keys}

    assert answers == {"store": 403, "storefront": 403, "desk": 200, "bench": 200, "owner": 200}


# --- on the command line, on the embedded database ---


@pytest.fixture
def planned(sqlite_database: Database, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Bench:
    bench = Bench(sqlite_database, SetClock(MORNING), tmp_path)
    monkeypatch.setattr("service.running.assembly.assemble", lambda settings, **_: bench.tools)
    return bench


def test_the_command_prints_the_loads_in_order_with_the_bound(
    planned: Bench, capsys: pytest.CaptureFixture[str]
) -> None:
    planned.order(quantity=7)
    planned.order(due_days=-1)

    code = run(["plan", "--data", "unused"])

    said = capsys.readouterr().out.splitlines()
    assert code == 0
    assert "loads      2 for orders; no plan has fewer than 2" in said
    rows = [line.split() for line in said if line.startswith(("1 ", "2 "))]
    assert rows[0][1:3] == ["s1", "turning-1"]
    assert sum(int(row[row.index("to") + 2]) for row in rows) == 8
    assert sum("!" in row for row in rows) == 1


@pytest.mark.parametrize(("name", "begins"), [("plan.svg", b"<svg"), ("plan.PNG", b"\x89PNG")])
def test_the_command_draws_the_plan(planned: Bench, tmp_path: Path, name: str, begins: bytes) -> None:
    planned.order(quantity=7)

    code = run(["plan", "--picture", str(tmp_path / name)])

    drawn = (tmp_path / name).read_bytes()
    assert code == 0
    assert drawn.startswith(begins)
    assert b"<a " not in drawn  # a picture on paper leads nowhere


def test_a_picture_of_another_kind_is_refused_before_anything_is_planned(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code = run(["plan", "--picture", str(tmp_path / "plan.gif"), "--data", str(tmp_path / "none")])

    assert code == 1
    assert "a picture is a .svg or a .png file" in capsys.readouterr().err
    assert not (tmp_path / "none").exists()


def test_a_shop_where_nothing_waits_has_an_empty_plan(
    planned: Bench, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["plan"]) == 0

    assert "loads      0 for orders; no plan has fewer than 0" in capsys.readouterr().out
    assert "Nothing is planned." in words_of(picture(planned, TIMELINE))
