"""What a start of the web process leaves for whoever needs it: the first answers wait for all the rest."""

from __future__ import annotations

import json
import subprocess
import sys
import threading
from pathlib import Path

import pytest
from structlog.testing import capture_logs

from service import app as application
from service.app import create_app
from service.records.db import Database
from service.shop import catalogue
from service.shop.catalogue import loader
from tests.clocks import SetClock
from tests.counter import a_client, some_tools

_HEAVY = {
    *("alembic", "celery", "cv2", "ezdxf", "httpx", "kombu", "llvmlite", "lxml", "markdown_it", "numba"),
    *("openpyxl", "psycopg", "redis", "scipy", "svgwrite", "yaml"),
}
#: What all rooms, or what runs beside requests, bring with them.
_BEHIND = {
    "service.rooms",
    "service.bench.acts",
    "service.papers.printed",
    "service.pages.bench",
    "reportlab",
}
_LOOK = """
import json, sys
import uvicorn
import service.app, service.running.assembly, service.shop.measured_behind, service.stock.import_stock
loaded = sorted(sys.modules)
import service.rooms
from service.requests.answers import AnswerBody

print(json.dumps([loaded, [made.__pydantic_complete__ for made in AnswerBody.__subclasses__()]]))
"""


def test_a_start_loads_nothing_heavy_and_makes_no_answer_ready_that_nobody_has_asked_for() -> None:
    told = subprocess.run([sys.executable, "-c", _LOOK], capture_output=True, text=True, check=True)

    loaded, are_ready = json.loads(told.stdout)
    assert {name.partition(".")[0] for name in loaded} & _HEAVY == set()
    assert _BEHIND & set(loaded) == set()
    assert len(are_ready) > 100
    assert sum(are_ready) < 10


def test_what_is_asked_before_all_rooms_are_open_opens_them(
    tmp_path: Path, sqlite_database: Database, clock: SetClock
) -> None:
    app = create_app(some_tools(sqlite_database, clock, tmp_path))
    app.get("/added")(lambda: "later")
    client = a_client(app)

    assert client.get("/healthz").status_code == 200
    assert client.get("/sign-in").status_code == 200
    assert len(app.router.routes) < 50

    assert client.get("/v1/loads/L1").status_code == 401
    assert len(app.router.routes) > 300
    assert client.get("/v1/nothing").status_code == 404
    assert client.get("/added").status_code == 200
    assert client.delete("/v1/loads/L1").status_code == 405


def test_links_to_pages_can_be_made_before_all_rooms_are_open(
    tmp_path: Path, sqlite_database: Database, clock: SetClock
) -> None:
    app = create_app(some_tools(sqlite_database, clock, tmp_path))

    assert app.url_path_for("get_buyers_proof", token="t") == "/proof/t"


def test_rooms_that_can_t_be_opened_are_logged_and_tried_again(
    tmp_path: Path, sqlite_database: Database, clock: SetClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    app = create_app(some_tools(sqlite_database, clock, tmp_path))
    client = a_client(app)
    with monkeypatch.context() as broken, capture_logs() as lines:
        broken.setitem(sys.modules, "service.rooms", None)  # its import fails
        application._open(app)
        assert client.get("/board").status_code == 500
        assert client.get("/healthz").status_code == 200
    assert "rooms_not_opened" in [line["event"] for line in lines]

    assert client.get("/v1/loads/L1").status_code == 401


def test_fonts_of_a_description_that_was_judged_are_opened_by_whoever_draws_with_them(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    opened: list[str] = []
    monkeypatch.setattr(loader, "open_font", lambda spec: opened.append(spec.font))

    shop = catalogue.load(catalogue.default_folder(), is_judged=True)
    assert shop.fonts
    assert opened == []

    catalogue.load(catalogue.default_folder())
    assert sorted(opened) == sorted(shop.fonts)


def test_what_the_first_requests_made_is_looked_through_for_garbage_no_more(
    sqlite_database: Database, clock: SetClock, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    settled = threading.Event()
    monkeypatch.setattr(application, "SETTLES_AFTER_SECONDS", (0.01,))
    monkeypatch.setattr(application.gc, "freeze", settled.set)
    with a_client(create_app(some_tools(sqlite_database, clock, tmp_path))):
        assert settled.wait(20)
