"""The service over HTTP, in this process, for tests: one client per role, a clock that stands still."""

from __future__ import annotations

import atexit
import copy
import functools
import itertools
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from typing import Any

from anyio.from_thread import BlockingPortal, start_blocking_portal
from fastapi import FastAPI
from fastapi.testclient import TestClient
from httpx import Response
from sqlalchemy.orm import Session
from starlette.datastructures import State

from service.app import create_app
from service.doorway import equip
from service.records.db import Database
from service.records.who import SWEEP, By, Role
from service.requests import keys
from service.shop import catalogue
from service.shop.geometry_workers import Geometry
from service.shop.settings import Settings
from service.shop.tools import Tools
from service.shop.versions import Described, Shelf
from service.stock import reservations as stock
from tests.beginnings import begin
from tests.clocks import SetClock
from tests.contracts import as_described
from tests.made_up import the_made_up_shop

_numbers = itertools.count(1)
#: Where the storefront's key may be asked with.
STORE_PAGES = "https://shop.example"
#: What was measured of fonts, for all tests and for the next run.
FONT_TABLES = Path(".test-features")


@functools.cache
def the_shelf() -> Shelf:
    """The made-up shop, read once for all tests of this process."""
    return Shelf.of(Described(0, the_made_up_shop(), catalogue.default_folder()))


#: Applications by what their routes and their layers are made of.
_made: dict[tuple[bool, bool], FastAPI] = {}


def an_app(tools: Tools, *, is_described: bool = True) -> FastAPI:
    """The application around a test's tools; its threads run while it is served.

    Its routes are those of the first one: to make them takes FastAPI longer than most tests do.
    `is_described`: every answer is held against the description of the surface.
    """
    kind = (tools.settings.docs, is_described)
    if kind not in _made:
        _made[kind] = create_app(tools)
        if is_described:
            _made[kind].middleware("http")(as_described)
        _made[kind].middleware_stack = _made[kind].build_middleware_stack()
    app = copy.copy(_made[kind])
    app.state = State()
    equip(app, tools)
    return app


def a_client(app: FastAPI, *, follow_redirects: bool = True) -> TestClient:
    """Requests to an application in this process. It is not entered as a context manager: the service's own
    threads would work beside the test."""
    client = TestClient(app, follow_redirects=follow_redirects)
    client.portal = _one_loop()
    return client


@functools.cache
def _one_loop() -> BlockingPortal:
    """The event loop of all requests of this process: a client would make one, with its threads, for each."""
    portal = start_blocking_portal()
    atexit.register(portal.__exit__, None, None, None)
    return portal.__enter__()


def a_key_of(session: Session, role: Role, *, now: datetime) -> str:
    """A key of a role; a storefront's is that of the store."""
    client = "store-1" if role is Role.STOREFRONT else f"{role.value}-1"
    pages = (STORE_PAGES,) if role is Role.STOREFRONT else ()
    return keys.new_key(session, role, client=client, now=now, who=SWEEP, origins=pages)


class Counter:
    """A running service and a key of each role."""

    def __init__(self, client: TestClient, tools: Tools, made: dict[str, str]) -> None:
        self.client, self.tools, self.keys = client, tools, made

    def ask(self, role: str, method: str, path: str, body: Any = None, **headers: str) -> Response:
        """One request with the role's key; header names with underscores for dashes."""
        named = {name.replace("_", "-"): value for name, value in headers.items()}
        named["Authorization"] = f"Bearer {self.keys[role]}"
        return self.client.request(method, path, json=body, headers=named)

    def post_order(self, body: dict[str, Any], *, key: str | None = None, role: str = "store") -> Response:
        return self.ask(role, "POST", "/v1/orders", body, Idempotency_Key=key or a_key())


def a_key() -> str:
    return f"test-key-{next(_numbers)}"


def an_inscription(**changes: Any) -> dict[str, Any]:
    return {"zone": "ricasso", "text": "Allotment 7", "font": "lato-bold", "height_mm": 3.0, **changes}


def a_line(**changes: Any) -> dict[str, Any]:
    return {
        "line_ref": "1",
        "sku": "AQ-HORI-18",
        "quantity": 1,
        "inscriptions": [an_inscription()],
        **changes,
    }


def an_order(**changes: Any) -> dict[str, Any]:
    return {
        "order_ref": f"W-{next(_numbers)}",
        "ship_by": "2026-12-01T12:00:00Z",
        "lines": [a_line()],
        **changes,
    }


def a_lot(**changes: Any) -> dict[str, Any]:
    mark = {"zone": "ricasso", "kind": "artwork", "artwork": "house-mark"}
    return {
        "sku": "AQ-PARE-9-BARE",
        "inscriptions": [mark],
        "quantity": 40,
        "due": "2026-12-10T12:00:00Z",
        **changes,
    }


def some_tools(
    database: Database, clock: SetClock, folder: Path, *, shelf: Shelf | None = None, **settings: Any
) -> Tools:
    """Tools around a test's database and the made-up shop, or another; geometry is done in this process."""
    shelf = shelf or the_shelf()
    database.write(lambda session: shelf.keep_current(session, now=clock()))
    return _tools(database, clock, folder, shelf, **settings)


def _tools(database: Database, clock: SetClock, folder: Path, shelf: Shelf, **settings: Any) -> Tools:
    return Tools(
        database=database,
        settings=Settings(data=folder, check_workers=0, sweep_seconds=3600, **settings),
        catalogue=shelf,
        geometry=Geometry(shelf.described.source, FONT_TABLES, workers=0, timeout_seconds=60),
        clock=clock,
    )


@contextmanager
def an_open_counter(
    database: Database,
    clock: SetClock,
    folder: Path,
    *,
    boxed: int | None = None,
    shelf: Shelf | None = None,
    **settings: Any,
) -> Iterator[Counter]:
    """A service with the made-up shop's stock, or `boxed` units in every bin."""
    shelf = shelf or the_shelf()
    tools = _tools(database, clock, folder, shelf, **settings)

    def prepare(session: Session) -> dict[str, str]:
        shelf.keep_current(session, now=clock())
        made = {role.value: a_key_of(session, role, now=clock()) for role in Role}
        made["other_store"] = keys.new_key(session, Role.STORE, client="store-2", now=clock(), who=SWEEP)
        counts = [
            stock.Count(b.bin, b.sku, b.boxed if boxed is None else boxed, b.walking_order)
            for b in catalogue.load_stock(catalogue.default_folder())
        ]
        stock.put_counts(session, counts, by=By(SWEEP, clock()))
        return made

    made = begin(
        database, ("counter", clock(), boxed, shelf.current.version, shelf.described.source), prepare
    )
    yield Counter(a_client(an_app(tools)), tools, dict(made))
