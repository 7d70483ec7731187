"""Whatever goes wrong, a person gets a page and a program gets a problem."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from httpx import Response
from sqlalchemy.exc import OperationalError
from sqlalchemy.exc import TimeoutError as NoConnectionFree

from service.pages import components, faults, files, live
from service.plan import board_rows
from service.records.db import Database
from service.rooms import PAGES
from tests.benches import Bench
from tests.clocks import SetClock

#: As a browser asks for a page.
BROWSER = {"Accept": "text/html,application/xhtml+xml,*/*;q=0.8", "Sec-Fetch-Mode": "navigate"}


@pytest.fixture
def bench(sqlite_database: Database, clock: SetClock, tmp_path: Path) -> Bench:
    made = Bench(sqlite_database, clock, tmp_path)
    made.client.post("/sign-in", data={"key": made.keys["owner"], "name": "Olga"})
    return made


def must_be_a_page(answer: Response, status: int) -> str:
    assert answer.status_code == status
    assert answer.headers["content-type"].startswith("text/html")
    assert '<main id="live"' in answer.text
    return answer.text


def breaks(*_: Any, **__: Any) -> Any:
    raise RuntimeError("words of a buyer")


def unreachable(*_: Any, **__: Any) -> Any:
    raise OperationalError("select 1", {}, Exception("connection refused"))


def test_a_fault_of_ours_is_a_page_that_does_not_quote_it(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(board_rows, "active_loads", breaks)

    said = must_be_a_page(bench.client.get("/bench"), 500)

    assert "Something went wrong here" in said
    assert "words of a buyer" not in said


def test_a_database_out_of_reach_is_a_page_with_a_time_to_come_back(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(board_rows, "active_loads", unreachable)

    answer = bench.client.get("/board", headers={"Accept-Language": "de"})

    assert "nicht erreichbar" in must_be_a_page(answer, 503)
    assert answer.headers["Retry-After"] == "2"


def test_a_database_out_of_reach_before_anybody_is_known_is_a_page_too(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(bench.database, "reading", unreachable)

    must_be_a_page(bench.client.get("/bench"), 503)


def test_no_connection_free_is_no_fault_whichever_door_is_knocked_at(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Everybody's connections are in use: the pool gives up waiting with an error of its own."""

    def all_in_use(*_: object, **__: object) -> None:
        raise NoConnectionFree("QueuePool limit")

    monkeypatch.setattr(bench.database, "reading", all_in_use)

    must_be_a_page(bench.client.get("/bench"), 503)
    must_be_a_page(bench.client.post("/bench/next", data={"station": "s1"}, headers=BROWSER), 503)
    for answer in (bench.ask("GET", "/v1/pulls"), bench.ask("POST", "/v1/loads/next", {"station": "s1"})):
        assert (answer.status_code, answer.json()["code"]) == (503, "database_busy")
        assert answer.headers["Retry-After"] == "2"


@pytest.mark.parametrize(
    ("method", "address", "status"),
    [
        ("GET", "/nowhere", 404),
        ("GET", "/bench/loads/L999", 404),
        ("GET", "/bench/next", 405),
        ("GET", "/plan?hours=lots", 422),
        ("GET", "/v1/loads/L999/sheet.pdf", 404),
        ("GET", "/v1/nowhere", 404),
    ],
)
def test_what_is_not_there_is_said_on_a_page(bench: Bench, method: str, address: str, status: int) -> None:
    must_be_a_page(bench.client.request(method, address, headers=BROWSER), status)


def test_a_body_too_large_is_said_on_a_page(bench: Bench) -> None:
    answer = bench.client.post("/sign-in", data={"name": "x" * 3_000_000}, headers=BROWSER)

    must_be_a_page(answer, 413)


def test_programs_get_problems_as_ever(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    assert bench.ask("GET", "/v1/loads/L999").json()["code"] == "not_found"
    assert bench.client.get("/nowhere").json()["code"] == "not_found"
    monkeypatch.setattr("service.api.loads.acts.load_now", breaks)
    assert bench.ask("GET", "/v1/loads/L1").json()["code"] == "internal_error"


def test_a_page_that_can_not_be_drawn_leaves_a_few_plain_words(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(board_rows, "active_loads", breaks)
    monkeypatch.setattr(faults, "page", breaks)

    answer = bench.client.get("/bench")

    assert answer.status_code == 500
    assert "<h1>Something went wrong here</h1>" in answer.text


def test_a_browser_that_is_not_signed_in_is_sent_to_do_so(bench: Bench) -> None:
    bench.client.cookies.clear()

    answer = bench.client.get("/board", headers=BROWSER, follow_redirects=False)

    assert (answer.status_code, answer.headers["location"]) == (303, "/sign-in?then=/board")
    assert answer.content == b""
    assert "problem" not in answer.headers.get("content-type", "")  # the way to somewhere else is none


def test_every_room_of_the_pages_answers_with_pages() -> None:
    programs = {files, live, components}  # a picture, a script, a stream: nobody reads their faults

    rooms = [room for room in PAGES if room not in programs]

    assert all(isinstance(route, faults.PageRoute) for room in rooms for route in room.router.routes)
